"""Wear corrected for make-up and partial changes, by mass balance with the age ledger.

Between two samples the dissolved and suspended metal m = c·V obeys, with V the fluid's
volume (its density cancels), over a stretch Δx of use: m ← m + w·Δx; and at a happening
of the ledger that keeps the share k of the fluid and adds v of new: m ← k·m + c₀·v.
Both are linear, so the wear rate w follows from the two concentrations in closed form.
Without the correction, a litre of new fluid looks like a machine that wears less.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from sumpwright.planning.ledger import Ledger, Measure, Point

REPEATABILITY = 0.05
"""Least spread of a content, relative to it: a laboratory does no better; common practice,
no source."""


@dataclass(frozen=True)
class Wear:
    """Wear between two samples.

    Parameters
    ----------
    per_unit : float
        w/V at capacity: concentration gained per m or s of use, (mg/kg)/m or (mg/kg)/s.
    uncorrected : float
        The same without make-up and changes: difference over use.
    use : float
        m or s between the samples.
    kept : float
        Share of the first sample's fluid still there at the second.
    """

    per_unit: float
    uncorrected: float
    use: float
    kept: float

    def mass_rate(self, density: float, capacity: float) -> float:
        """Mass of metal set free per m or s of use, kg/m or kg/s."""
        return self.per_unit * 1e-6 * density * capacity


def wear_between(
    book: Ledger,
    first: Point,
    second: Point,
    concentration_first: float,
    concentration_second: float,
    new_fluid: float = 0.0,
    measure: Measure = "distance",
) -> Wear | None:
    """Wear rate between two samples.

    A sample of the day of a service is taken before it, as it comes out of the drain.

    Parameters
    ----------
    book : Ledger
        What happened to the fluid.
    first, second : Point
        When the samples were taken.
    concentration_first, concentration_second : float
        mg/kg.
    new_fluid : float
        Concentration in new fluid, mg/kg.
    measure : {'distance', 'hours', 'time', 'thermal'}
        Scale of use.

    Returns
    -------
    Wear or None
        ``None`` when the use between the samples is not known or not above zero.

    Examples
    --------
    Half the fluid was changed between two samples that read the same:

    >>> from datetime import date
    >>> from sumpwright.planning.clock import seconds
    >>> from sumpwright.planning.ledger import Happening, keep
    >>> book = keep(0.008, [Happening(date(2024, 7, 1), "changed", 0.004, distance=1e7)],
    ...             start=Point(0.0, 0.0))
    >>> a, b = Point(seconds(date(2024, 1, 1)), 5e6), Point(seconds(date(2025, 1, 1)), 1.5e7)
    >>> wear = wear_between(book, a, b, 40.0, 40.0)
    >>> round(wear.per_unit * 1e6, 2), wear.uncorrected, wear.kept
    (2.67, 0.0, 0.5)
    """
    end = second.on(measure)
    if not (math.isfinite(first.on(measure)) and end > first.on(measure)):
        return None
    balance = follow(book, first, second.time, concentration_first, new_fluid, measure)
    if balance is None:
        return None
    slope = balance.slope + end - balance.here
    if slope <= 0 or balance.volume <= 0:
        return None
    use = end - first.on(measure)
    rate = (concentration_second * balance.volume - balance.fixed) / slope
    plain = (concentration_second - concentration_first) / use
    return Wear(rate / book.capacity, plain, use, balance.kept)


@dataclass(frozen=True)
class Balance:
    """Metal in the fluid after the last happening of a stretch: fixed + slope · w.

    ``here`` is where that happening was on the scale of use, ``volume`` the fluid then,
    ``kept`` the share of the first fluid that is still there.
    """

    fixed: float
    slope: float
    kept: float
    here: float
    volume: float

    def concentration(self, wear: float, capacity: float) -> float:
        """Concentration then, mg/kg, for a wear rate as in `Wear.per_unit`."""
        return (self.fixed + self.slope * wear * capacity) / self.volume


def follow(
    book: Ledger,
    first: Point,
    until: float,
    concentration: float,
    new_fluid: float = 0.0,
    measure: Measure = "distance",
) -> Balance | None:
    """Carry a concentration through every happening from a sample up to a moment.

    Parameters
    ----------
    book : Ledger
    first : Point
        The sample.
    until : float
        s since 1970; happenings of that moment are not carried out.
    concentration, new_fluid : float
        Of the sample and of new fluid, mg/kg.
    measure : {'distance', 'hours', 'time', 'thermal'}

    Returns
    -------
    Balance or None
        ``None`` when a happening in between has no place on the scale.
    """
    here, volume = first.on(measure), _volume_before(book, first.time)
    fixed, slope, kept = concentration * volume, 0.0, 1.0
    for step in book.steps:
        if not first.time <= step.point.time < until:
            continue
        at = step.point.on(measure)
        if not math.isfinite(at):
            return None
        before = float(step.before.sum())
        old = float(step.after[: len(step.before)].sum())
        share = old / before if before > 0 else 0.0
        slope = (slope + (at - here)) * share
        fixed = fixed * share + new_fluid * float(step.after[len(step.before) :].sum())
        # A loss lessens the volume, not the share of the first fluid in what is left.
        here, volume = at, float(step.after.sum())
        kept *= old / volume if volume > 0 else 0.0
    return Balance(fixed, slope, kept, here, volume)


def _volume_before(book: Ledger, time: float) -> float:
    """Volume of the fluid at a moment, before any happening of that moment, m³."""
    for step in book.steps:
        if step.point.time >= time:
            return float(step.before.sum()) if len(step.before) else book.capacity
    return float(book.volumes.sum())


def wear_since_new(
    book: Ledger,
    sample: Point,
    concentration: float,
    new_fluid: float = 0.0,
    measure: Measure = "distance",
) -> Wear | None:
    """Wear rate from the last complete fill, or the known first fill, to a first sample.

    Returns ``None`` where that fill is not known, so that the fluid's past is not either.
    """
    start: Point | None = None
    for step in book.steps:
        if step.point.time < sample.time and step.happening.what == "filled":
            start = step.point
    if start is None and book.batches and not book.batches[0].at_least:
        start = book.batches[0].born
    if start is None or not start.time < sample.time:
        return None
    # A moment after the fill: the fill itself is not part of the stretch.
    after = Point(math.nextafter(start.time, math.inf), start.distance, start.hours, start.thermal)
    return wear_between(book, after, sample, new_fluid, concentration, new_fluid, measure)


OF_LATE = 4
"""Stretches between samples from which wear is carried forward."""


def scatter(value: float) -> float:
    """How far two readings of one content may lie apart, mg/kg: √2 of the repeatability.

    Examples
    --------
    >>> round(scatter(100.0), 2)
    7.07
    """
    return math.sqrt(2.0) * REPEATABILITY * max(value, 1.0)


def wear_of_late(wears: Sequence[Wear], value: float | None) -> tuple[float, float, float] | None:
    """Lowest, likely and highest wear rate that the newest samples allow.

    The mean over the newest four stretches, each weighted with its use: what one sample
    reads too high is taken off the stretch after it. The newest stretch alone sets the
    highest where it stands out of the scatter: wear that begins is not averaged away.

    Parameters
    ----------
    wears : sequence of Wear
        By time.
    value : float, optional
        Newest content, mg/kg.

    Returns
    -------
    (float, float, float) or None
        (mg/kg)/m or (mg/kg)/s, all above zero; ``None`` where nothing stands out of the
        laboratory's scatter.

    Examples
    --------
    >>> even = [Wear(2e-6, 2e-6, 1e7, 1.0)] * 3
    >>> [round(rate * 1e6, 2) for rate in wear_of_late(even, 60.0)]
    [1.86, 2.0, 2.14]
    >>> wear_of_late([Wear(2e-6, 2e-6, 1e6, 1.0)], 60.0) is None
    True
    """
    late = list(wears)[-OF_LATE:]
    use = sum(wear.use for wear in late)
    if value is None or use <= 0:
        return None
    likely = sum(wear.per_unit * wear.use for wear in late) / use
    slack = scatter(value) / use
    newest = late[-1].per_unit
    stands_out = newest > scatter(value) / late[-1].use
    if likely <= slack:
        return None
    return likely - slack, likely, max(likely + slack, newest if stands_out else 0.0)
