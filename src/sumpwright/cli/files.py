"""Everything out, everything in, and whether a record still says what it said."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from sumpwright.cli.common import DbOption, JsonFlag, check_writable, print_json, say, yard
from sumpwright.cli.job import find_job
from sumpwright.errors import Complaint

if TYPE_CHECKING:
    from sumpwright.records.intake import Report
    from sumpwright.records.store import Store


def export_all(
    out: Annotated[Path, typer.Argument(help="File to write.")],
    json_out: JsonFlag = False,
    db: DbOption = None,
) -> None:
    """Write everything the yard holds to one JSON file."""
    check_writable(out)
    with yard(db) as store:
        _write_yard(store, out)
        machines, jobs = len(store.machines.all(retired=True)), len(store.jobs.all())
    if json_out:
        print_json({"file": str(out), "machines": machines, "jobs": jobs})
        return
    say(f"Written: {out} (machines: {machines}, jobs: {jobs}).")


def _write_yard(store: Store, out: Path) -> None:
    from sumpwright.records.export import export_yard, write_whole
    from sumpwright.remote.store import RemoteStore

    if isinstance(store, RemoteStore):
        write_whole(out, store.document())
    else:
        export_yard(store, out)


def _take_in(store: Store, file: Path) -> Report:
    from sumpwright.records.intake import import_yard
    from sumpwright.remote.store import RemoteStore

    return store.take_in(file) if isinstance(store, RemoteStore) else import_yard(store, file)


def import_all(
    file: Annotated[Path, typer.Argument(help="A file that 'sumpwright export' wrote.")],
    json_out: JsonFlag = False,
    db: DbOption = None,
) -> None:
    """Take in an export.

    All of it, or nothing if anything in it is not sound.
    """
    with yard(db) as store:
        report = _take_in(store, file)
    if json_out:
        print_json({"added": dict(report.added), "known": dict(report.skipped)})
        return
    for line in report.lines():
        say(line)


def verify(
    what: Annotated[
        str | None,
        typer.Argument(help="A record or export file, or the id of a job; all jobs if left out."),
    ] = None,
    json_out: JsonFlag = False,
    db: DbOption = None,
) -> None:
    """Check that a log is whole and unaltered.

    Each entry carries the hash of the one before.
    """
    if what is not None and (Path(what).exists() or what.endswith(".json")):
        rows = _verify_file(Path(what))
    else:
        rows = _verify_store(what, db)
    sound = not any(problems for _, _, problems in rows)
    if json_out:
        print_json(
            {
                "sound": sound,
                "jobs": [{"job": j, "entries": n, "problems": p} for j, n, p in rows],
            }
        )
    else:
        for job, count, problems in rows:
            verdict = "sound" if not problems else "NOT SOUND"
            say(f"{job}: {count} entries, {verdict}")
            for problem in problems:
                say(f"  {problem}")
        if not rows:
            say("There is no job to verify.")
    if not sound:
        raise Complaint(
            "NOT SOUND: the log was altered or damaged",
            "trust it no further, and use a copy that nobody changed",
            what or "the yard",
        )


_Row = tuple[str, int, list[str]]


def _verify_file(path: Path) -> list[_Row]:
    from sumpwright.records.proof import verify_file

    proof = verify_file(path)
    rows: list[_Row] = [(j.id, j.length, [str(p) for p in j.problems]) for j in proof.jobs]
    if proof.problems:
        rows.append((f"files carried by {path.name}", 0, list(proof.problems)))
    return rows


def _verify_store(job: str | None, db: str | None) -> list[_Row]:
    with yard(db) as store:
        if job is not None:
            ids, strays = [find_job(store, job)], []
        else:
            ids, strays = [each.id for each in store.jobs.all()], store.jobs.strays()
        proven = [store.jobs.prove(id) for id in ids]
    rows: list[_Row] = [(j.id, j.length, [str(p) for p in j.problems]) for j in proven]
    return rows + [(id, 0, ["entries are kept of a job that is not in the yard"]) for id in strays]
