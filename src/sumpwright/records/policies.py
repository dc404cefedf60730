"""What serves one wet system in the long run, from its books, its use and its prices."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import cached_property
from typing import TYPE_CHECKING, Any

from sumpwright.errors import Complaint
from sumpwright.physics.ageing import renewal
from sumpwright.planning.clock import MONTH, YEAR, seconds, today
from sumpwright.planning.fluid_history import last_change
from sumpwright.planning.ledger import Measure, Point
from sumpwright.planning.outcome import MethodPlan
from sumpwright.planning.outcome import Point as PlanPoint
from sumpwright.planning.paces import Pace, order_said, paces
from sumpwright.planning.plan import Plan, make_plan
from sumpwright.planning.policy import (
    Habit,
    Method,
    Policies,
    if_as_last_time,
    longest_interval,
    policies,
)
from sumpwright.planning.rules import rules_of
from sumpwright.planning.said import Said, said
from sumpwright.records.books import total_on
from sumpwright.records.due import SystemDue, machine_due

if TYPE_CHECKING:
    from sumpwright.records.store import Store

PARTS = (0.25, 0.5, 0.75, 1.0, 1.5, 2.0)
"""Intervals that are compared, as parts of the limit."""
MOST_ROUNDS = 3
"""Rounds of drain and refill that are compared."""
HORIZON = 10.0 * YEAR
_STEPS: dict[Measure, float] = {"distance": 1e6, "time": MONTH, "hours": 36e3, "thermal": 36e3}
"""m or s; a service interval is no finer than this."""


@dataclass(frozen=True)
class Outlook:
    """Policies of one wet system, and what they rest on.

    Parameters
    ----------
    machine, system : str
    limits : tuple of Pace
        Every replace limit of the sheet, the one that comes first in front.
    pace : Pace
        The limit on whose scale intervals and ages are: the one that comes first, or the
        one that was asked for.
    asked : bool
        Whether it was asked for: then policies are held to it alone.
    table : Policies
    habit : Habit or None
        Where the last service, repeated, leads.
    priced : bool
        Whether the methods have prices; without offers all costs are zero.
    notes : tuple of Said
    """

    machine: str
    system: str
    limits: tuple[Pace, ...]
    pace: Pace
    asked: bool
    table: Policies
    habit: Habit | None
    priced: bool
    notes: tuple[Said, ...] = ()

    @property
    def measure(self) -> Measure:
        """Scale of the intervals: ``distance``, ``time``, ``hours`` or ``thermal``."""
        return self.pace.measure

    @property
    def limit(self) -> float:
        """The interval of the sheet that is gone by, m or s."""
        return self.pace.limit

    @property
    def per_year(self) -> float:
        """Use in a year on that scale."""
        return self.pace.per_year

    @property
    def several(self) -> bool:
        """Whether policies are held against more than one limit."""
        return sum(pace.known for pace in self.limits) > 1

    @property
    def bounds(self) -> str:
        """What a policy has to keep to, in words."""
        return "every limit" if self.several and not self.asked else "the limit"

    @cached_property
    def rows(self) -> list[dict[str, Any]]:
        """The table row by row, cheapest first.

        ``breaks`` are the limits that a row breaks, and ``within`` tells whether it keeps to
        all of them, or to the one that was asked for.
        """
        others = _others(self.limits, self.pace)
        out = []
        for row in self.table.rows():
            broken = [] if row["within"] else [self.pace]
            broken += [others[place] for place in row["breaks"]]
            within = row["within"] if self.asked else not broken
            out.append({**row, "within": within, "breaks": tuple(broken)})
        return out

    @property
    def longest(self) -> list[dict[str, Any]]:
        """The rows with the longest interval of each method that is within."""
        longest: dict[str, dict[str, Any]] = {}
        for row in self.rows:
            known = longest.get(row["method"])
            if row["within"] and (known is None or row["interval"] > known["interval"]):
                longest[row["method"]] = row
        return [row for row in self.rows if longest.get(row["method"]) is row]

    @property
    def cheapest(self) -> dict[str, Any] | None:
        """The cheapest policy that is within; by fluid where there are no prices."""
        rows = [row for row in self.rows if row["within"]]
        key = "cost_per_year" if self.priced else "volume_per_year"
        return min(rows, key=lambda row: (row[key], row["minutes_per_year"]), default=None)


def _others(limits: Sequence[Pace], shown: Pace) -> list[Pace]:
    """Return the further limits that a policy can be held against."""
    return [pace for pace in limits if pace is not shown and pace.known and pace.per_year > 0]


def outlook(
    store: Store,
    machine: str,
    system: str | None = None,
    now: date | None = None,
    horizon: float = HORIZON,
    intervals: Sequence[float] | None = None,
    measure: Measure | None = None,
) -> Outlook:
    """Compare what intervals and methods lead to on one wet system.

    Parameters
    ----------
    store : Store
    machine : str
        Name or id.
    system : str, optional
        May be left out when there is only one.
    now : date, optional
    horizon : float
        How far to look, s.
    intervals : sequence of float, optional
        m or s; when left out parts and multiples of the limit, and for each method the
        longest one that keeps to the limits.
    measure : str, optional
        Scale of the intervals, whose limit alone decides then; when left out that of the
        limit that comes first at the machine's own use, and every limit decides that can be
        held against it.

    Returns
    -------
    Outlook

    Raises
    ------
    Complaint
        For an unknown machine or system, and one whose sheet has no replace limit, or
        whose use is not known.
    """
    moment = now or today()
    found = machine_due(store, machine, moment)
    kept = found.past.machine
    chosen = kept.system(system)
    own = found.system(chosen.name)
    rules = [r for r in rules_of(chosen) if r.action == "replace" and r.limits]
    if not rules:
        raise Complaint(
            f"the sheet of {kept.name} says nothing of when the fluid of the {chosen.name} is to "
            "be replaced",
            "add a [[system.limit]] with the interval of the manual",
            field="system",
        )
    limits = paces(rules, found.use.service.kind, own.meters)
    pace = _chosen(limits, measure)
    scale, limit, tail = pace.measure, pace.limit, pace.tail
    offers = store.fluids.offers(chosen.fluid) if chosen.fluid else []
    plan = make_plan(chosen, offers, spare=kept.sheet.spare)
    methods, priced = methods_of(plan)
    others = [(p.years * pace.per_year, p.tail) for p in _others(limits, pace)]
    bounds = [(limit, tail), *others]
    gaps = list(intervals) if intervals else _intervals(methods, bounds, scale)
    age, since = _ages(own, scale, moment)
    table = policies(methods, gaps, limit, pace.per_year, horizon, age, since, tail, others=others)
    made = Outlook(
        kept.name,
        chosen.name,
        limits,
        pace,
        measure is not None,
        table,
        _habit(own, [pace] if measure is not None else limits),
        priced,
    )
    return replace(made, notes=tuple(_notes(made)))


def _chosen(limits: Sequence[Pace], wanted: Measure | None) -> Pace:
    """Choose the limit by which policies are compared: the first, or the first on a scale."""
    for pace in limits:
        if pace.known and pace.per_year > 0 and wanted in (None, pace.measure):
            return pace
    given = {pace.measure for pace in limits if not math.isnan(pace.limit)}
    if wanted is not None and wanted not in given:
        raise Complaint(
            f"the sheet has no replace limit by {wanted}", "choose another scale", field="measure"
        )
    raise Complaint(
        "the use of this machine in a year is not known",
        "enter readings, or what it runs in a year with 'sumpwright use'",
        field="machine",
    )


def _habit(system: SystemDue, limits: Sequence[Pace]) -> Habit | None:
    """Where the last service leads by the first limit on whose scale its interval is known."""
    book = system.book.ledger
    if book is None:
        return None
    known = [pace for pace in limits if pace.known]
    habits = (if_as_last_time(book, pace.measure, pace.limit) for pace in known)
    return next((habit for habit in habits if habit is not None), None)


def _notes(found: Outlook) -> list[Said]:
    """What the comparison rests on, and which limits it passes over or its best policy breaks."""
    order = order_said(found.limits, found.pace)
    notes = [] if order is None else [order]
    notes += _broken(found)
    notes += [pace.missing for pace in found.limits if pace.missing is not None]
    notes.append(_used(found.measure, found.per_year))
    if found.table.tail is not None:
        text = "the sheet lets {tail:share} of the fluid be older than the limit: a policy keeps "
        text += "to it when no more than that is older just before a service"
        notes.append(said(text, tail=found.table.tail))
    if not found.priced:
        notes.append(said("no offer has a price for this fluid: costs are left out"))
    return notes


def _broken(found: Outlook) -> list[Said]:
    """Name the limits that the marked policy breaks, because another was asked for."""
    best = found.cheapest
    out: list[Said] = []
    if best is None:
        return out
    for pace in best["breaks"]:
        gap = best["interval"] / found.per_year * pace.per_year
        words = pace.measure
        text = f"the policy that is marked breaks the limit of {{limit:{words}}}: at this use the "
        text += f"fluid would be {{peak:{words}}} old just before a service"
        peak = gap / best["share"]
        if pace.tail is not None:
            text += ", and {over:share} of it older than the limit, where {tail:share} may be"
        over = float(renewal(best["share"], gap, pace.limit).overdue_before)
        out.append(said(text, limit=pace.limit, peak=peak, over=over, tail=pace.tail))
    return out


def _intervals(
    methods: Sequence[Method], bounds: Sequence[tuple[float, float | None]], measure: Measure
) -> list[float]:
    """Parts of the first limit, and the longest of each method by it and by all of them.

    The longest are rounded down to what people keep to.
    """
    step, limit = _STEPS[measure], bounds[0][0]
    longest = []
    for method in methods:
        gaps = [longest_interval(method.share, *bound) for bound in bounds]
        # The nudge keeps a limit that is a whole number of steps where it is.
        longest += [(gap / step + 1e-9) // 1 * step for gap in (gaps[0], min(gaps))]
    return sorted({*(part * limit for part in PARTS), *(gap for gap in longest if gap > 0)})


def _ages(system: SystemDue, measure: Measure, now: date) -> tuple[float, float]:
    """Mean age of the fluid now, and the use since the last change; zero where unknown."""
    book = system.book.ledger
    index = None if book is None else last_change(book)
    if book is None or index is None:
        return 0.0, 0.0
    here = seconds(now)
    if measure != "time":
        here = total_on(system.meters[measure], now) if measure in system.meters else math.nan
    at = Point(**{measure: here})
    age, since = book.mean_age(at, measure), here - book.steps[index].point.on(measure)
    return (age if age > 0 else 0.0), (since if since > 0 else 0.0)


def _used(measure: Measure, per_year: float) -> Said:
    if measure == "time":
        return said("the intervals are counted by time")
    kind = "distance" if measure == "distance" else "hours"
    return said(f"use of {{rise:{kind}}} a year, by the readings", rise=per_year)


def methods_of(plan: Plan) -> tuple[list[Method], bool]:
    """Return the ways of changing the fluid that are worth comparing, and if they have prices.

    Drain and refill one to three times; of every other method at hand the first number
    of cycles that reaches the plan's target. A service is charged with the fluid that it
    uses at the basket's price per volume: what is left over serves the next one.
    """
    chosen: list[tuple[MethodPlan, PlanPoint]] = []
    for method in plan.methods:
        if not method.eligible:
            continue
        if not method.method.line:
            chosen += [(method, point) for point in method.points[:MOST_ROUNDS]]
            continue
        enough = [p for p in method.points if p.probability >= plan.wish.confidence]
        chosen.append((method, (enough or list(method.points[-1:]))[0]))
    pair = (plan.chosen, plan.point)
    if all(p is not plan.point for _, p in chosen):
        chosen.append(pair)
    priced = all(point.basket is not None for _, point in chosen)
    made = [
        Method(
            f"{method.method.name} × {point.cycles}",
            point.fresh.p50,
            point.new_fluid,
            _cost(point) if priced else 0.0,
            point.minutes,
            point.fresh.p05,
            point.fresh.p95,
        )
        for method, point in chosen
    ]
    return made, priced


def _cost(point: PlanPoint) -> float:
    basket = point.basket
    assert basket is not None
    return basket.total / basket.volume * point.new_fluid if basket.volume > 0 else 0.0
