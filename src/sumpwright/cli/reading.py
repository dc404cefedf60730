"""``sumpwright reading``: what the meters of a machine showed."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Annotated, Any

import typer

from sumpwright.cli.common import DbOption, JsonFlag, UsFlag, display, print_json, say, table, yard
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
    tell_doubts,
    today,
)
from sumpwright.errors import Complaint

if TYPE_CHECKING:
    from sumpwright.display import Display
    from sumpwright.records.books import Past, Shown
    from sumpwright.records.readings import KeptReading

app = typer.Typer(
    help="Odometer and hour readings. They tell when a limit will be reached.",
    no_args_is_help=True,
)
What = Annotated[str, typer.Argument(metavar="WHAT", help="odometer or hours.")]


def _meter(what: str) -> Shown:
    import difflib

    name = what.strip().casefold()
    if name == "odometer":
        return "distance"
    if name == "hours":
        return "hours"
    near = difflib.get_close_matches(name, ["odometer", "hours"], n=1, cutoff=0.4)
    do = f"did you mean '{near[0]}'?" if near else "use odometer or hours"
    raise Complaint(f"'{what}' is not a meter of a machine", do)


def _shown(what: str, value: float, show: Display) -> str:
    from sumpwright.planning.said import show as written

    return written(value, "distance" if what == "odometer" else "hours", show)


@app.command("add", cls=Entry)
def add(
    machine: Machine,
    what: What,
    value: Annotated[
        list[str], typer.Argument(metavar="VALUE", help="Value with its unit, such as 84210 km.")
    ],
    when: DayOption = None,
    note: NoteOption = "",
    sure: Sure = False,
    by: By = "",
    json_out: JsonFlag = False,
    us: UsFlag = False,
    db: DbOption = None,
) -> None:
    """Enter what a meter showed."""
    from sumpwright.records.bodies import UNITS, check_body
    from sumpwright.records.books import past_of
    from sumpwright.records.entering import refuse_doubted
    from sumpwright.units import parse_quantity

    meter = _meter(what)
    name = "odometer" if meter == "distance" else "hours"
    si = parse_quantity(" ".join(value), "distance" if meter == "distance" else "time", name)
    check_body("read", {"what": name, "value": si, "unit": UNITS[name]})
    at = moment(when)
    with yard(db) as store:
        past = past_of(store, machine)
        own, others = _doubts(past, name, si, at, sure)
        twice = any(doubt.why.fault == "twice" for doubt in own)
        if not twice:
            refuse_doubted(own, others, sure)
            kept = store.readings.add(past.machine.id, name, si, at, by=by, note=note, sure=sure)
    shown = _shown(name, si, display(us))
    if json_out:
        data: dict[str, Any] = {} if twice else {"id": kept.id}
        data |= {"machine": past.machine.name, "what": name, "value": si, "at": at.isoformat()}
        doubts = [str(d.why.why) for d in (*own, *others)]
        print_json({**data, "unit": "m" if name == "odometer" else "s", "kept_out": doubts})
        return
    if twice:
        say(f"{past.machine.name}: the {name} reading of {day_of(at)}, {shown}, is there already.")
        return
    say(f"{past.machine.name}: {name} {shown} on {day_of(at)}.")
    tell_doubts([*own, *others])


def _doubts(past: Past, name: str, si: float, at: Any, sure: bool) -> tuple[list[Any], list[Any]]:
    """Doubts about a reading that is not kept yet, and those that it casts on others."""
    from sumpwright.records.books import meters_of
    from sumpwright.records.readings import KeptReading

    new = KeptReading("new", past.machine.id, name, si, at, "", "", "", sure)
    before = {(d.seen.id, d.meter) for d in meters_of(past, today()).doubts}
    after = meters_of(replace(past, readings=(*past.readings, new)), today()).doubts
    own = [d for d in after if d.seen.id == "new"]
    return own, [d for d in after if d.seen.id != "new" and (d.seen.id, d.meter) not in before]


@app.command("list")
def list_readings(
    machine: Machine,
    json_out: JsonFlag = False,
    us: UsFlag = False,
    db: DbOption = None,
) -> None:
    """List the readings of a machine, and why some are kept out."""
    from sumpwright.records.books import meters_of, past_of, readings_of
    from sumpwright.records.told import ToldMeter

    with yard(db) as store:
        past = past_of(store, machine)
    meters = meters_of(past, today())
    why = {(d.seen.id, d.meter, d.seen.reading): str(d.why.why) for d in meters.doubts}
    shows: tuple[Shown, ...] = ("distance", "hours")
    rows = [
        {
            "id": seen.id if seen.source == "reading" else None,
            "what": "odometer" if meter == "distance" else "hours",
            "value": seen.reading.value,
            "unit": "m" if meter == "distance" else "s",
            "at": seen.reading.when.isoformat(),  # type: ignore[union-attr]
            "from": seen.source,
            "kept_out": why.get((seen.id, meter, seen.reading)),
        }
        for meter in shows
        for seen in sorted(readings_of(past, meter), key=lambda s: str(s.reading.when))
    ]
    changes = past.of(ToldMeter)
    if json_out:
        replaced = [entry_json(entry, past.machine.name) for entry in changes]
        print_json({"machine": past.machine.name, "readings": rows, "replaced": replaced})
        return
    if not rows and not changes:
        say("No readings yet: enter one with 'sumpwright reading add MACHINE odometer 84210 km'.")
        return
    show = display(us)
    table(
        ["id", "day", "what", "reading>", "from", ""],
        [
            [
                str(r["id"])[-6:] if r["id"] else "",
                str(r["at"])[:10],
                str(r["what"]),
                _shown(str(r["what"]), float(str(r["value"])), show),
                str(r["from"]),
                "kept out" if r["kept_out"] else "",
            ]
            for r in rows
        ]
        + [
            [
                entry.id[-6:],
                day_of(entry.at),
                entry.told.what,
                _shown(entry.told.what, entry.told.new, show),
                "new meter",
                "after an unknown value"
                if entry.told.old is None
                else f"after {_shown(entry.told.what, entry.told.old, show)}",
            ]
            for entry in changes
        ],
    )
    for row in rows:
        if row["kept_out"]:
            say(f"Kept out: {row['kept_out']}.")
    for meter in (meters.distance, meters.hours):
        for text in (*(meter.track.notes if meter.track else ()), *_notes(meter.forecast)):
            say(f"{text.say(show)}.")


def _notes(forecast: Any) -> tuple[Any, ...]:
    return forecast.notes if forecast is not None else ()


@app.command("replaced", cls=Entry)
def replaced(
    machine: Machine,
    what: What,
    old: Annotated[
        str | None, quantity("--old", "What the old meter showed last, such as 128300 km.")
    ] = None,
    new: Annotated[
        str | None, quantity("--new", "What the new one showed first; zero if left out.")
    ] = None,
    when: DayOption = None,
    note: NoteOption = "",
    by: By = "",
    json_out: JsonFlag = False,
    us: UsFlag = False,
    db: DbOption = None,
) -> None:
    """Tell that a meter was replaced; the readings then go on across it."""
    from sumpwright.cli.told import quantity_or_none
    from sumpwright.records.told import ToldMeter, make

    meter = _meter(what)
    name = "odometer" if meter == "distance" else "hours"
    values = {
        "what": name,
        "old": quantity_or_none(old, "distance" if meter == "distance" else "time", "--old"),
        "new": quantity_or_none(new, "distance" if meter == "distance" else "time", "--new"),
    }
    at = moment(when)
    with yard(db) as store:
        kept = store.machines.get(machine)
        told = make(ToldMeter, values)
        entry = store.told.add(kept.id, told, at, by=by, note=note)
    if json_out:
        print_json(entry_json(entry, kept.name))
        return
    last = "an unknown value" if told.old is None else _shown(name, told.old, display(us))
    first = _shown(name, told.new, display(us))
    say(f"{kept.name}: {name} replaced on {day_of(at)}, from {last} to {first}.")


@app.command("withdraw")
def withdraw(id: Ident, json_out: JsonFlag = False, db: DbOption = None) -> None:
    """Take a reading, or a replaced meter, back.

    It stays in the books, marked, and counts no longer.
    """
    from sumpwright.cli.told import take_back

    with yard(db) as store:
        try:
            kept: KeptReading | None = store.readings.withdraw(id)
        except Complaint as complaint:
            if not complaint.what.startswith("no reading"):
                raise
            kept = None
        data = take_back(store, id, "meter") if kept is None else _json(kept)
    if json_out:
        print_json(data)
        return
    say(f"Taken back: {data['what']} of {data['at'][:10]}.")


def _json(kept: KeptReading) -> dict[str, Any]:
    return {
        "id": kept.id,
        "what": kept.what,
        "value": kept.value,
        "at": kept.at.isoformat(),
        "withdrawn": None if kept.withdrawn_at is None else kept.withdrawn_at.isoformat(),
    }
