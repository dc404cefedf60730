"""What is due, when and why: every limit side by side, the first one wins.

The clock of a *replace* limit is the age of the fluid that is really in the system,
read from the age ledger, not the time since somebody wrote "done". The additive that
is used up and the acid that has formed mix by volume and grow, to first order, with
age; so a mixture is spent when its *mean age* reaches the interval that the manual
gives for a full change. A change of half the fluid sets the clock back by half, and
services of fresh share f keep to an interval L when they come every f·L (their peak
mean age is Δ/f). Where the user prefers a bound on the oldest fluid, ``tail`` makes
the clock the age that all but that share of the fluid stays below.

The clock of an *inspect* limit is the time since the last inspection.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any, Literal

import numpy as np

from sumpwright.display import Display
from sumpwright.errors import Complaint
from sumpwright.planning.clock import YEAR, day, seconds
from sumpwright.planning.ledger import MEASURES, Ledger, Measure, Point
from sumpwright.planning.machine import Action
from sumpwright.planning.odometer import Forecast
from sumpwright.planning.said import Said, said, say_all
from sumpwright.planning.spans import later
from sumpwright.planning.track import NAMES, Track

LimitKind = Literal["distance", "date", "hours", "thermal", "condition"]
ServiceKind = Literal["normal", "severe"]

MEASURE_OF: dict[LimitKind, Measure] = {
    "distance": "distance",
    "date": "time",
    "hours": "hours",
    "thermal": "thermal",
}
KIND_WORDS: dict[LimitKind, str] = {
    "distance": "distance",
    "date": "time",
    "hours": "hours",
    "thermal": "thermal",
}
NEVER = math.inf
STALE = YEAR / 2
"""s; after so long without a reading a fresh one is asked for."""
HORIZON = 40 * YEAR
"""s; what is further off than this is said to be out of sight."""


@dataclass(frozen=True)
class Limit:
    """An interval from the manual: m or s, for normal and for severe service."""

    kind: LimitKind
    normal: float | None = None
    severe: float | None = None
    origin: str = ""

    def __post_init__(self) -> None:
        for value in (self.normal, self.severe):
            if value is not None and not (math.isfinite(value) and value > 0):
                raise Complaint(
                    f"the {self.kind} limit is not above zero", "correct it", field=self.kind
                )

    def value(self, service: ServiceKind) -> float | None:
        """Interval that applies, the normal one where no severe one is given."""
        if service == "severe" and self.severe is not None:
            return self.severe
        return self.normal


@dataclass(frozen=True)
class Rule:
    """What to do to a wet system, at which limits.

    ``tail``: share of the fluid that may be older than the limit; without it the mean
    age counts. Only a replacement has it.
    """

    action: Action
    limits: tuple[Limit, ...]
    tail: float | None = None


@dataclass(frozen=True)
class Condition:
    """Something seen or measured that makes an action due, whatever the intervals say."""

    action: Action
    early: float
    likely: float
    late: float
    reasons: tuple[Said, ...]


@dataclass(frozen=True)
class Service:
    """Normal or severe, and why."""

    kind: ServiceKind = "normal"
    reasons: tuple[Said, ...] = ()


@dataclass(frozen=True)
class LimitDue:
    """One limit beside the others: where the clock stands, and when it is reached.

    ``age`` and ``limit`` in m or s, NaN where unknown; moments in s since 1970, ``inf``
    for never. ``known`` is false when the limit cannot be worked out, and ``why`` says
    what is missing.
    """

    kind: LimitKind
    age: float
    limit: float
    early: float
    likely: float
    late: float
    why: Said
    known: bool = True


@dataclass(frozen=True)
class Dates:
    """Three dates; ``None`` when the limit is out of sight."""

    early: date | None
    likely: date | None
    late: date | None


@dataclass(frozen=True)
class DueItem:
    """One thing to do to one wet system.

    Parameters
    ----------
    machine, system : str
    action : {'inspect', 'replace'}
    due : Dates
        Earliest, likely and latest day on which the first limit is reached.
    limit : str
        Kind of the limit that comes first; empty when none can be worked out.
    reasons : tuple of Said
        Why, the winning limit first.
    limits : tuple of LimitDue
        All of them side by side.
    service : {'normal', 'severe'}
    """

    machine: str
    system: str
    action: Action
    due: Dates
    limit: str
    reasons: tuple[Said, ...]
    limits: tuple[LimitDue, ...] = field(default=())
    service: ServiceKind = "normal"

    @property
    def order(self) -> tuple[date, date, date, str, str, str]:
        """Key that sorts the yard: what is likely first comes first.

        Where no day is likely the earliest one stands in: what may be overdue must not
        come after everything else because it is not known.
        """
        far = date.max
        return (
            self.due.likely or self.due.early or far,
            self.due.late or far,
            self.due.early or far,
            self.machine,
            self.system,
            self.action,
        )

    def overdue(self, now: date) -> bool:
        """Whether the likely day has passed."""
        return self.due.likely is not None and self.due.likely < now

    def perhaps_overdue(self, now: date) -> bool:
        """Whether no day is likely, and the earliest one has passed."""
        early = self.due.early
        return self.due.likely is None and early is not None and early < now

    def to_json(self, display: Display | None = None) -> dict[str, Any]:
        """Return plain values: ISO dates, reasons as sentences.

        Examples
        --------
        >>> day = date(2026, 3, 1)
        >>> DueItem("Carrier 2", "gearbox", "replace", Dates(day, day, None), "date",
        ...         ()).to_json()["due"]
        {'early': '2026-03-01', 'likely': '2026-03-01', 'late': None}
        """
        return {
            "machine": self.machine,
            "system": self.system,
            "action": self.action,
            "due": {
                name: when.isoformat() if when else None
                for name, when in (
                    ("early", self.due.early),
                    ("likely", self.due.likely),
                    ("late", self.due.late),
                )
            },
            "limit": self.limit,
            "reasons": list(say_all(self.reasons, display)),
        }


@dataclass(frozen=True)
class Meter:
    """A meter's track with its forecast; either may be missing."""

    track: Track | None = None
    forecast: Forecast | None = None


def clock(book: Ledger, tail: float | None = None) -> Point:
    """Where the clock of a replacement was at zero, on every scale.

    Parameters
    ----------
    book : Ledger
    tail : float, optional
        Share that may be older than the limit; the mean age counts without it.

    Returns
    -------
    Point
        Age on a scale is the total now minus the value here.

    Examples
    --------
    >>> from sumpwright.planning.ledger import Happening, keep
    >>> book = keep(0.009, [Happening(date(2015, 1, 1), "filled", distance=0.0),
    ...                     Happening(date(2020, 1, 1), "changed", 0.0036, distance=8e7)])
    >>> clock(book).distance, clock(book, tail=0.5).distance, clock(book, tail=0.7).distance
    (32000000.0, 0.0, 80000000.0)
    """
    if tail is None:
        return Point(*(book.mean_birth(measure) for measure in MEASURES))
    if not 0 <= tail < 1:
        raise Complaint("the share allowed to be older is not from 0 to below 1", "correct it")
    return Point(*(book.birth_quantile(1 - tail, measure) for measure in MEASURES))


def due(
    machine: str,
    system: str,
    rule: Rule,
    since: Point,
    meters: Mapping[Measure, Meter],
    now: date,
    service: Service | None = None,
    conditions: Sequence[Condition] = (),
) -> DueItem:
    """Work out when an action is due, with every limit and the reasons.

    Parameters
    ----------
    machine, system : str
    rule : Rule
        Action and limits.
    since : Point
        Where the clock was at zero: `clock` of the ledger, or the last inspection.
    meters : mapping of measure to Meter
        For ``distance``, ``hours`` and ``thermal``.
    now : date
        Today.
    service : Service, optional
        Normal or severe, from `sumpwright.planning.use` or from the user.
    conditions : sequence of Condition
        From laboratory reports and inspections; those for another action are passed over.

    Returns
    -------
    DueItem

    Examples
    --------
    >>> item = due("Carrier 2", "gearbox", Rule("replace", (Limit("date", 4 * YEAR),)),
    ...            Point(time=seconds(date(2022, 1, 1))), {}, date(2025, 6, 1))
    >>> item.due.likely, item.limit
    (datetime.date(2026, 1, 1), 'date')
    """
    served = service or Service()
    rows = [_row(limit, since, meters, now, served.kind, rule.tail) for limit in rule.limits]
    fitting = [c for c in conditions if c.action == rule.action]
    rows += [_condition(c) for c in fitting]
    known = [row for row in rows if row.known]
    winner = min(known, key=lambda r: (r.likely, r.early), default=None)
    early, likely, late = (
        min((getattr(row, name) for row in known), default=NEVER)
        for name in ("early", "likely", "late")
    )
    ordered = sorted(rows, key=lambda r: (r is not winner, not r.known, r.likely))
    reasons = [row.why for row in ordered]
    for condition in fitting:
        reasons += condition.reasons
    reasons += _forecast_notes(known, meters, now)
    reasons += [*served.reasons, *_severe_gap(rule, served.kind)]
    end = seconds(now) + HORIZON
    return DueItem(
        machine,
        system,
        rule.action,
        Dates(*(day(t) if t <= end else None for t in (early, likely, late))),
        winner.kind if winner is not None and winner.likely <= end else "",
        tuple(dict.fromkeys(reasons)),
        tuple(ordered),
        served.kind,
    )


def _row(
    limit: Limit,
    since: Point,
    meters: Mapping[Measure, Meter],
    now: date,
    service: ServiceKind,
    tail: float | None,
) -> LimitDue:
    value = limit.value(service)
    measure = MEASURE_OF[limit.kind]
    words = KIND_WORDS[limit.kind]
    zero = since.on(measure)
    if value is None:
        why = said(f"no {limit.kind} limit is given for {service} service")
        return _unknown(limit, math.nan, why)
    if math.isnan(zero):
        why = said(
            f"{{limit:{words}}}: cannot be worked out, the {_scale(limit.kind)} at the last "
            "service is not known",
            limit=value,
        )
        return _unknown(limit, value, why)
    if limit.kind == "date":
        moment = float(later(zero, value))
        since_then = "counted from {zero:date}" if tail is None else f"{_OLDEST} of {{zero:date}}"
        why = _said_for(
            tail,
            f"{{limit:time}}{_bound(tail)}: {since_then}, so until {{moment:date}}",
            limit=value,
            zero=zero,
            moment=moment,
        )
        age = max(0.0, seconds(now) - zero)
        return LimitDue(limit.kind, age, value, moment, moment, moment, why)
    return _metered(limit, value, zero, meters.get(measure, Meter()), now, tail)


_OLDEST = "the oldest of it is"


def _bound(tail: float | None) -> str:
    """To how much of the fluid a limit applies; nothing where its mean age counts."""
    if tail is None:
        return ""
    return " for all but {tail:share} of the fluid" if tail > 0 else " for all of the fluid"


def _said_for(tail: float | None, text: str, **values: float | None) -> Said:
    return said(text, **values) if not tail else said(text, tail=tail, **values)


def _metered(
    limit: Limit, value: float, zero: float, meter: Meter, now: date, tail: float | None
) -> LimitDue:
    words = KIND_WORDS[limit.kind]
    head = f"{{limit:{words}}}{_bound(tail)}"
    track, ahead = meter.track, meter.forecast
    target = zero + value
    if track is not None and len(track) and target <= track.totals[-1]:
        moment = crossing(track, target)
        here = float(track.totals[-1]) if ahead is None else ahead.expected(seconds(now))
        age = f"at {{age:{words}}} now" if tail is None else f"{_OLDEST} {{age:{words}}} old now"
        why = _said_for(
            tail,
            f"{head}: passed on about {{moment:date}}, {age}",
            limit=value,
            moment=moment,
            age=here - zero,
        )
        return LimitDue(limit.kind, here - zero, value, moment, moment, moment, why)
    if ahead is None:
        why = _said_for(
            tail, f"{head}: cannot be forecast; {what_is_missing(limit.kind)}", limit=value
        )
        return _unknown(limit, value, why)
    early, likely, late = ahead.reach(target)
    age_now = ahead.expected(seconds(now)) - zero
    if not math.isfinite(likely):
        text = f"{head}: not reached, the {_scale(limit.kind)} stands still"
        why = _said_for(tail, text, limit=value)
        return LimitDue(limit.kind, age_now, value, early, likely, late, why)
    age = f"at about {{age:{words}}} now"
    if tail is not None:
        age = f"{_OLDEST} about {{age:{words}}} old now"
    why = _said_for(
        tail,
        f"{head}: {age}, reached about {{likely:date}}, between {{early:date}} and {{late:date}}",
        limit=value,
        age=age_now,
        likely=likely,
        early=early,
        late=late,
    )
    return LimitDue(limit.kind, age_now, value, early, likely, late, why)


def what_is_missing(kind: LimitKind) -> str:
    """Say what to enter so that a limit can be forecast."""
    if kind == "thermal":
        return (
            "log the fluid's temperature on three drives on different days at least, and read a "
            "meter at least twice"
        )
    return f"read the {_scale(kind)} at least twice, or give the use in a year"


def _scale(kind: LimitKind) -> str:
    if kind == "date":
        return "date"
    return NAMES[kind] if kind != "condition" else "condition"


def crossing(track: Track, target: float) -> float:
    """Moment at which a track first reached a total that it has passed, s since 1970."""
    k = int(np.searchsorted(track.totals, target, side="left"))
    if k == 0:
        return float(track.times[0])
    low, high = track.totals[k - 1], track.totals[k]
    share = (target - low) / (high - low)
    return float(track.times[k - 1] + share * (track.times[k] - track.times[k - 1]))


def _unknown(limit: Limit, value: float, why: Said) -> LimitDue:
    return LimitDue(limit.kind, math.nan, value, NEVER, NEVER, NEVER, why, known=False)


def _condition(condition: Condition) -> LimitDue:
    why = said(f"condition: {condition.action} from {{likely:date}}", likely=condition.likely)
    return LimitDue(
        "condition", math.nan, math.nan, condition.early, condition.likely, condition.late, why
    )


def _forecast_notes(
    known: Sequence[LimitDue], meters: Mapping[Measure, Meter], now: date
) -> list[Said]:
    """What the forecasts in use rest on, and whether the last reading has grown old."""
    notes: list[Said] = []
    for row in known:
        if row.kind in ("date", "condition"):
            continue
        ahead = meters.get(MEASURE_OF[row.kind], Meter()).forecast
        if ahead is None:
            continue
        notes += ahead.notes
        if seconds(now) - ahead.start > STALE:
            notes.append(
                said(
                    f"the {_scale(row.kind)} was last read on {{day:date}}; read it again",
                    day=ahead.start,
                )
            )
    return notes


def _severe_gap(rule: Rule, service: ServiceKind) -> list[Said]:
    if service != "severe":
        return []
    return [
        said(f"no {limit.kind} limit for severe service is given; the normal one is used")
        for limit in rule.limits
        if limit.severe is None and limit.normal is not None
    ]
