"""``sumpwright lab``: used-oil reports of a laboratory."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING, Annotated, Any

import typer

from sumpwright.cli.common import (
    DbOption,
    JsonFlag,
    UsFlag,
    display,
    number,
    print_json,
    say,
    table,
    warn,
    yard,
)
from sumpwright.cli.importing import File, MachineOption, Preview, SystemOption, take_file
from sumpwright.cli.parsing import Entry, quantity
from sumpwright.cli.told import (
    By,
    DayOption,
    Ident,
    Machine,
    NoteOption,
    Sure,
    day_of,
    entry_json,
    moment,
    quantity_or_none,
    tell_doubts,
    today,
)
from sumpwright.cli.told import SystemOption as Of

if TYPE_CHECKING:
    from sumpwright.display import Display
    from sumpwright.planning.laboratory import Assessment
    from sumpwright.planning.reports import Finding
    from sumpwright.records.due import SystemDue

app = typer.Typer(
    help="Reports of a laboratory on the used fluid. They may make a change due.",
    no_args_is_help=True,
)


@app.command("add", cls=Entry)
def add(
    machine: Machine,
    elements: Annotated[
        list[str] | None,
        typer.Argument(metavar="[Fe=38 …]", help="Elements in mg/kg, by symbol or name."),
    ] = None,
    system: Of = None,
    when: DayOption = None,
    odometer: Annotated[
        str | None, quantity("--odometer", "What it showed, such as 84210 km.")
    ] = None,
    hours: Annotated[
        str | None, quantity("--hours", "What the hour meter showed, such as 2140 h.")
    ] = None,
    sample: Annotated[str, typer.Option("--sample", help="The laboratory's number.")] = "",
    fluid: Annotated[str, typer.Option("--fluid", help="What the report says it is.")] = "",
    v40: Annotated[str | None, quantity("--v40", "Viscosity at 40 °C, such as 27.9 cSt.")] = None,
    v100: Annotated[str | None, quantity("--v100", "Viscosity at 100 °C.")] = None,
    index: Annotated[
        str | None, typer.Option("--index", metavar="N", help="Viscosity index.")
    ] = None,
    water: Annotated[
        str | None, typer.Option("--water", help="Water: 0.05%, 500 ppm, '<0.05%' or neg.")
    ] = None,
    acid: Annotated[
        str | None, typer.Option("--acid", metavar="N", help="Acid number, mg KOH/g.")
    ] = None,
    particles: Annotated[
        str | None, typer.Option("--particles", help="Cleanliness code, such as 18/16/13.")
    ] = None,
    of_new: Annotated[
        bool, typer.Option("--new", help="The sample was of new fluid, to compare with.")
    ] = False,
    note: NoteOption = "",
    sure: Sure = False,
    by: By = "",
    json_out: JsonFlag = False,
    us: UsFlag = False,
    db: DbOption = None,
) -> None:
    """Enter a report, and see what it says."""
    from sumpwright.planning.cleanliness import read_code
    from sumpwright.records.books import past_of
    from sumpwright.records.due import machine_due
    from sumpwright.records.entering import (
        check_report,
        doubts_after,
        read_elements,
        refuse_doubted,
    )
    from sumpwright.records.told import ToldReport, make
    from sumpwright.records.water import read_water

    share, remark = (None, "") if water is None else read_water(water, where="--water")
    values = {
        "odometer": quantity_or_none(odometer, "distance", "--odometer"),
        "hours": quantity_or_none(hours, "time", "--hours"),
        "sample": sample,
        "fluid": fluid,
        "elements": read_elements(elements or []),
        "viscosity_40": quantity_or_none(v40, "viscosity", "--v40"),
        "viscosity_100": quantity_or_none(v100, "viscosity", "--v100"),
        "index": None if index is None else number(index, "--index"),
        "water": share,
        "acid": None if acid is None else number(acid, "--acid"),
        "particles": "" if particles is None else str(read_code(particles)),
        "of_new": of_new,
        "sure": sure,
    }
    check_report(values)
    at = moment(when)
    with yard(db) as store:
        past = past_of(store, machine)
        chosen = past.machine.system(system)
        told = make(ToldReport, {**values, "system": chosen.name})
        own, others = doubts_after(past, told, at, today())
        refuse_doubted(own, others, sure)
        note = "; ".join(filter(None, (note, remark)))
        entry = store.told.add(past.machine.id, told, at, by=by, note=note)
        found = machine_due(store, past.machine.id, today()).system(chosen.name)
    show = display(us)
    mine = [e.id for e in found.reports]
    place = mine.index(entry.id) if entry.id in mine else None
    says = [f for f in found.assessment.findings if f.index == place and place is not None]
    if json_out:
        lines = [{"level": f.level, "name": f.name, "says": f.says.say(show)} for f in says]
        print_json({**entry_json(entry, past.machine.name), "findings": lines})
        return
    say(f"{past.machine.name}, {chosen.name}: the report on {day_of(at)} is kept.")
    warn([remark] if remark else [])
    tell_doubts([*own, *others])
    for finding in says:
        say(f"{finding.level}: {finding.says.say(show)}.")
    _tell_confirm(found, [f for f in says if f.level == "kept out"])


@app.command("import")
def import_reports(
    file: File,
    machine: MachineOption = None,
    system: SystemOption = None,
    preview: Preview = False,
    sure: Annotated[
        bool,
        typer.Option("--sure", help="Let reports count that name or look like another fluid."),
    ] = False,
    by: By = "",
    json_out: JsonFlag = False,
    us: UsFlag = False,
    db: DbOption = None,
) -> None:
    """Take in a table of reports.

    All of it, or nothing if any row has a fault; the same file twice is the same as once.
    """
    take_file("reports", file, machine, system, preview, by, json_out, db, sure=sure, us=us)


@app.command("show")
def show_reports(
    machine: Machine,
    system: Of = None,
    json_out: JsonFlag = False,
    us: UsFlag = False,
    db: DbOption = None,
) -> None:
    """Show what the reports on a machine's fluids say.

    Wear is corrected for what was topped up and changed between the samples.
    """
    from sumpwright.records.due import machine_due
    from sumpwright.records.plain import reports_plain

    with yard(db) as store:
        found = machine_due(store, machine, today())
    name = found.past.machine.name
    if system is not None:
        chosen = [found.system(found.past.machine.system(system).name)]
    else:
        chosen = [each for each in found.systems if each.reports]
    show = display(us)
    if json_out:
        print_json(reports_plain(found, chosen, show))
        return
    if not any(each.reports for each in chosen):
        say("No reports yet: 'sumpwright lab add MACHINE Fe=38' or 'sumpwright lab import FILE'.")
    for place, each in enumerate(chosen):
        if each.reports:
            if place:
                say()
            _tell(name, each, show)


def _tell(machine: str, system: SystemDue, show: Display) -> None:
    from sumpwright.planning.reports import ELEMENTS
    from sumpwright.planning.said import show as written
    from sumpwright.records.plain import report_rows

    rows = report_rows(system)
    used = [symbol for symbol in ELEMENTS if any(symbol in r.elements for _, r, _ in rows)]
    cells: dict[str, list[str]] = {
        "odometer>": [_or_blank(r.distance, show.distance) for _, r, _ in rows],
        "hours>": [_or_blank(r.hours, lambda v: written(v, "hours", show)) for _, r, _ in rows],
        "40 °C>": [_or_blank(r.viscosity_40, show.viscosity) for _, r, _ in rows],
        "100 °C>": [_or_blank(r.viscosity_100, show.viscosity) for _, r, _ in rows],
        "water>": [_or_blank(r.water, show.content) for _, r, _ in rows],
        "acid>": [_or_blank(r.acid, lambda v: f"{v:g}") for _, r, _ in rows],
        "particles": [r.particles for _, r, _ in rows],
        **{
            f"{s}>": [_or_blank(r.elements.get(s), lambda v: f"{v:g}") for _, r, _ in rows]
            for s in used
        },
    }
    given = {head: column for head, column in cells.items() if any(column)}
    table(
        ["id", "day", *given, ""],
        [
            [
                id[-6:],
                r.when.isoformat()[:10],  # type: ignore[union-attr]
                *(column[place] for column in given.values()),
                mark,
            ]
            for place, (id, r, mark) in enumerate(rows)
        ],
        f"{machine}, {system.system.name} (elements in mg/kg)",
    )
    _tell_wear(system.assessment, show)
    for finding in system.assessment.findings:
        say(f"{finding.level}: {finding.says.say(show)}.")
    if not system.assessment.findings:
        say("Nothing stands out.")
    _tell_confirm(system, system.assessment.kept_out)


def _tell_confirm(system: SystemDue, kept_out: Iterable[Finding]) -> None:
    from sumpwright.records.report_checks import WRONG_FLUID

    ids = [system.reports[f.index].id[-6:] for f in kept_out if f.name == WRONG_FLUID]
    if ids:
        say(f"If it is the same fluid: sumpwright lab confirm {' or '.join(ids)}")


def _or_blank(value: float | None, write: Callable[[float], str]) -> str:
    return "" if value is None else write(value)


def _tell_wear(seen: Assessment, show: Display) -> None:
    from sumpwright.planning.clock import day
    from sumpwright.planning.said import show as written

    newest: dict[str, Any] = {row.element: row for row in seen.wear}
    if not newest:
        return
    rows = []
    for element, row in newest.items():
        when = day(row.second.time)
        kind = "wear_distance" if row.second.distance == row.second.distance else "wear_hours"
        rows.append(
            [
                element,
                "" if when is None else when.isoformat(),
                written(row.wear.per_unit, kind, show),
                written(row.wear.uncorrected, kind, show),
            ]
        )
    table(["wear", "up to", "corrected>", "as read>"], rows)


@app.command("confirm")
def confirm(id: Ident, by: By = "", json_out: JsonFlag = False, db: DbOption = None) -> None:
    """Let a report count that was kept out because it names or looks like another fluid."""
    with yard(db) as store:
        entry = store.told.confirm(id, by=by)
        machine = store.machines.get(entry.machine).name
    if json_out:
        print_json(entry_json(entry, machine))
        return
    say(f"Confirmed: the report of {day_of(entry.at)} on {machine}, {entry.told.system}.")


@app.command("withdraw")
def withdraw(id: Ident, json_out: JsonFlag = False, db: DbOption = None) -> None:
    """Take a report back.

    It stays in the books, marked, and counts no longer.
    """
    from sumpwright.cli.told import take_back

    with yard(db) as store:
        data = take_back(store, id, "report")
    if json_out:
        print_json(data)
        return
    say(f"Taken back: the report of {data['at'][:10]} on {data['machine']}, {data['system']}.")
