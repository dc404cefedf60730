"""Files of machines, readings, services and reports: shown first, then taken whole or not."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from sumpwright.cli.common import (
    DbOption,
    JsonFlag,
    UsFlag,
    count,
    display,
    print_json,
    say,
    table,
    warn,
    working,
    yard,
)
from sumpwright.cli.told import By
from sumpwright.errors import Complaint

if TYPE_CHECKING:
    from sumpwright.records.taking import Sort, Taking

File = Annotated[Path, typer.Argument(metavar="FILE", help="CSV or XLSX.")]
MachineOption = Annotated[
    str | None,
    typer.Option("--machine", help="Whose rows they are, if the file does not say."),
]
SystemOption = Annotated[
    str | None,
    typer.Option("--system", help="Which wet system, if the file does not say."),
]
Preview = Annotated[
    bool, typer.Option("--preview", help="Only show what the file holds; keep nothing.")
]
SHOWN = 20
"""Rows that a preview prints; JSON has them all."""
_TABLES = ("machines", "readings", "services")


def import_table(
    sort: Annotated[str, typer.Argument(metavar="SORT", help="machines, readings or services.")],
    file: File,
    machine: MachineOption = None,
    system: SystemOption = None,
    preview: Preview = False,
    by: By = "",
    json_out: JsonFlag = False,
    us: UsFlag = False,
    db: DbOption = None,
) -> None:
    """Take in a table of machines, readings or past services.

    All of it, or nothing if any row has a fault; the same file twice is the same as once.
    """
    import difflib

    name = sort.strip().casefold()
    if name not in _TABLES:
        near = difflib.get_close_matches(name, _TABLES, n=1, cutoff=0.4)
        do = f"did you mean '{near[0]}'?" if near else f"use one of: {', '.join(_TABLES)}"
        raise Complaint(f"'{sort}' is no sort of table", do)
    take_file(name, file, machine, system, preview, by, json_out, db, us=us)  # type: ignore[arg-type]


def take_file(
    sort: Sort,
    file: Path,
    machine: str | None,
    system: str | None,
    only_show: bool,
    by: str,
    json_out: bool,
    db: str | None,
    *,
    sure: bool = False,
    us: bool = False,
) -> None:
    """Preview a file, and take it in unless it is only to be shown.

    Raises
    ------
    Complaint
        When the file cannot be read, or any row has a fault; all faults are printed first.
    """
    from sumpwright.records.taking import preview, take
    from sumpwright.remote.store import RemoteStore

    try:
        data = file.read_bytes()
    except OSError as error:
        raise Complaint(
            f"cannot be read ({error.strerror or error})", "check its name", str(file)
        ) from None
    with yard(db) as store:

        def keep(seen: Taking) -> int:
            with working(f"Keeping {len(seen.new)} rows, all of them or none"):
                return kept(seen)

        def kept(seen: Taking) -> int:
            if seen.faults or not isinstance(store, RemoteStore):
                return take(store, seen, by=by)
            return store.take_table(
                sort,
                data,
                file.name,
                machine=machine or "",
                system=system or "",
                by=by,
                sure=sure,
            )

        try:
            with working(f"Reading {file.name} against the yard; nothing is kept yet"):
                seen = preview(
                    store,
                    sort,
                    data,
                    file.name,
                    machine=machine or "",
                    system=system or "",
                    sure=sure,
                    display=display(us),
                )
        except Complaint as complaint:
            raise Complaint(
                complaint.what, complaint.do, complaint.where or str(file), complaint.field
            ) from None
        if json_out and (only_show or not seen.faults):
            from sumpwright.records.plain import taking_plain

            print_json({"file": str(file), **taking_plain(seen, 0 if only_show else keep(seen))})
            _refuse(seen, str(file))
            return
        warn(seen.notes)
        warn([str(doubt) for doubt in seen.doubts])
        if only_show:
            _show(seen)
            _refuse(seen, str(file))
            return
        for fault in seen.faults:
            say(str(fault))
        added = keep(seen)
    known = len(seen.rows) - len(seen.new)
    say(f"{sort}: {added} added, {known} known already.")


def _show(seen: Taking) -> None:
    if seen.rows:
        table(
            ["line>", "machine", "system", "what", ""],
            [
                [str(r.line), r.machine, r.system, r.what, "known already" if r.known else ""]
                for r in seen.rows[:SHOWN]
            ],
        )
    if len(seen.rows) > SHOWN:
        say(f"… and {count(len(seen.rows) - SHOWN, 'row')} more.")
    for fault in seen.faults:
        say(str(fault))
    if not seen.faults:
        say(f"{count(len(seen.new), 'new row')} would be kept.")


def _refuse(seen: Taking, file: str) -> None:
    """End a preview of a faulty file as its import would end."""
    if seen.faults:
        faults = count(len(seen.faults), "fault")
        raise Complaint(f"{faults}: nothing of it would be kept", "correct the file", file)
