"""``sumpwright due``, ``policy``, ``history`` and ``costs``: what the books say."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from sumpwright.cli.common import (
    DbOption,
    JsonFlag,
    UsFlag,
    check_writable,
    count,
    display,
    number,
    print_json,
    say,
    table,
    working,
    write_out,
    yard,
)
from sumpwright.cli.parsing import quantity
from sumpwright.cli.told import By, DayOption, Machine, NoteOption, SystemOption, moment, today
from sumpwright.errors import Complaint

if TYPE_CHECKING:
    from datetime import date

    from sumpwright.display import Display
    from sumpwright.planning.due import DueItem
    from sumpwright.planning.ledger import Measure
    from sumpwright.records.policies import Outlook
    from sumpwright.records.spending import Costs, YearNeed

SILENT_SHOWN = 20
"""Systems without limits that are named; a large yard has thousands."""
ACTIONS = {"inspect": "inspect", "replace": "change"}


def due(
    machine: Annotated[
        str | None, typer.Option("--machine", help="Only this machine, with all reasons.")
    ] = None,
    calendar: Annotated[
        Path | None,
        typer.Option("--calendar", metavar="FILE.ics", help="Write a calendar file as well."),
    ] = None,
    first: Annotated[
        int | None,
        typer.Option("--first", min=1, metavar="N", help="Only what comes first, so many of it."),
    ] = None,
    json_out: JsonFlag = False,
    us: UsFlag = False,
    db: DbOption = None,
) -> None:
    """Say what is due, when, and why.

    The whole yard, what comes first at the top. The clock of a change is the mean age of
    the fluid that is really in the system.
    """
    from sumpwright.records.due import item_json, machine_due
    from sumpwright.records.fleet import part, rank

    check_writable(calendar)
    now = today()
    with yard(db) as store:
        if machine is None:
            with working("Looking through the yard"):
                ranking = rank(store, now)
            everything, silent = len(ranking), list(ranking.silent)
            if json_out or calendar is not None:
                with working("Working out the reasons; --first N asks for fewer"):
                    items = part(store, ranking, first)
            else:
                items = [row.item for row in ranking.rows[:first]]
        else:
            items = machine_due(store, machine, now).items
            everything, items = len(items), items[:first]
            kept = store.machines.get(machine)
            silent = [(kept.name, s.name) for s in kept.sheet.machine.systems if not s.limits]
    show = display(us)
    if calendar is not None:
        from sumpwright.records.calendar import calendar as write_calendar

        write_out(calendar, write_calendar(items, datetime.now(UTC), display=show))
    if json_out:
        print_json([item_json(item, now, show) for item in items])
        return
    if not items:
        say("Nothing: no sheet says when a system is due; add [[system.limit]] to one.")
    else:
        _tell_yard(items, now)
    if len(items) < everything:
        say(f"The first {len(items)} of {everything}.")
    if items and machine is None:
        say("Why: sumpwright due --machine MACHINE")
    elif items:
        say()
        _tell_reasons(items, show)
    if items and silent:
        more = len(silent) - SILENT_SHOWN
        told = [f"{name}, {system}" for name, system in silent[:SILENT_SHOWN]]
        told += [f"and {more} systems more"] if more > 0 else []
        say(f"No limits on the sheet: {'; '.join(told)}.")
    if calendar is not None:
        say(f"Calendar: {calendar}")


def _tell_yard(items: list[DueItem], now: date) -> None:
    def written(day: date | None) -> str:
        return "not in sight" if day is None else day.isoformat()

    table(
        ["due", "between", "and", "machine", "system", "what", "by"],
        [
            [
                f"{written(i.due.likely)}{_sign(i, now)}",
                written(i.due.early),
                written(i.due.late),
                i.machine,
                i.system,
                ACTIONS[i.action],
                i.limit or "unknown",
            ]
            for i in items
        ],
    )
    if any(i.overdue(now) for i in items):
        say("!  overdue")
    if any(i.perhaps_overdue(now) for i in items):
        say("?  may be overdue: the earliest day has passed, and no day is likely")


def _sign(item: DueItem, now: date) -> str:
    if item.overdue(now):
        return " !"
    return " ?" if item.perhaps_overdue(now) else ""


def _tell_reasons(items: list[DueItem], show: Display) -> None:
    for item in items:
        say(f"{item.machine}, {item.system}, {ACTIONS[item.action]} ({item.service} service):")
        for reason in item.reasons:
            say(f"  - {reason.say(show)}")


_SCALES: dict[str, Measure] = {"distance": "distance", "time": "time", "hours": "hours"}


def policy(
    machine: Machine,
    system: SystemOption = None,
    horizon: Annotated[
        str, typer.Option("--horizon", metavar="YEARS", help="How far to look.")
    ] = "10",
    by: Annotated[
        str | None, typer.Option("--by", help="Scale of the intervals: distance, time or hours.")
    ] = None,
    every: Annotated[bool, typer.Option("--all", help="Show every interval and method.")] = False,
    json_out: JsonFlag = False,
    us: UsFlag = False,
    db: DbOption = None,
) -> None:
    """Compare intervals and methods in the long run.

    How old the fluid becomes, how much of it is overdue, what that costs in a year.
    """
    from sumpwright.planning.clock import YEAR
    from sumpwright.records.plain import policy_plain
    from sumpwright.records.policies import outlook

    if by is not None and by not in _SCALES:
        raise Complaint(f"'{by}' is no scale", f"use one of: {', '.join(_SCALES)}", "--by")
    years = number(horizon, "--horizon")
    if not 0 < years <= 100:
        raise Complaint(f"a horizon of {horizon} years", "give 1 to 100", "--horizon")
    with yard(db) as store:
        found = outlook(
            store,
            machine,
            system,
            today(),
            years * YEAR,
            measure=None if by is None else _SCALES[by],
        )
        currency = store.machines.get(machine).sheet.currency
    show = display(us, currency)
    if json_out:
        print_json(policy_plain(found, show))
        return
    _tell_policy(found, show, every, years)


def _tell_policy(found: Outlook, show: Display, every: bool, years: float) -> None:
    from sumpwright.planning.said import show as written

    def age(value: Any) -> str:
        return written(value, found.measure, show)

    best = found.cheapest
    tail = found.table.tail
    bound = "mean age of the fluid"
    if tail is not None:
        bound = f"no more than {show.share(tail)} of the fluid older"
    say(f"{found.machine}, {found.system}: limit {age(found.limit)}{_standing(found)} ({bound}).")
    if found.habit is not None:
        say(found.habit.says.say(show))
    rows = found.rows if every else found.longest
    say()
    table(
        [
            "every>",
            "method",
            "fresh>",
            "oldest>",
            "overdue>",
            "fluid/year>",
            "cost/year>",
            "min/year>",
            "",
        ],
        [
            [
                age(r["interval"]),
                str(r["method"]),
                show.share(float(r["share"])),
                age(r["peak_age"]),
                show.share(float(r["overdue" if tail is None else "overdue_peak"])),
                show.volume(float(r["volume_per_year"])),
                show.money(float(r["cost_per_year"])) if found.priced else "",
                f"{r['minutes_per_year']:.0f}",
                _mark(r, best, found, show),
            ]
            for r in rows
        ],
        "Every interval and method"
        if every
        else f"The longest interval of each method that keeps to {found.bounds} (all: --all)",
    )
    if best is None:
        say(f"None of them keeps to {found.bounds}.")
    else:
        word = "cheapest" if found.priced else "least fluid"
        services = count(round(best["services"]), "service")
        say(
            f"◀  {word} that keeps to {found.bounds}: {services} in {years:g} "
            f"years, {show.volume(float(best['volume']))} of fluid"
            + (f", {show.money(float(best['cost']))}." if found.priced else ".")
        )
    when = "" if tail is None else " just before a service"
    say(
        f"oldest: mean age just before a service; overdue: share of the fluid past the limit{when}."
    )
    for note in found.notes:
        say(f"{note.say(show)}.")


def _standing(found: Outlook) -> str:
    """How the limit that is gone by stands to the others."""
    if not found.several:
        return ""
    return ", which comes first" if found.pace is found.limits[0] else ", as asked"


def _mark(row: dict[str, Any], best: Any, found: Outlook, show: Display) -> str:
    """The sign of the best row, and the limits that a row breaks."""
    from sumpwright.planning.said import show as written

    past = " and ".join(written(pace.limit, pace.measure, show) for pace in row["breaks"])
    if not found.several:
        past = "the limit" if past else ""
    return " ".join((["◀"] if row == best else []) + ([f"past {past}"] if past else []))


def costs(
    machine: Annotated[
        str | None, typer.Option("--machine", help="Only what this machine has cost.")
    ] = None,
    json_out: JsonFlag = False,
    us: UsFlag = False,
    db: DbOption = None,
) -> None:
    """Show what machines have cost, and next year's fluid.

    The fluid of the coming year is bought as one basket, each seller's carriage once.
    """
    from sumpwright.records.books import load, past_of
    from sumpwright.records.plain import costs_plain
    from sumpwright.records.spending import costs as sum_up
    from sumpwright.records.spending import year_need

    with yard(db) as store:
        pasts = load(store) if machine is None else [past_of(store, machine)]
        found = sum_up(store, pasts)
        need = year_need(store, today()) if machine is None else None
        money = next((p.machine.sheet.currency for p in pasts if p.machine.sheet.currency), "")
    show = display(us, money)
    if json_out:
        print_json(costs_plain(found, need))
        return
    _tell_costs(found, show)
    if need is not None:
        say()
        _tell_need(need, show)


def _tell_costs(found: Costs, show: Display) -> None:
    if not found.by_machine:
        say("No costs yet: they come from jobs, told services and 'sumpwright spend'.")
        return
    table(
        ["machine", "year>", "fluid>", "other>", "total>", "volume>", ""],
        [
            [
                row.machine,
                str(row.year),
                show.money(row.fluid),
                show.money(row.other),
                show.money(row.total),
                show.volume(row.volume),
                f"{show.volume(found.unpriced[key])} without a price"
                if (key := (row.machine, row.year)) in found.unpriced
                else "",
            ]
            for row in found.by_machine
        ]
        + [
            [
                row.machine,
                "all",
                *(show.money(x) for x in (row.fluid, row.other, row.total)),
                show.volume(row.volume),
                "",
            ]
            for row in found.totals
        ],
        "What the machines have cost",
    )
    if found.prices:
        say()
        unit = show.unit("volume")
        per = show.number(1.0, "volume")
        table(
            ["fluid", "", f"latest per {unit}>", "lowest>", "highest>", "in a year>"],
            [
                [
                    p.fluid,
                    "paid" if p.paid else f"asked for {show.volume(p.size)} with its carriage",
                    *(show.money(x / per) for x in (p.latest, p.lowest, p.highest)),
                    "" if p.change != p.change else f"{100 * p.change:+.0f} %",
                ]
                for p in found.prices
            ],
        )


def _tell_need(need: YearNeed, show: Display) -> None:
    if not need.needs:
        say("The next year: no sheet says when its fluid is to be changed.")
        return
    table(
        ["fluid", "likely>", "at least>", "at most>", "for"],
        [
            [
                n.fluid,
                *(show.volume(v) for v in (n.likely, n.low, n.high)),
                ", ".join(n.machines),
            ]
            for n in need.needs
        ],
        "Fluid for the next year",
    )
    for line in need.basket.lines:
        say(
            f"Buy: {line.count} × {show.volume(line.offer.size)} {line.offer.fluid} from "
            f"{line.offer.seller} = {show.money(line.price)}"
        )
    if need.basket.lines:
        carriage = need.basket.carriage
        with_it = f" with carriage {show.money(carriage)}" if carriage else ""
        say(f"Basket: {show.money(need.basket.total)}{with_it}.")
    for covered in need.covers:
        say(f"{covered.say(show)}.")
    for fluid in need.basket.missing:
        say(f"Nobody offers enough {fluid}.")
    for machine, system in need.assumed:
        say(f"{machine}, {system}: no change is known; one drain is taken as its volume.")
    for machine, system in need.unnamed:
        say(f"{machine}, {system}: its fluid has no name on the sheet and is left out.")


def spend(
    machine: Machine,
    amount: Annotated[str, typer.Argument(metavar="MONEY", help="Such as 3.50.")],
    what: Annotated[str, typer.Option("--what", help="For what, such as 'crush washer'.")] = "",
    fluid: Annotated[str, typer.Option("--fluid", help="Which fluid, if it was one.")] = "",
    volume: Annotated[str | None, quantity("--volume", "How much of it.")] = None,
    when: DayOption = None,
    note: NoteOption = "",
    by: By = "",
    json_out: JsonFlag = False,
    db: DbOption = None,
) -> None:
    """Enter what was spent on a machine.

    Beside the fluid of its jobs and services, which have prices of their own.
    """
    from sumpwright.cli.told import entry_json, quantity_or_none
    from sumpwright.records.told import ToldExpense, make

    money = number(amount, "amount")
    if money < 0:
        raise Complaint(f"{amount} is below zero", "correct it", "amount")
    values = {
        "amount": money,
        "what": what,
        "fluid": fluid,
        "volume": quantity_or_none(volume, "volume", "--volume"),
    }
    at = moment(when)
    with yard(db) as store:
        kept = store.machines.get(machine)
        entry = store.told.add(kept.id, make(ToldExpense, values), at, by=by, note=note)
    if json_out:
        print_json(entry_json(entry, kept.name))
        return
    thing = f" for {what or fluid}" if what or fluid else ""
    say(f"{kept.name}: {display(currency=kept.sheet.currency).money(money)}{thing} is kept.")
