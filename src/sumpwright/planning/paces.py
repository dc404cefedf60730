"""Which replace limit comes first at a machine's own use, and what each of the others allows.

Where a machine goes on as it does, the age of its fluid grows on every scale at once: in
proportion to the distance, the running hours and the thermal age of a year. So limits on
different scales can be compared by the years that a full interval takes, and a policy on one
scale can be held against a limit on another.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from sumpwright.planning.clock import YEAR
from sumpwright.planning.due import (
    MEASURE_OF,
    LimitKind,
    Meter,
    Rule,
    ServiceKind,
    what_is_missing,
)
from sumpwright.planning.ledger import Measure
from sumpwright.planning.said import Said, said


@dataclass(frozen=True)
class Pace:
    """One replace limit beside the use of the machine.

    Parameters
    ----------
    kind : str
        Kind of the limit.
    limit : float
        The interval that applies, m or s; NaN where none is given for this service.
    per_year : float
        Use in a year on that scale, m or s; NaN where it is not known.
    tail : float or None
        Share of the fluid that may be older than the limit; without it the mean age counts.
    missing : Said or None
        Why the limit cannot be compared with others.
    """

    kind: LimitKind
    limit: float
    per_year: float
    tail: float | None = None
    missing: Said | None = None

    @property
    def measure(self) -> Measure:
        """Scale of the limit."""
        return MEASURE_OF[self.kind]

    @property
    def known(self) -> bool:
        """Whether the limit can be compared with others."""
        return self.missing is None

    @property
    def years(self) -> float:
        """Years that a full interval takes; ``inf`` where the meter stands still, or NaN."""
        return self.limit / self.per_year if self.per_year else math.inf


def paces(
    rules: Sequence[Rule], service: ServiceKind, meters: Mapping[Measure, Meter]
) -> tuple[Pace, ...]:
    """Put every replace limit beside the use in a year, the one that comes first in front.

    Parameters
    ----------
    rules : sequence of Rule
        Those of one wet system; inspections are passed over.
    service : {'normal', 'severe'}
    meters : mapping of measure to Meter

    Returns
    -------
    tuple of Pace
        Those that can be compared by the years that they take, then the others.

    Examples
    --------
    >>> from sumpwright.planning.due import Limit
    >>> both = Rule("replace", (Limit("distance", 6e7), Limit("date", 2.0 * YEAR)))
    >>> [(pace.kind, pace.known) for pace in paces([both], "normal", {})]
    [('date', True), ('distance', False)]
    >>> print(paces([both], "normal", {})[1].missing)
    the limit of 60 000 km is not checked: read the odometer at least twice, or give the use in \
a year
    """
    found = [
        _pace(limit.kind, limit.value(service), rule.tail, service, meters)
        for rule in rules
        if rule.action == "replace"
        for limit in rule.limits
    ]
    return tuple(sorted(found, key=lambda pace: pace.years if pace.known else math.inf))


def _pace(
    kind: LimitKind,
    value: float | None,
    tail: float | None,
    service: ServiceKind,
    meters: Mapping[Measure, Meter],
) -> Pace:
    if value is None:
        why = said(f"no {kind} limit is given for {service} service, so none is checked")
        return Pace(kind, math.nan, math.nan, tail, why)
    if kind == "date":
        return Pace(kind, value, float(YEAR), tail)
    meter = meters.get(MEASURE_OF[kind])
    if meter is None or meter.forecast is None:
        text = f"the limit of {{limit:{MEASURE_OF[kind]}}} is not checked: {what_is_missing(kind)}"
        return Pace(kind, value, math.nan, tail, said(text, limit=value))
    return Pace(kind, value, meter.forecast.rate * YEAR, tail)


def order_said(found: Sequence[Pace], shown: Pace) -> Said | None:
    """Say which limit comes first and how long the others take; ``None`` where there is one.

    Parameters
    ----------
    found : sequence of Pace
        As `paces` gives them.
    shown : Pace
        The one that is gone by.

    Examples
    --------
    >>> slow, by_date = Pace("distance", 6e7, 3e6), Pace("date", 2.0 * YEAR, float(YEAR))
    >>> print(order_said([by_date, slow], by_date))
    of the limits 2 years comes first: 60 000 km takes 20 years at 3000 km a year
    >>> print(order_said([by_date, slow], slow))
    of the limits 2 years comes first: 60 000 km takes 20 years at 3000 km a year; what is shown \
goes by 60 000 km
    """
    known = [pace for pace in found if pace.known]
    if len(known) < 2:
        return None
    first = known[0]
    values: dict[str, float] = {"first": first.limit}
    parts = [_takes("it", first, 0, values)] if first.kind != "date" else []
    for place, pace in enumerate(known[1:], start=1):
        values[f"limit{place}"] = pace.limit
        parts.append(_takes(f"{{limit{place}:{pace.measure}}}", pace, place, values))
    text = f"of the limits {{first:{first.measure}}} comes first: {', '.join(parts)}"
    if shown is not first:
        values["shown"] = shown.limit
        text += f"; what is shown goes by {{shown:{shown.measure}}}"
    return said(text, **values)


def _takes(name: str, pace: Pace, place: int, values: dict[str, float]) -> str:
    if pace.kind == "date":
        return f"{name} is later"
    if math.isinf(pace.years):
        return f"{name} is never reached, as its meter stands still"
    values[f"span{place}"], values[f"use{place}"] = pace.years * YEAR, pace.per_year
    return f"{name} takes {{span{place}:time}} at {{use{place}:{pace.measure}}} a year"
