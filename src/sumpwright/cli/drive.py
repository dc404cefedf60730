"""``sumpwright drive`` and ``sumpwright use``: how a machine is used."""

from __future__ import annotations

import re
from pathlib import Path
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
    yard,
)
from sumpwright.cli.parsing import Entry, quantity
from sumpwright.cli.told import (
    By,
    DayOption,
    Ident,
    Machine,
    NoteOption,
    SystemOption,
    day_of,
    entry_json,
    moment,
    positive,
    quantity_or_none,
    share_or_none,
    today,
)
from sumpwright.errors import Complaint

if TYPE_CHECKING:
    from datetime import datetime

    from sumpwright.display import Display
    from sumpwright.planning.use import Histogram, Use
    from sumpwright.records.store import Store
    from sumpwright.records.told import Told
    from sumpwright.unit_words import Dimension

app = typer.Typer(
    help="Drives, by hand. They decide between normal and severe service.",
    no_args_is_help=True,
)


@app.command("add", cls=Entry)
def add(
    machine: Machine,
    distance: Annotated[str | None, quantity("--distance", "How far, such as 12 km.")] = None,
    minutes: Annotated[
        str | None, typer.Option("--minutes", metavar="MIN", help="How long the engine ran.")
    ] = None,
    idle: Annotated[
        str | None, typer.Option("--idle", metavar="MIN", help="How long of it at a stand.")
    ] = None,
    load: Annotated[
        str | None, typer.Option("--load", help="Load, as a share of what is permitted.")
    ] = None,
    trailer: Annotated[bool, typer.Option("--trailer", help="With a trailer.")] = False,
    dust: Annotated[bool, typer.Option("--dust", help="In dust.")] = False,
    outside: Annotated[
        str | None, quantity("--outside", "Temperature outside, such as -5 C.")
    ] = None,
    log: Annotated[
        Path | None,
        typer.Option(
            "--log", help="Recorded temperatures of the fluid (.csv, .soak), for thermal age."
        ),
    ] = None,
    system: SystemOption = None,
    climb: Annotated[
        str | None, quantity("--climb", "Height gained in all, such as 900 m.")
    ] = None,
    when: DayOption = None,
    note: NoteOption = "",
    by: By = "",
    json_out: JsonFlag = False,
    us: UsFlag = False,
    db: DbOption = None,
) -> None:
    """Enter a drive, and see whether use counts as severe."""
    from sumpwright.records.chain import new_id
    from sumpwright.records.due import machine_due
    from sumpwright.records.told import ToldDrive, ToldTemperatures, make

    values = {
        "distance": positive(
            quantity_or_none(distance, "distance", "--distance"), distance, "--distance"
        ),
        "duration": _minutes(minutes, "--minutes"),
        "idle": _minutes(idle, "--idle"),
        "load": share_or_none(load, "--load", 3.0),
        "trailer": trailer,
        "dust": dust,
        "outside": quantity_or_none(outside, "temperature", "--outside"),
        "climb": positive(quantity_or_none(climb, "length", "--climb"), climb, "--climb"),
    }
    at = moment(when)
    warmth, mark = None, ""
    if log is not None:
        from sumpwright.link.kept import file_bands, log_note

        warmth, sha256 = file_bands(log)
        mark = log_note(sha256)
    if warmth is not None and values["duration"] is None:
        values["duration"] = sum(warmth.durations)
    told = make(ToldDrive, values)
    with yard(db) as store:
        kept = store.machines.get(machine)
        ids = [new_id(), new_id()]
        things: list[tuple[Told, datetime, str]] = [(told, at, note)]
        if warmth is not None:
            wet = kept.system(system).name
            _not_twice(store, kept.id, wet, mark, log)
            logged = {
                "system": wet,
                "edges": list(warmth.edges),
                "durations": list(warmth.durations),
                "drive": ids[0],
            }
            things.append((make(ToldTemperatures, logged), at, mark))
        entry, *_ = store.told.add_many(kept.id, things, by=by, ids=ids)
        found = machine_due(store, kept.id, today())
    if json_out:
        print_json({**entry_json(entry, kept.name), "use": _use_json(found.use)})
        return
    say(f"{kept.name}: a drive on {day_of(at)} is kept.")
    if warmth is not None:
        minutes_logged = sum(warmth.durations) / 60
        say(f"Temperatures of {minutes_logged:.0f} min are kept with it.")
    _tell_verdict(found.use, display(us))


def _not_twice(store: Store, machine: str, system: str, mark: str, log: Path | None) -> None:
    """Refuse a log that is counted already, with a drive or from a job."""
    from sumpwright.records.told import ToldTemperatures

    for entry in store.told.of(machine, ToldTemperatures, system=system):
        if entry.note == mark:
            raise Complaint(
                f"this log is counted already, on {day_of(entry.at)}",
                "leave it out, or give the log of this drive",
                str(log),
            )


def _minutes(text: str | None, where: str) -> float | None:
    if text is None:
        return None
    return positive(number(text, where) * 60.0, text, where)


@app.command("list")
def list_drives(
    machine: Machine,
    json_out: JsonFlag = False,
    us: UsFlag = False,
    db: DbOption = None,
) -> None:
    """List the drives of a machine."""
    from sumpwright.planning.warmth import mean_temperature
    from sumpwright.records.told import ToldDrive, ToldTemperatures
    from sumpwright.records.warmth import by_drive

    with yard(db) as store:
        kept = store.machines.get(machine)
        drives = store.told.of(kept.id, ToldDrive)
        logs = by_drive(store.told.of(kept.id, ToldTemperatures))
    if json_out:
        plain = [
            {**entry_json(drive, kept.name), "temperatures": _bands_json(logs.get(drive.id))}
            for drive in drives
        ]
        print_json({"machine": kept.name, "drives": plain})
        return
    if not drives:
        say("No drives yet: enter one with 'sumpwright drive add MACHINE --distance 12 km'.")
        return
    show = display(us)
    rows = []
    for drive in drives:
        told = drive.told
        marks = [word for word, held in (("trailer", told.trailer), ("dust", told.dust)) if held]
        rows.append(
            [
                drive.id[-6:],
                day_of(drive.at),
                "" if told.distance is None else show.distance(told.distance),
                "" if told.duration is None else show.duration(told.duration),
                "" if told.load is None else show.share(told.load),
                "" if told.outside is None else show.temperature(told.outside),
                ""
                if (log := logs.get(drive.id)) is None
                else show.temperature(mean_temperature(log)),
                ", ".join([*marks, *([drive.note] if drive.note else [])]),
            ]
        )
    table(["id", "day", "distance>", "time>", "load>", "outside>", "fluid>", ""], rows)
    if logs:
        say("fluid: its mean temperature over the log; how long it was how warm: sumpwright use")


@app.command("withdraw")
def withdraw(id: Ident, json_out: JsonFlag = False, db: DbOption = None) -> None:
    """Take a drive back.

    It stays in the books, marked, and counts no longer.
    """
    from sumpwright.cli.told import take_back

    with yard(db) as store:
        data = take_back(store, id, "drive")
    if json_out:
        print_json(data)
        return
    say(f"Taken back: the drive of {data['at'][:10]} of {data['machine']}.")


def use(
    machine: Machine,
    service: Annotated[
        str | None,
        typer.Option("--service", help="normal, severe, or by-log to let the drives decide."),
    ] = None,
    distance: Annotated[
        str | None,
        typer.Option("--distance", metavar="RANGE", help="In a year, such as '9000-12000 km'."),
    ] = None,
    hours: Annotated[
        str | None,
        typer.Option("--hours", metavar="RANGE", help="In a year, such as '200-300 h'."),
    ] = None,
    by: By = "",
    json_out: JsonFlag = False,
    us: UsFlag = False,
    db: DbOption = None,
) -> None:
    """Say, or see, how a machine is used.

    What you say of the use in a year helps where readings are few.
    """
    from sumpwright.records.books import past_of, use_of
    from sumpwright.records.due import machine_due
    from sumpwright.records.told import ToldTemperatures, ToldUse, make
    from sumpwright.records.warmth import by_system

    if service not in (None, "normal", "severe", "by-log"):
        raise Complaint(
            f"'{service}' is no kind of service", "write normal, severe or by-log", "--service"
        )
    ranges = {
        "distance": _range(distance, "distance", "--distance"),
        "hours": _range(hours, "time", "--hours"),
    }
    with yard(db) as store:
        past = past_of(store, machine)
        before = use_of(past)
        if service is not None or any(ranges.values()):
            values: dict[str, Any] = {} if before is None else before.model_dump()
            values |= {key: pair for key, pair in ranges.items() if pair is not None}
            if service is not None:
                values["service"] = None if service == "by-log" else service
            store.told.add(past.machine.id, make(ToldUse, values), moment(None), by=by)
        found = machine_due(store, past.machine.id, today())
        told = use_of(found.past)
    show = display(us)
    warmth = by_system(found.past.of(ToldTemperatures), show)
    if json_out:
        said = {} if told is None else told.model_dump(mode="json", exclude={"system"})
        temperatures = [{"system": name, **(_bands_json(h) or {})} for name, h in warmth.items()]
        print_json(
            {
                "machine": past.machine.name,
                "told": said,
                **_use_json(found.use),
                "temperatures": temperatures,
            }
        )
        return
    _tell_verdict(found.use, show)
    if told is not None:
        for pair, kind in ((told.distance, "distance"), (told.hours, "hours")):
            if pair is not None:
                from sumpwright.planning.said import show as written

                low, high = (written(end, kind, show) for end in pair)
                say(f"Told: {low} to {high} a year.")
    if found.use.shares:
        table(
            ["use", "share>", "severe from>", ""],
            [
                [name, show.share(share), show.share(bound), "severe" if share >= bound else ""]
                for name, share, bound in found.use.shares
            ],
            f"Drives of the last year: {found.use.drives}; every bound is common practice, no "
            "source",
        )
    for name, histogram in warmth.items():
        _tell_warmth(name, histogram, show)


BAR = 30
"""Characters of the longest bar of a histogram."""


def _tell_warmth(system: str, histogram: Histogram, show: Display) -> None:
    most = max(histogram.durations)
    table(
        ["temperature>", "time>", ""],
        [
            [
                f"{show.temperature(low)} to {show.temperature(high)}",
                show.duration(spent),
                "█" * max(1, round(BAR * spent / most)) if spent > 0 else "",
            ]
            for low, high, spent in zip(
                histogram.edges[:-1], histogram.edges[1:], histogram.durations, strict=True
            )
        ],
        f"Logged temperatures of the fluid, {system}: {show.duration(sum(histogram.durations))}",
    )


def _bands_json(histogram: Histogram | None) -> dict[str, Any] | None:
    """Bands of temperature as plain values: edges in K, durations in s."""
    if histogram is None:
        return None
    return {"edges": list(histogram.edges), "durations": list(histogram.durations)}


def _range(text: str | None, dimension: Dimension, where: str) -> tuple[float, float] | None:
    """Read a range such as ``9000-12000 km``; a single figure is taken for a quarter about it."""
    from sumpwright.records.books import about

    if text is None:
        return None
    match = re.fullmatch(r"\s*([\d.,' ]+?)\s*(?:-|–|\bto\b|\.\.)\s*(\d.*)", text)
    if match is None:
        value = quantity_or_none(text, dimension, where)
        assert value is not None
        ends: list[float | None] = list(about(value, value))
    else:
        unit = re.sub(r"^[\d.,' ]+", "", match[2])
        first = quantity_or_none(f"{match[1]} {unit}", dimension, where)
        ends = [first, quantity_or_none(match[2], dimension, where)]
    low, high = ends
    if low is None or high is None or not 0 < low <= high:
        raise Complaint(
            f"'{text}' is no range above zero", "write e.g. '9000-12000 km', low end first", where
        )
    return low, high


def _use_json(use: Use) -> dict[str, Any]:
    return {
        "service": use.service.kind,
        "reasons": [str(reason) for reason in use.service.reasons],
        "drives": use.drives,
        "shares": [
            {"use": name, "share": share, "severe_from": bound} for name, share, bound in use.shares
        ],
    }


def _tell_verdict(use: Use, show: Display) -> None:
    for reason in use.service.reasons:
        text = reason.say(show)
        say(f"{text[:1].upper()}{text[1:]}.")
