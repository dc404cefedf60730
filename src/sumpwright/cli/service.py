"""``sumpwright service``: past services, told in the words the user has."""

from __future__ import annotations

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
    whole,
    yard,
)
from sumpwright.cli.parsing import Entry, quantity
from sumpwright.cli.told import (
    By,
    DayOption,
    Ident,
    Machine,
    NoteOption,
    Sure,
    SystemOption,
    day_of,
    entry_json,
    moment,
    positive,
    quantity_or_none,
    share_or_none,
    tell_doubts,
    today,
)
from sumpwright.errors import Complaint

if TYPE_CHECKING:
    from sumpwright.display import Display
    from sumpwright.records.books import Past
    from sumpwright.records.store import Store
    from sumpwright.records.told import Entry as Kept
    from sumpwright.records.told import ToldService

app = typer.Typer(
    help="Past services. What was changed, topped up, lost or inspected outside a job.",
    no_args_is_help=True,
)
Odometer = Annotated[str | None, quantity("--odometer", "What it showed, such as 84210 km.")]
Hours = Annotated[str | None, quantity("--hours", "What the hour meter showed, such as 2140 h.")]
_DONE = ("changed", "filled", "topped-up", "lost")


@app.command("add", cls=Entry)
def add(
    machine: Machine,
    system: SystemOption = None,
    when: DayOption = None,
    odometer: Odometer = None,
    hours: Hours = None,
    litres: Annotated[
        str | None, typer.Option("--litres", metavar="L", help="Litres put in, or lost.")
    ] = None,
    volume: Annotated[
        str | None, quantity("--volume", "The same in any unit, such as 4.3 US qt.")
    ] = None,
    what: Annotated[
        str,
        typer.Option(
            "--what",
            help="changed (old out, new in), filled (was empty), topped-up or lost.",
        ),
    ] = "changed",
    share: Annotated[
        str | None,
        typer.Option("--share", help="Fresh share of a change, if it is known, such as 85%."),
    ] = None,
    times: Annotated[
        str, typer.Option("--times", metavar="N", help="In how many refills, mixed between.")
    ] = "1",
    exchange: Annotated[
        bool, typer.Option("--exchange", help="New fluid went in as the old came out.")
    ] = False,
    fluid: Annotated[
        str | None, typer.Option("--fluid", help="What was put in; the sheet's if left out.")
    ] = None,
    lot: Annotated[str, typer.Option("--lot", help="Its lot.")] = "",
    price: Annotated[
        str | None, typer.Option("--price", metavar="MONEY", help="What the fluid cost.")
    ] = None,
    note: NoteOption = "",
    sure: Sure = False,
    by: By = "",
    json_out: JsonFlag = False,
    us: UsFlag = False,
    db: DbOption = None,
) -> None:
    """Tell a service that was done before, or elsewhere.

    You learn what it really did to the age of the fluid.
    """
    from sumpwright.records.books import past_of
    from sumpwright.records.entering import check_books, doubts_after, refuse_doubted
    from sumpwright.records.told import ToldService, make

    done = _done(what)
    put_in = _volume(litres, volume)
    values: dict[str, Any] = {
        "done": done,
        "volume": put_in,
        "share": share_or_none(share, "--share"),
        "times": whole(times, "--times"),
        "way": "exchange" if exchange else "refill",
        "odometer": positive(
            quantity_or_none(odometer, "distance", "--odometer"), odometer, "--odometer"
        ),
        "hours": positive(quantity_or_none(hours, "time", "--hours"), hours, "--hours"),
        "lot": lot,
        "price": None if price is None else number(price, "--price"),
    }
    at = moment(when)
    with yard(db) as store:
        past = past_of(store, machine)
        chosen = past.machine.system(system)
        took = "" if done == "lost" else (chosen.fluid if fluid is None else fluid)
        told = make(ToldService, {**values, "system": chosen.name, "fluid": took})
        known = _known(past, told, at)
        if known is None:
            check_books(past, chosen.name, told, at, today())
            own, others = doubts_after(past, told, at, today())
            refuse_doubted(own, others, sure)
            entry = store.told.add(past.machine.id, told, at, by=by, note=note)
        says = _what_it_did(store, past, entry if known is None else known, display(us))
    if json_out:
        print_json(
            {
                **entry_json(entry if known is None else known, past.machine.name),
                "known": known is not None,
                "did": says,
            }
        )
        return
    if known is not None:
        say(f"{past.machine.name}, {chosen.name}: this service is told already.")
    else:
        say(f"{past.machine.name}, {chosen.name}: {what} on {day_of(at)}.")
        tell_doubts([*own, *others])
    for line in says:
        say(line)


def _done(what: str) -> str:
    import difflib

    name = what.strip().casefold().replace(" ", "-")
    if name in _DONE:
        return name.replace("-", " ")
    if name.startswith("inspect"):
        raise Complaint(
            "an inspection moves no fluid",
            "tell it with 'sumpwright service inspect MACHINE'",
            "--what",
        )
    near = difflib.get_close_matches(name, _DONE, n=1, cutoff=0.4)
    do = f"did you mean '{near[0]}'?" if near else f"use one of: {', '.join(_DONE)}"
    raise Complaint(f"'{what}' is no kind of service", do, "--what")


def _volume(litres: str | None, volume: str | None) -> float | None:
    if litres is not None and volume is not None:
        raise Complaint("both --litres and --volume are given", "give one of the two")
    if litres is not None:
        return number(litres.strip().removesuffix("L").removesuffix("l"), "--litres") * 1e-3
    return quantity_or_none(volume, "volume", "--volume")


def _known(past: Past, told: ToldService, at: Any) -> Kept[ToldService] | None:
    """Return the same service if it is told already."""
    from sumpwright.records.told import ToldService as Service

    same = (e for e in past.of(Service) if (e.at, e.told) == (at, told))
    return next(same, None)


def _what_it_did(store: Store, past: Past, entry: Kept[ToldService], show: Display) -> list[str]:
    from sumpwright.planning.fluid_history import effect
    from sumpwright.planning.rules import rules_of
    from sumpwright.planning.said import say_all
    from sumpwright.records.books import book_of, meters_of, past_of

    now = past_of(store, past.machine.id)
    chosen = now.machine.system(entry.told.system)
    book = book_of(now, chosen, meters_of(now, today()).of(chosen))
    if book.ledger is None:
        return [note.say(show) for note in book.notes]
    for place, origin in enumerate(book.origins):
        if origin.id == entry.id:
            limits = [x for r in rules_of(chosen) if r.action == "replace" for x in r.limits]
            by_distance = next((x.normal for x in limits if x.kind == "distance"), None)
            return list(say_all(effect(book.ledger, place, "distance", by_distance).says, show))
    return []


@app.command("inspect", cls=Entry)
def inspect(
    machine: Machine,
    system: SystemOption = None,
    when: DayOption = None,
    odometer: Odometer = None,
    hours: Hours = None,
    verdict: Annotated[str | None, typer.Option("--verdict", help="good or replace.")] = None,
    note: NoteOption = "",
    sure: Sure = False,
    by: By = "",
    json_out: JsonFlag = False,
    db: DbOption = None,
) -> None:
    """Tell that the fluid was looked at.

    The interval to inspect begins again; the verdict 'replace' makes a change due.
    """
    from sumpwright.records.books import past_of
    from sumpwright.records.entering import doubts_after, refuse_doubted
    from sumpwright.records.told import ToldService, make

    if verdict not in (None, "good", "replace"):
        raise Complaint(f"'{verdict}' is no verdict", "write good or replace", "--verdict")
    values = {
        "done": "inspected",
        "odometer": quantity_or_none(odometer, "distance", "--odometer"),
        "hours": quantity_or_none(hours, "time", "--hours"),
        "verdict": verdict,
    }
    at = moment(when)
    with yard(db) as store:
        past = past_of(store, machine)
        chosen = past.machine.system(system)
        told = make(ToldService, {**values, "system": chosen.name})
        own, others = doubts_after(past, told, at, today())
        refuse_doubted(own, others, sure)
        entry = store.told.add(past.machine.id, told, at, by=by, note=note)
    if json_out:
        print_json(entry_json(entry, past.machine.name))
        return
    found = f", {verdict}" if verdict else ""
    say(f"{past.machine.name}, {chosen.name}: inspected on {day_of(at)}{found}.")
    tell_doubts([*own, *others])


@app.command("list")
def list_services(
    machine: Machine,
    system: SystemOption = None,
    json_out: JsonFlag = False,
    us: UsFlag = False,
    db: DbOption = None,
) -> None:
    """List what was done to a machine's fluids: told services and closed jobs."""
    from sumpwright.records.books import past_of
    from sumpwright.records.told import ToldService

    with yard(db) as store:
        past = past_of(store, machine)
        name = None if system is None else past.machine.system(system).name
    told = past.of(ToldService, name)
    jobs = [(job, effect) for job, effect in past.jobs if name in (None, job.system)]
    if json_out:
        print_json(
            {
                "machine": past.machine.name,
                "services": [entry_json(entry, past.machine.name) for entry in told],
                "jobs": [
                    {
                        "job": job.id,
                        "system": job.system,
                        "at": job.closed_at.isoformat() if job.closed_at else None,
                        "put_in": effect.put_in,
                        "fresh": {"p05": effect.low, "p50": effect.mid, "p95": effect.high},
                    }
                    for job, effect in jobs
                ],
            }
        )
        return
    if not told and not jobs:
        say("Nothing yet: tell a service with 'sumpwright service add MACHINE --litres 4.1'.")
        return
    show = display(us)
    rows = [
        (
            entry.at,
            [
                entry.id[-6:],
                entry.told.system,
                entry.told.done,
                "" if entry.told.volume is None else show.volume(entry.told.volume),
                "" if entry.told.share is None else show.share(entry.told.share),
                "" if entry.told.odometer is None else show.distance(entry.told.odometer),
                entry.told.verdict or entry.note,
            ],
        )
        for entry in told
    ]
    rows += [
        (
            job.closed_at or job.opened_at,
            [
                "",
                job.system,
                "job",
                show.volume(effect.put_in),
                "" if effect.mid is None else show.share(effect.mid),
                "",
                f"job {job.id[-6:]}",
            ],
        )
        for job, effect in jobs
    ]
    table(
        ["id", "day", "system", "what", "volume>", "fresh>", "odometer>", ""],
        [[cells[0], day_of(at), *cells[1:]] for at, cells in sorted(rows, key=lambda row: row[0])],
    )


@app.command("withdraw")
def withdraw(id: Ident, json_out: JsonFlag = False, db: DbOption = None) -> None:
    """Take a told service back.

    It stays in the books, marked, and counts no longer.
    """
    from sumpwright.cli.told import take_back

    with yard(db) as store:
        data = take_back(store, id, "service")
    if json_out:
        print_json(data)
        return
    say(f"Taken back: the service of {data['at'][:10]} on {data['machine']}, {data['system']}.")
