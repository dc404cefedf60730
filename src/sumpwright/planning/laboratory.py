"""What used-oil reports say: limits, corrected wear, trends, and their effect on due."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike

from sumpwright.errors import Complaint
from sumpwright.physics.viscosity import blend_viscosity
from sumpwright.planning.cleanliness import read_code
from sumpwright.planning.clock import Moment, seconds
from sumpwright.planning.due import Condition
from sumpwright.planning.ledger import Ledger, Measure, Point
from sumpwright.planning.machine import Fluid
from sumpwright.planning.odometer import Forecast
from sumpwright.planning.reports import (
    ELEMENTS,
    KINDS,
    NAMES,
    WEAR_METALS,
    Finding,
    Level,
    Report,
    code_in,
    screen,
)
from sumpwright.planning.said import Said, said
from sumpwright.planning.wear import (
    REPEATABILITY,
    Wear,
    follow,
    scatter,
    wear_between,
    wear_of_late,
    wear_since_new,
)

ASSUMED = "common practice, no source"


@dataclass(frozen=True)
class Bound:
    """A laboratory's, or the user's, limits of one property.

    Parameters
    ----------
    name : str
        Element symbol, or ``viscosity_40``, ``viscosity_100``, ``index``, ``water``,
        ``acid``.
    caution, act : (float or None, float or None)
        Lowest and highest value that passes, in the units of `Report`.
    relative : bool
        Whether they are changes relative to new fluid.
    origin : str
        Who says so.
    """

    name: str
    caution: tuple[float | None, float | None] = (None, None)
    act: tuple[float | None, float | None] = (None, None)
    relative: bool = False
    origin: str = ""


ASSUMED_BOUNDS = (
    Bound("viscosity_40", (-0.10, 0.10), (-0.20, 0.20), relative=True, origin=ASSUMED),
    Bound("viscosity_100", (-0.10, 0.10), (-0.20, 0.20), relative=True, origin=ASSUMED),
    Bound("water", (None, 0.0005), (None, 0.002), origin=ASSUMED),
)
"""Used where neither the laboratory nor the user gives limits, and shown as assumed."""

Z_CAUTION = 3.0
"""Robust standard deviations from the machine's own history; common practice, no source."""
LEAST_HISTORY = 4
"""Earlier values without which a trend is not judged."""


def robust_z(history: ArrayLike, value: float) -> float:
    """Distance of a value from a history in robust standard deviations.

    (value − median) / (1.4826 · median absolute deviation), the deviation not below 5 %
    of the median; NaN with fewer than four earlier values.

    References
    ----------
    P. J. Rousseeuw, C. Croux, *Alternatives to the median absolute deviation*, J. Am.
    Stat. Assoc. 88 (1993) 1273: the factor 1.4826 makes it the standard deviation of a
    normal law.

    Examples
    --------
    >>> round(robust_z([10.0, 11.0, 9.0, 10.0, 12.0], 20.0), 2)
    6.74
    """
    past = np.asarray(history, dtype=np.float64)
    past = past[np.isfinite(past)]
    if len(past) < LEAST_HISTORY or not math.isfinite(value):
        return math.nan
    middle = float(np.median(past))
    spread = 1.4826 * float(np.median(np.abs(past - middle)))
    spread = max(spread, REPEATABILITY * abs(middle))
    if spread == 0:
        return 0.0 if value == middle else math.copysign(math.inf, value - middle)
    return (value - middle) / spread


@dataclass(frozen=True)
class WearRow:
    """Corrected wear of one element over one stretch between two samples."""

    element: str
    first: Point | None
    second: Point
    wear: Wear
    z: float


@dataclass(frozen=True)
class Assessment:
    """What all reports of a system say together.

    Parameters
    ----------
    used : tuple of (int, Report)
        Reports that take part, by time, with their places in what was given.
    findings : tuple of Finding
    wear : tuple of WearRow
    conditions : tuple of Condition
        Their effect on due.
    """

    used: tuple[tuple[int, Report], ...]
    findings: tuple[Finding, ...]
    wear: tuple[WearRow, ...]
    conditions: tuple[Condition, ...]

    @property
    def kept_out(self) -> tuple[Finding, ...]:
        """Why reports take no part."""
        return tuple(f for f in self.findings if f.level == "kept out")


@dataclass(frozen=True)
class Context:
    """What the reports are read against; everything but ``now`` may be missing.

    ``fluids``: what is or may be in the system. ``new_fluid``: a report on new fluid.
    ``measure``: the scale on which wear is counted. ``clean``: the cleanliness wanted.
    """

    now: Moment
    fluids: tuple[Fluid, ...] = ()
    book: Ledger | None = None
    bounds: tuple[Bound, ...] = field(default=ASSUMED_BOUNDS)
    new_fluid: Report | None = None
    measure: Measure = "distance"
    forecast: Forecast | None = None
    clean: str = ""


def assess(reports: Sequence[Report], context: Context) -> Assessment:
    """Read all reports of one wet system.

    Parameters
    ----------
    reports : sequence of Report
        In any order.
    context : Context

    Returns
    -------
    Assessment

    Raises
    ------
    Complaint
        When the wanted cleanliness code cannot be read.

    Examples
    --------
    >>> from datetime import date
    >>> bound = Bound("Fe", caution=(None, 100.0), act=(None, 150.0), origin="laboratory")
    >>> seen = assess([Report(date(2025, 3, 1), elements={"Fe": 180.0})],
    ...               Context(date(2025, 4, 1), bounds=(bound,)))
    >>> [str(reason) for reason in seen.conditions[0].reasons]
    ['iron: 180 mg/kg on 2025-03-01, above 150 mg/kg (laboratory)']
    """
    used, findings = screen(reports, context.fluids, context.now)
    rows, trends = _wear_rows(used, context)
    findings += trends
    if used:
        findings += _against_bounds(used[-1], context)
        findings += _against_cleanliness(used[-1], context.clean)
    conditions = _conditions(used, findings, context.now)
    conditions += _foreseen(used, rows, context)
    return Assessment(tuple(used), tuple(findings), tuple(rows), tuple(conditions))


def _against_bounds(latest: tuple[int, Report], context: Context) -> list[Finding]:
    index, report = latest
    out: list[Finding] = []
    for bound in context.bounds:
        value = report.value(bound.name)
        if value is None:
            continue
        new = _new_value(bound.name, context)
        if bound.relative and not new:
            continue
        for level, (low, high) in (("act", bound.act), ("caution", bound.caution)):
            ends = [_absolute(end, bound, new) for end in (low, high)]
            broken = _broken(value, ends[0], ends[1])
            if broken is None:
                continue
            says = _bound_words(report, bound, value, broken, new)
            now = _value_now(report, bound.name, value, new, context.book)
            if _broken(now, ends[0], ends[1]) is None:
                out += [Finding("note", bound.name, index, s) for s in (says, _since(bound, now))]
            else:
                out.append(Finding("act" if level == "act" else "caution", bound.name, index, says))
            break
    return out


def _value_now(
    report: Report, name: str, value: float, new: float | None, book: Ledger | None
) -> float:
    """Value after the fluid put in since the sample; further use is not counted."""
    if book is None:
        return value
    balance = follow(book, _point(report), math.inf, value, measure="time")
    kept = balance.kept if balance is not None else 1.0
    if kept >= 1:
        return value
    if name in ("viscosity_40", "viscosity_100"):
        return float(blend_viscosity([value, new], [kept, 1 - kept])) if new else value
    return value * kept + (new or 0.0) * (1 - kept)


def _since(bound: Bound, now: float) -> Said:
    kind, unit = _kind(bound.name)
    return said(
        f"{NAMES.get(bound.name, bound.name)}: fluid put in since that sample has brought it to "
        f"about {{now:{kind}}}{unit}",
        now=now,
    )


def _new_value(name: str, context: Context) -> float | None:
    if context.new_fluid is not None and context.new_fluid.value(name) is not None:
        return context.new_fluid.value(name)
    if name in ("viscosity_40", "viscosity_100"):
        for fluid in context.fluids:
            found: float | None = getattr(fluid, name)
            if found is not None:
                return found
    return None


def _absolute(end: float | None, bound: Bound, new: float | None) -> float | None:
    if end is None or not bound.relative:
        return end
    return new * (1 + end) if new else None


def _broken(value: float, low: float | None, high: float | None) -> tuple[str, float] | None:
    if high is not None and value > high:
        return "above", high
    if low is not None and value < low:
        return "below", low
    return None


def _kind(name: str) -> tuple[str, str]:
    """Kind of gap for a value of this name, and the unit written after it."""
    kind = KINDS.get(name, "element")
    if kind == "acid":
        return "number", " mg KOH/g"
    return ("number", " mg/kg") if kind == "element" else (kind, "")


def _bound_words(
    report: Report, bound: Bound, value: float, broken: tuple[str, float], new: float | None
) -> Said:
    kind, unit = _kind(bound.name)
    side, end = broken
    text = (
        f"{NAMES.get(bound.name, bound.name)}: {{value:{kind}}}{unit} on {{day:date}}, "
        f"{side} {{end:{kind}}}{unit}"
    )
    if bound.relative and new:
        text += f" (new fluid has {{new:{kind}}})"
    if bound.origin:
        text += f" ({bound.origin})"
    return said(text, value=value, day=seconds(report.when), end=end, new=new)


def _against_cleanliness(latest: tuple[int, Report], wanted: str) -> list[Finding]:
    if not wanted:
        return []
    target = read_code(wanted)
    index, report = latest
    try:
        code = code_in(report)
    except Complaint:
        return []
    above = code.steps_above(target) if code is not None else None
    if code is None or above is None or above <= 0:
        return []
    text = "cleanliness {code:text} on {day:date}, {wanted:text} is wanted"
    says = said(text, code=str(code), day=seconds(report.when), wanted=str(target))
    level: Level = "act" if above >= 2 else "caution"
    return [Finding(level, "particles", index, says)]


def _point(report: Report) -> Point:
    return Point(
        seconds(report.when),
        math.nan if report.distance is None else report.distance,
        math.nan if report.hours is None else report.hours,
    )


def _wear_rows(
    used: Sequence[tuple[int, Report]], context: Context
) -> tuple[list[WearRow], list[Finding]]:
    """Corrected wear of every metal between every two samples, judged by its own history."""
    book = context.book
    if book is None:
        return [], []
    rows: list[WearRow] = []
    findings: list[Finding] = []
    for element in ELEMENTS:
        if element not in WEAR_METALS:
            continue
        fresh = _new_value(element, context) or 0.0
        rates: list[float] = []
        given = [(i, r, r.elements[element]) for i, r in used if element in r.elements]
        for k, (index, report, value) in enumerate(given):
            here = _point(report)
            if k == 0:
                wear = wear_since_new(book, here, value, fresh, context.measure)
                before = None
            else:
                _, earlier, old = given[k - 1]
                before = _point(earlier)
                wear = wear_between(book, before, here, old, value, fresh, context.measure)
            if wear is None:
                continue
            z = robust_z(rates, wear.per_unit)
            rows.append(WearRow(element, before, here, wear, z))
            rates.append(wear.per_unit)
            if wear.per_unit < 0 and k == len(given) - 1:
                findings.append(_fall_finding(element, index, report, wear, value, context))
            if z > Z_CAUTION and k == len(given) - 1:
                findings.append(_trend_finding(element, index, report, wear, z, rates, context))
    return rows, findings


def _fall_finding(
    element: str, index: int, report: Report, wear: Wear, value: float, context: Context
) -> Finding:
    kind = "wear_distance" if context.measure == "distance" else "wear_hours"
    within = -wear.per_unit <= scatter(value) / wear.use
    why = (
        "that is within the laboratory's own scatter"
        if within
        else "a change or a top-up may be missing in the books, or a sample is another's"
    )
    text = (
        f"{NAMES[element]} seems to fall by {{rate:{kind}}} up to {{day:date}}: wear cannot, {why}"
    )
    says = said(text, rate=-wear.per_unit, day=seconds(report.when))
    return Finding("note", element, index, says, slip=True)


def _trend_finding(
    element: str,
    index: int,
    report: Report,
    wear: Wear,
    z: float,
    rates: Sequence[float],
    context: Context,
) -> Finding:
    kind = "wear_distance" if context.measure == "distance" else "wear_hours"
    text = (
        f"{NAMES[element]} wears at {{rate:{kind}}} up to {{day:date}}, {{z:number}} robust "
        f"standard deviations above this machine's own {{usual:{kind}}} (corrected for make-up "
        "and partial changes)"
    )
    says = said(
        text,
        rate=wear.per_unit,
        day=seconds(report.when),
        z=z,
        usual=float(np.median(np.asarray(rates[:-1]))),
    )
    return Finding("caution", element, index, says)


def _conditions(
    used: Sequence[tuple[int, Report]], findings: Sequence[Finding], now: Moment
) -> list[Condition]:
    """Flags of the newest report: act means replace now, caution means look now.

    A slip in the report asks for a correction, not for a look at the machine.
    """
    if not used:
        return []
    newest, report = used[-1]
    at = seconds(report.when)
    out: list[Condition] = []
    acts = tuple(f.says for f in findings if f.level == "act" and f.index == newest)
    cautions = tuple(
        f.says for f in findings if f.level == "caution" and f.index == newest and not f.slip
    )
    if acts:
        out.append(Condition("replace", at, at, seconds(now), acts))
    if acts or cautions:
        out.append(Condition("inspect", at, at, seconds(now), acts + cautions))
    return out


def _foreseen(
    used: Sequence[tuple[int, Report]], rows: Sequence[WearRow], context: Context
) -> list[Condition]:
    """When the wear of late will bring an element to the laboratory's limit.

    Nothing is foreseen from samples between which the laboratory's own scatter is as large
    as the rise; the early date takes the highest rate that they allow, the late the lowest.
    """
    ahead, book = context.forecast, context.book
    if not used or ahead is None or book is None or context.measure not in ("distance", "hours"):
        return []
    out: list[Condition] = []
    report = used[-1][1]
    sample = _point(report)
    for bound in context.bounds:
        high, value = bound.act[1], report.value(bound.name)
        pace = wear_of_late([r.wear for r in rows if r.element == bound.name], value)
        if high is None or bound.relative or value is None or pace is None:
            continue
        slow, rate, fast = pace
        fresh = _new_value(bound.name, context) or 0.0
        balance = None
        if math.isfinite(sample.on(context.measure)):
            balance = follow(book, sample, math.inf, value, fresh, context.measure)
        if balance is None:
            continue
        ends = []
        for each in (fast, rate, slow):
            left = high - balance.concentration(each, book.capacity)
            ends.append(ahead.reach(balance.here + max(left, 0.0) / each))
        early, likely, late = ends[0][0], ends[1][1], ends[2][2]
        if balance.concentration(rate, book.capacity) >= high or not math.isfinite(likely):
            continue
        kind = "wear_distance" if context.measure == "distance" else "wear_hours"
        says = said(
            f"{NAMES.get(bound.name, bound.name)}: {{value:number}} mg/kg on {{day:date}}, "
            f"rising by {{rate:{kind}}} ({{slow:{kind}}} to {{fast:{kind}}} over the newest "
            "samples), reaches {high:number} mg/kg about {likely:date}",
            value=value,
            day=seconds(report.when),
            rate=rate,
            slow=slow,
            fast=fast,
            high=high,
            likely=likely,
        )
        out.append(Condition("replace", early, likely, late, (says,)))
    return out
