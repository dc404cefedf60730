"""What is due in the yard, from everything that the yard holds."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import TYPE_CHECKING, Any

from sumpwright.display import Display
from sumpwright.planning.clock import day, seconds, today
from sumpwright.planning.due import Condition, DueItem, LimitDue, Meter, Rule
from sumpwright.planning.laboratory import Assessment, Context, assess
from sumpwright.planning.ledger import Measure
from sumpwright.planning.machine import Action, Fluid, WetSystem
from sumpwright.planning.reports import Report
from sumpwright.planning.rules import bounds_of, rules_of, spread
from sumpwright.planning.said import Said, said
from sumpwright.planning.schedule import system_due, yard
from sumpwright.planning.use import Use, judge
from sumpwright.records.books import (
    Book,
    Meters,
    Past,
    book_of,
    drives_of,
    fluids_in,
    load,
    meters_of,
    past_of,
    thermal_of,
    use_of,
)
from sumpwright.records.told import Entry, ToldReport

if TYPE_CHECKING:
    from sumpwright.records.store import Store

DOUBTS_SHOWN = 2
"""Newest readings kept out that are named among the reasons; the list has them all."""
AT_ONCE = 200
"""Machines whose pasts are read together, so that those of a fleet do not all live at once."""
ACTIONS: tuple[Action, ...] = ("replace", "inspect")


@dataclass(frozen=True)
class SystemDue:
    """One wet system: its books, its laboratory reports, and what is due on it.

    ``reports`` run parallel to the places in ``assessment``; ``meters`` hold the thermal
    age of its fluid as well.
    """

    system: WetSystem
    book: Book
    meters: Mapping[Measure, Meter]
    reports: tuple[Entry[ToldReport], ...]
    assessment: Assessment
    items: tuple[DueItem, ...]


@dataclass(frozen=True)
class MachineDue:
    """One machine: its meters, its use, and each of its systems."""

    past: Past
    meters: Meters
    use: Use
    systems: tuple[SystemDue, ...]

    @property
    def items(self) -> list[DueItem]:
        """What is due on it, the first thing first."""
        return yard([item for system in self.systems for item in system.items])

    def system(self, name: str) -> SystemDue:
        """Return a system by its name on the sheet."""
        return next(s for s in self.systems if s.system.name == name)


def due_for_yard(store: Store, now: date | None = None) -> list[DueItem]:
    """Work out what is due in the whole yard, what is likely first comes first.

    Parameters
    ----------
    store : Store
    now : date, optional
        Today, if left out.

    Returns
    -------
    list of DueItem
        One per action of each wet system that has limits, or whose fluid's reports ask
        for something; machines that have left the yard are not in it.

    Examples
    --------
    >>> import tempfile
    >>> from sumpwright.records.store import Store
    >>> with tempfile.TemporaryDirectory() as folder, Store.open(folder + "/yard.db") as store:
    ...     due_for_yard(store)
    []
    """
    moment, fluids = now or today(), store.fluids.all()
    ids = list(store.machines.names())
    return yard(
        [
            item
            for first in range(0, len(ids), AT_ONCE)
            for past in load(store, store.machines.some(ids[first : first + AT_ONCE]))
            for item in work_out(past, moment, fluids).items
        ]
    )


def machine_due(store: Store, machine: str, now: date | None = None) -> MachineDue:
    """Work out what is due on one machine, named by name or id.

    Raises
    ------
    Complaint
        When there is no such machine.
    """
    return work_out(past_of(store, machine), now or today(), store.fluids.all())


def work_out(past: Past, now: date, fluids: Sequence[Fluid] = ()) -> MachineDue:
    """Work out what is due on a machine from its past alone.

    Parameters
    ----------
    past : Past
    now : date
    fluids : sequence of Fluid
        What the yard knows of fluids, against which reports are read.
    """
    meters = meters_of(past, now)
    told = use_of(past)
    use = judge(drives_of(past), now, declared=told.service if told is not None else None)
    named = fluids_by_name(past, fluids)
    systems = []
    for system in past.machine.sheet.machine.systems:
        own = meters.of(system, thermal_of(past, system, meters, now))
        book = book_of(past, system, own)
        reports, seen = _reports(past, system, own, book, now, named)
        items = _items(past, system, own, book, seen, use, now)
        systems.append(
            SystemDue(
                system,
                book,
                own,
                reports,
                seen,
                tuple(_with_doubts(item, meters) for item in items),
            )
        )
    return MachineDue(past, meters, use, tuple(systems))


def _reports(
    past: Past,
    system: WetSystem,
    meters: Mapping[Measure, Meter],
    book: Book,
    now: date,
    named: Mapping[str, Fluid],
) -> tuple[tuple[Entry[ToldReport], ...], Assessment]:
    entries = past.of(ToldReport, system.name)
    used = tuple(entry for entry in entries if not entry.told.of_new)
    reports = [report_of(entry, meters) for entry in used]
    new = [report_of(entry, meters) for entry in entries if entry.told.of_new]
    by_hours = not any(r.distance is not None for r in reports)
    measure: Measure = "hours" if by_hours else "distance"
    context = Context(
        now,
        held_fluids(past, system, named),
        book.ledger,
        bounds_of(system),
        new[-1] if new else None,
        measure,
        meters[measure].forecast,
        system.clean,
    )
    return used, assess(reports, context)


def fluids_by_name(past: Past, fluids: Sequence[Fluid]) -> dict[str, Fluid]:
    """Return every fluid that is known to the yard or on the machine's sheet, by its name."""
    return {fluid.name.casefold(): fluid for fluid in (*past.machine.sheet.fluids, *fluids)}


def held_fluids(past: Past, system: WetSystem, named: Mapping[str, Fluid]) -> tuple[Fluid, ...]:
    """Return every fluid that is, or may be, in a system."""
    return tuple(named.get(name.casefold(), Fluid(name)) for name in fluids_in(past, system))


def report_of(entry: Entry[ToldReport], meters: Mapping[Measure, Meter]) -> Report:
    """Return a kept report as planning takes it, its meters as totals off the tracks."""
    told = entry.told

    def total(measure: Measure) -> float | None:
        track = meters[measure].track
        value = float("nan") if track is None else track.at(seconds(entry.at))
        return None if value != value else value

    return Report(
        entry.at,
        total("distance"),
        total("hours"),
        told.sample,
        told.fluid,
        told.elements,
        told.viscosity_40,
        told.viscosity_100,
        told.index,
        told.water,
        told.acid,
        told.particles,
        None if told.counts is None else (told.counts[0], told.counts[1], told.counts[2]),
        told.sure,
    )


def _items(
    past: Past,
    system: WetSystem,
    meters: Mapping[Measure, Meter],
    book: Book,
    seen: Assessment,
    use: Use,
    now: date,
) -> list[DueItem]:
    conditions = list(seen.conditions)
    if book.verdict is not None:
        moment = book.asked
        conditions.append(Condition("replace", moment, moment, seconds(now), (book.verdict,)))
    rules = list(rules_of(system))
    given = {rule.action for rule in rules}
    asked = {condition.action for condition in conditions}
    rules += [Rule(action, ()) for action in ACTIONS if action in asked - given]
    items = []
    for rule in rules:

        def made(ledger: Any, rule: Rule = rule) -> DueItem:
            return system_due(
                past.machine.name,
                system.name,
                [rule],
                ledger,
                book.inspected,
                meters,
                now,
                use.service,
                conditions,
            )[0]

        item = made(book.ledger)
        why = _band(book)
        if rule.action == "replace" and why:
            item = spread(item, made(book.oldest), made(book.freshest), why)
        items.append(replace(item, reasons=(*item.reasons, *book.notes)))
    return items


def _band(book: Book) -> list[Said]:
    """In what the books of the oldest and of the freshest fluid differ from the estimate."""
    if book.ledger is None:
        return []
    why = []
    banded = [
        (step, origin)
        for step, origin in zip(book.ledger.steps, book.origins, strict=True)
        if origin.low is not None and origin.high is not None
    ]
    if banded:
        step, origin = banded[-1]
        text = (
            "the job of {day:date} left between {low:share} and {high:share} of the fluid "
            "fresh; the early and the late date take that in"
        )
        why.append(said(text, day=step.point.time, low=origin.low, high=origin.high))
    if book.ledger.at_least:
        why.append(said("the early date takes the first fluid to be as old as the machine"))
    return why


def _with_doubts(item: DueItem, meters: Meters) -> DueItem:
    """Name the newest readings that were kept out of the meters that an item goes by."""
    kinds = {row.kind for row in item.limits}
    doubts = [d for d in meters.doubts if d.meter in kinds]
    doubts.sort(key=lambda d: seconds(d.seen.reading.when), reverse=True)
    if not doubts:
        return item
    notes = [doubt.why.why for doubt in doubts[:DOUBTS_SHOWN]]
    if len(doubts) > DOUBTS_SHOWN:
        more = str(len(doubts) - DOUBTS_SHOWN)
        notes.append(said("{more:text} more readings are kept out", more=more))
    return replace(item, reasons=(*item.reasons, *notes))


def item_json(item: DueItem, now: date, display: Display | None = None) -> dict[str, Any]:
    """Return a due item as plain values, with its limits side by side.

    Parameters
    ----------
    item : DueItem
    now : date
    display : Display, optional
        Units of the sentences.
    """
    return {
        **item.to_json(display),
        "overdue": item.overdue(now),
        "service": item.service,
        "limits": [_limit_json(row, display) for row in item.limits],
    }


def _limit_json(row: LimitDue, display: Display | None) -> dict[str, Any]:
    def iso(moment: float) -> str | None:
        when = day(moment)
        return when.isoformat() if when is not None else None

    def finite(value: float) -> float | None:
        return value if value == value else None

    return {
        "limit": row.kind,
        "known": row.known,
        "age": finite(row.age),
        "interval": finite(row.limit),
        "early": iso(row.early),
        "likely": iso(row.likely),
        "late": iso(row.late),
        "why": row.why.say(display),
    }
