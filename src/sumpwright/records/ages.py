"""The fluid of a wet system by its age: after each thing that was done to it, and now."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from sumpwright.planning.clock import DAY, YEAR, seconds
from sumpwright.planning.due import ServiceKind
from sumpwright.planning.fluid_history import Bar, bars, effect, last_change
from sumpwright.planning.ledger import Ledger, Measure, Point
from sumpwright.planning.paces import Pace, order_said, paces
from sumpwright.planning.policy import if_as_last_time
from sumpwright.planning.rules import rules_of
from sumpwright.planning.said import Said
from sumpwright.records.books import total_on
from sumpwright.records.due import SystemDue

PARTS = (0.25, 0.5, 1.0)
"""Edges between the classes of age, as parts of the limit."""
_WITHOUT_LIMIT = (1.0 * YEAR, 2.0 * YEAR, 4.0 * YEAR)


@dataclass(frozen=True)
class Ages:
    """The fluid of a system by age.

    Parameters
    ----------
    book : Ledger
    measure : str
        Scale of the ages.
    limit : float or None
        Replace limit on that scale, m or s.
    edges : tuple of float
        Between the classes of age, rising.
    groups : tuple of tuple of Bar
        The pieces of one bar after each step of the book, and of a last one for now.
    did : tuple of Said
        What the last change really did; empty without one.
    did_on : float or None
        When that was, s.
    habit : Said or None
        Where the last service, repeated, leads.
    by : Said or None
        Which of several limits comes first; the ages are shown by it where they are known.
    """

    book: Ledger
    measure: Measure
    limit: float | None
    edges: tuple[float, ...]
    groups: tuple[tuple[Bar, ...], ...]
    did: tuple[Said, ...]
    did_on: float | None
    habit: Said | None
    by: Said | None = None


def ages_of(system: SystemDue, service: ServiceKind, now: date) -> Ages | None:
    """Return the fluid of a system by its age.

    Parameters
    ----------
    system : SystemDue
    service : str
        Whether the limits of normal or of severe service apply.
    now : date

    Returns
    -------
    Ages or None
        ``None`` where nothing is known of its past, or the books contradict themselves.
    """
    book = system.book.ledger
    if book is None or not book.steps:
        return None
    by = paces(rules_of(system.system), service, system.meters)
    pace = _scale(by, book)
    measure: Measure = "time" if pace is None else pace.measure
    limit = None if pace is None else pace.limit
    edges = _WITHOUT_LIMIT if limit is None else tuple(part * limit for part in PARTS)
    index = last_change(book)
    habit = None if limit is None else if_as_last_time(book, measure, limit)
    return Ages(
        book,
        measure,
        limit,
        edges,
        _groups(system, book, measure, edges, now),
        () if index is None else tuple(effect(book, index, measure, limit).says),
        None if index is None else book.steps[index].point.time,
        None if habit is None else habit.says,
        None if pace is None else order_said(by, pace),
    )


def shares_by_class(group: tuple[Bar, ...], edges: tuple[float, ...]) -> list[float]:
    """Return which share of the fluid is in each class of age, the freshest first.

    Fluid whose age is not known counts as the oldest.

    Examples
    --------
    >>> shares_by_class((), (1.0, 2.0))
    [0.0, 0.0, 0.0]
    """
    shares = [0.0] * (len(edges) + 1)
    for bar in group:
        shares[len(edges) if math.isnan(bar.age) else bar.age_class] += bar.share
    return shares


def mean_age(group: tuple[Bar, ...]) -> float:
    """Return the mean age of the fluid of a bar; NaN where it is not known."""
    return sum(bar.share * bar.age for bar in group)


def _scale(limits: Sequence[Pace], book: Ledger) -> Pace | None:
    """Choose the limit by which ages are shown: the first on whose scale they are known."""
    for pace in limits:
        if not math.isnan(pace.limit) and not math.isnan(book.mean_birth(pace.measure)):
            return pace
    return None


def _groups(
    system: SystemDue, book: Ledger, measure: Measure, edges: tuple[float, ...], now: date
) -> tuple[tuple[Bar, ...], ...]:
    moment, done = seconds(now), book.steps[-1].point.time
    # What was done today is older than the midnight that stands for today.
    moment = done if moment < done < moment + DAY else moment
    point = Point(moment)
    if measure != "time":
        point = Point(moment, **{measure: total_on(system.meters[measure], now)})
    groups: list[list[Bar]] = []
    last: tuple[float, str] | None = None
    for bar in bars(book, point, measure, edges):
        if bar.stage == "before":
            last = None
            continue
        key = (bar.moment, bar.stage)
        if key != last:
            groups.append([])
            last = key
        groups[-1].append(bar)
    return tuple(tuple(group) for group in groups)
