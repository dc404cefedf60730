"""``sumpwright machine``: the machines of the yard."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from sumpwright.cli.common import (
    DbOption,
    JsonFlag,
    UsFlag,
    display,
    print_json,
    read_sheet,
    say,
    table,
    warn,
    write_out,
    yard,
)
from sumpwright.errors import Complaint

if TYPE_CHECKING:
    from sumpwright.display import Display
    from sumpwright.planning.machine import Span, WetSystem

app = typer.Typer(help="Add, list and show the machines of the yard.", no_args_is_help=True)

Name = Annotated[str, typer.Argument(help="Name of the machine.")]


@app.command("add")
def add(
    sheet: Annotated[Path, typer.Argument(help="Machine sheet (TOML), '-' for standard input.")],
    replace: Annotated[
        bool, typer.Option("--replace", help="Keep this as the newer sheet of a known machine.")
    ] = False,
    json_out: JsonFlag = False,
    db: DbOption = None,
) -> None:
    """Add a machine from its sheet."""
    read = read_sheet(sheet)
    warn(read.warnings)
    with yard(db) as store:
        if not replace and any(m.name == read.machine.name for m in store.machines.all()):
            raise Complaint(
                f"a machine called {read.machine.name} is in the yard already",
                "add --replace to keep this as its newer sheet, or choose another name",
                str(sheet),
            )
        kept = store.machines.save(read) if replace else store.machines.add(read)
    systems = [s.name for s in kept.sheet.machine.systems]
    if json_out:
        print_json(
            {
                "machine": kept.name,
                "version": kept.version,
                "systems": systems,
                "warnings": list(read.warnings),
            }
        )
        return
    say(f"{kept.name} is in the yard, sheet {kept.version}: {', '.join(systems)}.")


@app.command("list")
def list_machines(
    json_out: JsonFlag = False,
    db: DbOption = None,
) -> None:
    """List the machines and their wet systems."""
    with yard(db) as store:
        machines = store.machines.all()
    if json_out:
        print_json(
            [
                {
                    "machine": m.name,
                    "version": m.version,
                    "systems": [s.name for s in m.sheet.machine.systems],
                }
                for m in machines
            ]
        )
        return
    if not machines:
        say("The yard is empty: add a machine with 'sumpwright machine add SHEET'.")
        return
    table(
        ["machine", "wet system", "kind", "fluid"],
        [
            [m.name if i == 0 else "", s.name, s.kind, s.fluid]
            for m in machines
            for i, s in enumerate(m.sheet.machine.systems)
        ],
    )


_SHOWN = (
    ("capacity", "volume"),
    ("drain", "volume"),
    ("sump", "volume"),
    ("cooler_loop", "volume"),
    ("tanks", "count"),
    ("pockets", "share"),
    ("pickup_reserve", "volume"),
    ("discharge", "volume"),
    ("flow", "flow"),
)


@app.command("show")
def show_machine(
    name: Name,
    json_out: JsonFlag = False,
    us: UsFlag = False,
    db: DbOption = None,
) -> None:
    """Show a machine's wet systems, each number with its origin."""
    with yard(db) as store:
        kept = store.machines.get(name)
        jobs = store.jobs.all(machine=kept.name)
    if json_out:
        print_json(
            {
                "machine": kept.name,
                "version": kept.version,
                "note": kept.sheet.machine.note or None,
                "systems": [_plain(s) for s in kept.sheet.machine.systems],
                "jobs": [j.id for j in jobs],
            }
        )
        return
    show = display(us, kept.sheet.currency)
    say(f"{kept.name} (sheet {kept.version})")
    if kept.sheet.machine.note:
        say(kept.sheet.machine.note)
    for system in kept.sheet.machine.systems:
        say()
        _tell_system(system, show)
    if jobs:
        say()
        table(
            ["job", "system", "method", "opened", "closed"],
            [
                [
                    j.id,
                    j.system,
                    j.method,
                    f"{j.opened_at:%Y-%m-%d}",
                    "" if j.closed_at is None else f"{j.closed_at:%Y-%m-%d}",
                ]
                for j in jobs
            ],
        )


@app.command("export")
def export_sheet(
    name: Name,
    out: Annotated[Path | None, typer.Option("-o", "--output", help="File to write.")] = None,
    json_out: JsonFlag = False,
    db: DbOption = None,
) -> None:
    """Write a machine's sheet as TOML."""
    from sumpwright.records.sheet_text import dump_sheet

    with yard(db) as store:
        kept = store.machines.get(name)
    text = dump_sheet(kept.sheet)
    if out is not None:
        write_out(out, text.encode())
    if json_out:
        file = None if out is None else str(out)
        print_json({"machine": kept.name, "version": kept.version, "file": file, "toml": text})
    else:
        say(text.rstrip() if out is None else f"Written: {out}")


def _span(span: Span | None, dimension: str, show: Display) -> tuple[str, str]:
    if span is None:
        return "not given", "assumed by kind in a plan"

    def one(value: float) -> str:
        if dimension == "volume":
            return show.volume(value)
        if dimension == "flow":
            return show.flow(value)
        return f"{value:g}" if dimension == "count" else show.share(value)

    text = one(span.low) if span.exact else f"{one(span.low)} to {one(span.high)}"
    return text, f"{span.origin}{f', {span.note}' if span.note else ''}"


def _tell_system(system: WetSystem, show: Display) -> None:
    from sumpwright.planning.rules import limit_words

    rows = []
    for key, dimension in _SHOWN:
        text, origin = _span(getattr(system, key), dimension, show)
        rows.append([key.replace("_", " "), text, origin])
    if system.window:
        low, high = (show.temperature(t) for t in system.window)
        rows.append(["window", f"{low} to {high}", "sheet"])
    for limit in system.limits:
        origin = ", ".join(dict.fromkeys(source.origin for source in limit.sources)) or "sheet"
        rows.append(["limit", limit_words(limit).say(show), origin])
    for plug in system.plugs:
        torque = "torque not given"
        if plug.torque:
            torque = show.torque(plug.torque.low)
            if not plug.torque.exact:
                torque += f" to {show.torque(plug.torque.high)}"
        rows.append(
            [f"{plug.name} plug", torque, ", ".join(x for x in (plug.drive, plug.seal) if x)]
        )
    fluid = f", {system.fluid}" if system.fluid else ""
    table(["", "", ""], rows, f"{system.name} ({system.kind}{fluid})")


def _plain(system: WetSystem) -> dict[str, Any]:
    from dataclasses import asdict

    return asdict(system)
