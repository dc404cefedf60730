"""What a machine sheet asks for, as the rules and bounds by which it is judged."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from sumpwright.planning.due import Dates, DueItem, Limit, LimitKind, Rule
from sumpwright.planning.laboratory import ASSUMED_BOUNDS, Bound
from sumpwright.planning.machine import ServiceLimit, WetSystem
from sumpwright.planning.said import Said, said

_KINDS: tuple[tuple[str, LimitKind], ...] = (
    ("distance", "distance"),
    ("period", "date"),
    ("hours", "hours"),
    ("thermal", "thermal"),
)


def rules_of(system: WetSystem) -> tuple[Rule, ...]:
    """Return what is to be done to a wet system, at which limits.

    Examples
    --------
    >>> from sumpwright.planning.machine import Span
    >>> wanted = ServiceLimit("replace", distance=6e7, severe_distance=4e7)
    >>> rules_of(WetSystem("gearbox", "axle", Span(8e-3, 8e-3), limits=(wanted,)))[0].limits
    (Limit(kind='distance', normal=60000000.0, severe=40000000.0, origin=''),)
    """
    return tuple(Rule(each.action, _limits(each), each.tail) for each in system.limits)


def _limits(wanted: ServiceLimit) -> tuple[Limit, ...]:
    origins = {s.key: ", ".join(t for t in (s.origin, s.note) if t) for s in wanted.sources}
    made = []
    for key, kind in _KINDS:
        normal, severe = getattr(wanted, key), getattr(wanted, f"severe_{key}")
        if normal is not None or severe is not None:
            made.append(Limit(kind, normal, severe, origins.get(key, "")))
    return tuple(made)


def bounds_of(system: WetSystem) -> tuple[Bound, ...]:
    """Return the bounds of reports: the sheet's, and assumed ones where it is silent.

    Examples
    --------
    >>> from sumpwright.planning.machine import ReportBound, Span
    >>> iron = ReportBound("Fe", act_above=150.0)
    >>> box = WetSystem("gearbox", "axle", Span(8e-3, 8e-3), bounds=(iron,))
    >>> [(b.name, b.act) for b in bounds_of(box)][0]
    ('Fe', (None, 150.0))
    """
    own = tuple(
        Bound(
            bound.of,
            (bound.caution_below, bound.caution_above),
            (bound.act_below, bound.act_above),
            bound.relative,
            bound.note or "machine sheet",
        )
        for bound in system.bounds
    )
    named = {bound.name for bound in own}
    return (*own, *(bound for bound in ASSUMED_BOUNDS if bound.name not in named))


def spread(item: DueItem, oldest: DueItem, freshest: DueItem, why: Sequence[Said] = ()) -> DueItem:
    """Widen the dates of an item to what the ends of the books allow.

    Parameters
    ----------
    item : DueItem
        With the estimated fresh shares.
    oldest, freshest : DueItem
        The same action if the fluid is as old, or as fresh, as it can be.
    why : sequence of Said
        What the books differ in; said where it moves a date.

    Returns
    -------
    DueItem
        The likely date stays; the early one is that of the oldest fluid, the late one
        that of the freshest.

    Examples
    --------
    >>> from datetime import date
    >>> def item(*days):
    ...     return DueItem("Van 1", "gearbox", "replace", Dates(*days), "date", ())
    >>> a, b, c = date(2025, 1, 1), date(2025, 3, 1), date(2025, 9, 1)
    >>> spread(item(b, b, b), item(a, a, b), item(b, c, None)).due == Dates(a, b, None)
    True
    """
    due = item.due
    early = min((d for d in (due.early, oldest.due.early) if d is not None), default=None)
    late = due.late
    if late is not None:
        late = None if freshest.due.late is None else max(late, freshest.due.late)
    if (early, late) == (due.early, due.late):
        return item
    return replace(item, due=Dates(early, due.likely, late), reasons=(*item.reasons, *why))


_GAPS = {"distance": "distance", "period": "time", "hours": "hours", "thermal": "thermal"}


def limit_words(limit: ServiceLimit) -> Said:
    """Say a limit of a sheet in words.

    Examples
    --------
    >>> str(limit_words(ServiceLimit("replace", distance=6e7, hours=3.6e6, severe_distance=4e7)))
    'replace after 60 000 km or 1000 h; in severe service after 40 000 km'
    """

    def after(prefix: str) -> str:
        given = [key for key in _GAPS if getattr(limit, prefix + key) is not None]
        return " or ".join(f"{{{prefix}{key}:{_GAPS[key]}}}" for key in given)

    parts = [f"{limit.action} after {after('')}" if after("") else str(limit.action)]
    if after("severe_"):
        parts.append(f"in severe service after {after('severe_')}")
    if limit.tail is not None:
        parts.append("{tail:share} of the fluid may be older")
    names = [prefix + key for prefix in ("", "severe_") for key in _GAPS]
    return said("; ".join(parts), tail=limit.tail, **{key: getattr(limit, key) for key in names})
