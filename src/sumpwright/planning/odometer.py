"""When a meter will reach a value, with an interval: robust rate, season, spread.

The rate is a median of slopes: with a year or more of readings the seasonal slope
estimator of Hirsch, Slack and Smith (only points whole years apart are compared, so
that the season cancels), with less the plain one of Theil and Sen. The season is
learnt as twelve relative months counted from the last reading. The spread about it
is a compound-Poisson law, variance = φ × expected rise, so that idle months add
nothing; the rate's own error, its drift from year to year and an unseen season widen
the interval further. Numbers in `Habits` are assumptions, common practice, no source;
the coverage of the interval is tested on simulated meters.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.stats import t as student
from scipy.stats import theilslopes

from sumpwright.planning.clock import DAY, MONTH, YEAR, Moment, seconds
from sumpwright.planning.machine import Span
from sumpwright.planning.said import Said, said
from sumpwright.planning.track import NAMES, Meter, Track

Array = NDArray[np.float64]
Basis = Literal["seasons", "trend", "two readings", "assumed"]
CELLS = 36
"""Months of readings that teach the season."""
RATE_CELLS = 24
"""Months of readings that give the rate."""
SHORT_CELLS = 12
"""Equal steps into which a history of less than a year is cut."""
SHORTEST = DAY
"""Shortest stretch, s, from which a rate is taken."""


@dataclass(frozen=True)
class Habits:
    """What is assumed of use until the readings say better; common practice, no source.

    Parameters
    ----------
    level : float
        Probability inside the interval.
    month_spread : float
        Coefficient of variation of one month's use.
    prior_months : float
        How many months of readings that assumption weighs.
    drift : float
        Relative change of the rate from one year to the next, standard deviation.
    unseen_rate, unseen_phase : float
        Widening while less than a year was seen: of the rate, relative, and of the
        total, in years' use.
    shrink : float
        Months of average use mixed into each month of the season.
    """

    level: float = 0.90
    month_spread: float = 0.4
    prior_months: float = 4.0
    drift: float = 0.12
    unseen_rate: float = 0.3
    unseen_phase: float = 0.12
    shrink: float = 0.5


HABITS = Habits()
FLOOR = 0.25
"""Least expected rise of a month, as a share of the average one, when errors are scaled."""
WIDEST_GAP = 4 * MONTH
"""Longest gap between readings, s, across which a month still teaches the season."""


@dataclass(frozen=True)
class Forecast:
    """A forecast of one meter: everything follows in closed form from these numbers.

    Parameters
    ----------
    meter : str
        Which meter.
    start, total : float
        Last reading: s since 1970, and m or s.
    rate : float
        Rise per second, mean over the year.
    season : ndarray, shape (12,)
        Relative use in the twelve months that follow the last reading; mean 1.
    grain : float
        φ, m or s: variance of a rise over its expectation.
    rate_error : float
        Variance of the rate, relative.
    drift : float
        Standard deviation of the rate's relative change in a year.
    phase_error : float
        Standard deviation of the total from a season not yet seen, m or s.
    quantile : float
        Standard deviations that the interval reaches to each side.
    basis : str
        What the forecast rests on.
    notes : tuple of Said
        The same in words.
    """

    meter: Meter
    start: float
    total: float
    rate: float
    season: Array
    grain: float
    rate_error: float
    drift: float
    phase_error: float
    quantile: float
    basis: Basis
    notes: tuple[Said, ...] = ()

    def expected(self, time: float) -> float:
        """Expected total at a moment at or after the last reading."""
        ahead = max(0.0, time - self.start)
        years = np.floor(ahead / YEAR)
        curve = self._curve()
        part = np.interp(ahead - years * YEAR, np.arange(13) * float(MONTH), curve)
        return float(self.total + years * curve[-1] + part)

    def interval(self, time: float) -> tuple[float, float]:
        """Ends of the interval of the total at a moment; never below the last reading."""
        rise = self.expected(time) - self.total
        ahead = max(0.0, time - self.start)
        spread, shift = self._spread(rise, ahead), self._skew()
        low = max(0.0, rise - self.quantile * spread + shift)
        return self.total + low, self.total + rise + self.quantile * spread + shift

    def reach(self, total: float) -> tuple[float, float, float]:
        """Moments at which a total is reached: early, likely, late, s since 1970.

        The band rise ± q·sd(rise) meets the wanted rise where a quadratic in the
        expected rise has its roots (Fieller's form), so no search is needed.

        Parameters
        ----------
        total : float
            m or s, above the last reading.

        Returns
        -------
        early, likely, late : float
            ``inf`` where the interval, or the meter, never gets there.
        """
        want = total - self.total
        if want <= 0:
            return self.start, self.start, self.start
        if self.rate <= 0:
            return float("inf"), float("inf"), float("inf")
        ahead = self._after(want)
        fixed = self._phase(ahead)
        relative = self.rate_error + self.drift**2 * ahead / YEAR
        lower, upper = roots(
            max(0.0, want - self._skew()), self.quantile, self.grain, relative, fixed
        )
        early = min(self._after(float(lower)), ahead)
        late = max(self._after(float(upper)), ahead)
        return self.start + early, self.start + ahead, self.start + late

    def _curve(self) -> Array:
        return np.concatenate([[0.0], np.cumsum(self.season)]) * self.rate * MONTH

    def _after(self, rise: float) -> float:
        """Time in which a rise is expected; the inverse of `expected`."""
        if not np.isfinite(rise):
            return float("inf")
        curve = self._curve()
        years = np.floor(rise / curve[-1])
        part = np.interp(rise - years * curve[-1], curve, np.arange(13) * float(MONTH))
        return float(years * YEAR + part)

    def _phase(self, ahead: float) -> float:
        return self.phase_error * min(1.0, ahead / (YEAR / 2))

    def _spread(self, rise: float, ahead: float) -> float:
        relative = self.rate_error + self.drift**2 * ahead / YEAR
        fixed = self._phase(ahead)
        return float(np.sqrt(self.grain * rise + relative * rise**2 + fixed**2))

    def _skew(self) -> float:
        return float(skew_shift(self.grain, self.quantile))


def skew_shift(grain: Array | float, quantile: Array | float) -> Array:
    """Shift of both ends of the interval for the long tail of a compound-Poisson rise.

    First Cornish–Fisher term (q² − 1)/6 · κ₃/κ₂, with κ₃/κ₂ = 1.5 φ for exponential jumps.
    """
    return np.asarray((np.square(quantile) - 1) / 6 * 1.5 * grain, dtype=np.float64)


def roots(
    want: Array | float,
    quantile: Array | float,
    grain: Array | float,
    relative: Array | float,
    fixed: Array | float,
) -> tuple[Array, Array]:
    """Solve m ± q·√(φ m + κ² m² + c²) = x for the expected rise m.

    Parameters
    ----------
    want : float or ndarray
        x, the rise that is wanted.
    quantile, grain, relative, fixed : float or ndarray
        q, φ, κ² and c; all broadcast.

    Returns
    -------
    lower, upper : ndarray
        The rises at which the upper and the lower edge of the band reach x; the upper
        one is ``inf`` where q²κ² ≥ 1, so that the lower edge never does.

    Examples
    --------
    >>> low, high = roots(100.0, 2.0, 1.0, 0.0, 0.0)
    >>> round(float(low) + 2 * float(low) ** 0.5, 6), round(float(high) - 2 * float(high) ** 0.5, 6)
    (100.0, 100.0)
    """
    want, quantile = np.asarray(want, dtype=np.float64), np.asarray(quantile, dtype=np.float64)
    q2 = quantile**2
    a = 1.0 - q2 * relative
    b = 2.0 * want + q2 * grain
    c = want**2 - q2 * np.square(fixed)
    root = np.sqrt(np.maximum(b**2 - 4.0 * a * c, 0.0))
    # The stable form: b is never negative, so b + root never cancels.
    lower = np.where(b + root > 0, 2.0 * c / np.where(b + root > 0, b + root, 1.0), 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        upper = np.where(a > 0, (b + root) / (2.0 * a), np.inf)
    return np.maximum(lower, 0.0), np.asarray(upper, dtype=np.float64)


def forecast(
    track: Track,
    typical: Span | None = None,
    habits: Habits = HABITS,
    now: Moment | None = None,
) -> Forecast | None:
    """Forecast a meter from its track, or from the user's own typical use.

    Parameters
    ----------
    track : Track
        Readings in order.
    typical : Span, optional
        The user's guess of the rise in a year, m or s; used with one reading, or with
        none (the total is then counted from now).
    habits : Habits
        What is assumed until the readings say better.
    now : date, datetime or float, optional
        Start of the forecast when there is no reading at all.

    Returns
    -------
    Forecast or None
        ``None`` when nothing can be said: fewer than two readings and no typical use.

    References
    ----------
    R. M. Hirsch, J. R. Slack, R. A. Smith, *Techniques of trend analysis for monthly
    water quality data*, Water Resources Research 18 (1982) 107–121.
    P. K. Sen, *Estimates of the regression coefficient based on Kendall's tau*,
    J. Am. Stat. Assoc. 63 (1968) 1379–1389.

    Examples
    --------
    >>> from sumpwright.planning.track import Reading, make_track
    >>> track = make_track([Reading(date(2025, 1, 1), 0.0), Reading(date(2025, 4, 11), 5e6)])
    >>> ahead = forecast(track)
    >>> ahead.basis, round(ahead.rate * DAY)
    ('two readings', 50000)
    """
    if len(track) < 2 or track.times[-1] - track.times[0] < SHORTEST:
        return _assumed(track, typical, habits, now)
    return _fitted(track, habits)


def _assumed(
    track: Track, typical: Span | None, habits: Habits, now: Moment | None
) -> Forecast | None:
    if typical is None or typical.mid <= 0 or (not len(track) and now is None):
        return None
    q = quantile_for(0.0, habits)
    start = float(track.times[-1]) if len(track) else seconds(now or date.min)
    total = float(track.totals[-1]) if len(track) else 0.0
    kind = "distance" if track.meter == "distance" else "hours"
    note = said(
        f"use of {{low:{kind}}} to {{high:{kind}}} a year is assumed; enter readings of the "
        f"{NAMES[track.meter]} for a better forecast",
        low=typical.low,
        high=typical.high,
    )
    return Forecast(
        track.meter,
        start,
        total,
        typical.mid / YEAR,
        np.ones(12),
        habits.month_spread**2 * typical.mid / 12,
        ((typical.high - typical.low) / (2 * q * typical.mid)) ** 2,
        habits.drift,
        habits.unseen_phase * typical.mid,
        q,
        "assumed",
        (note,),
    )


def _fitted(track: Track, habits: Habits) -> Forecast:
    times, totals = track.times, track.totals
    span = times[-1] - times[0]
    seasonal = span >= YEAR
    count = min(CELLS, int(span // MONTH)) if seasonal else SHORT_CELLS
    step = MONTH if seasonal else span // SHORT_CELLS
    grid = times[-1] - step * np.arange(count, -1, -1)
    levels = np.interp(grid, times, totals)
    rises = np.diff(levels)
    rate = _seasonal_rate(levels, step) if seasonal else _plain_rate(grid, levels)
    average = rate * step
    season, expected, leverage, seen = np.ones(12), np.full(count, average), np.zeros(count), 0.0
    if seasonal:
        taught = _gaps(times, grid) <= WIDEST_GAP
        season, expected, leverage, seen = _season(rises, taught, average, habits.shrink)
    known = min(count, int(np.sum((times > grid[0]) & (times <= times[-1]))))
    grain = _grain(rises, expected, leverage, average, rate, known, habits)
    window = step * min(count, RATE_CELLS)
    rate_error = (habits.unseen_rate * (1 - seen)) ** 2
    if rate > 0:
        rate_error += grain / (rate * window)
    return Forecast(
        track.meter,
        float(times[-1]),
        float(totals[-1]),
        rate,
        season,
        grain,
        rate_error,
        _drift(levels, rate, grain, habits) if seasonal else habits.drift,
        habits.unseen_phase * (1 - seen) * rate * YEAR,
        quantile_for(known - 1.0, habits),
        "seasons" if seen >= 0.99 else "two readings" if len(times) == 2 else "trend",
        _words(track, rate, seen),
    )


def _seasonal_rate(levels: Array, step: float) -> float:
    recent = levels[-(RATE_CELLS + 1) :]
    slopes = [(recent[lag:] - recent[:-lag]) / (lag * step) for lag in range(12, len(recent), 12)]
    rate = float(np.median(np.concatenate(slopes)))
    return rate if rate > 0 else float((recent[-1] - recent[-13]) / (12 * step))


def _plain_rate(grid: Array, levels: Array) -> float:
    rate = float(theilslopes(levels, grid - grid[0])[0])
    return rate if rate > 0 else float((levels[-1] - levels[0]) / (grid[-1] - grid[0]))


def _gaps(times: Array, grid: Array) -> Array:
    middle = 0.5 * (grid[1:] + grid[:-1])
    k = np.clip(np.searchsorted(times, middle), 1, len(times) - 1)
    return np.asarray(times[k] - times[k - 1], dtype=np.float64)


def _season(
    rises: Array, taught: NDArray[np.bool_], average: float, shrink: float
) -> tuple[Array, Array, Array, float]:
    """Twelve relative months, the rises they explain, each month's leverage, share seen."""
    phase = (np.arange(len(rises)) - len(rises)) % 12
    weight = np.bincount(phase, taught, 12)
    mean = (np.bincount(phase, taught * rises, 12) + shrink * average) / (weight + shrink)
    total = float(mean.mean())
    season = mean / total if total > 0 else np.ones(12)
    leverage = taught / (weight + shrink)[phase]
    return season, average * season[phase], leverage, float((weight > 0).mean())


def _grain(
    rises: Array,
    expected: Array,
    leverage: Array,
    average: float,
    rate: float,
    known: int,
    habits: Habits,
) -> float:
    """φ: squared leave-one-out errors over expected rises, drawn towards the assumption.

    Cutting one gap between readings into equal cells leaves Σ e²/μ unchanged, so the
    sum is that of the gaps, and ``known`` counts them.
    """
    prior = habits.month_spread**2 * rate * MONTH
    if average <= 0:
        return prior
    errors = (rises - expected) / (1 - leverage)
    total = float(np.sum(errors**2 / np.maximum(expected, FLOOR * average)))
    return (habits.prior_months * prior + total) / (habits.prior_months + max(known - 1, 0))


def _drift(levels: Array, rate: float, grain: float, habits: Habits) -> float:
    """Change of the rate from year to year beyond what chance alone explains."""
    years = [levels[-1 - 12 * i] - levels[-13 - 12 * i] for i in range((len(levels) - 1) // 12)]
    if rate <= 0:
        return habits.drift
    excess = [
        max(0.0, float(((a - b) / (rate * YEAR)) ** 2 - 2 * grain / (rate * YEAR)))
        for a, b in pairwise(years)
    ]
    return float(np.sqrt((habits.drift**2 + sum(excess)) / (1 + len(excess))))


def quantile_for(freedom: float, habits: Habits) -> float:
    """Student's quantile for so many degrees of freedom beside the assumed ones."""
    return _student(round(max(freedom, 0.0) + habits.prior_months, 6), habits.level)


@lru_cache(maxsize=512)
def _student(freedom: float, level: float) -> float:
    return float(student.ppf(0.5 + level / 2, freedom))


def _words(track: Track, rate: float, seen: float) -> tuple[Said, ...]:
    name = NAMES[track.meter]
    kind = "distance" if track.meter == "distance" else "hours"
    notes = [
        said(
            f"{{count:text}} readings of the {name} up to {{day:date}} give {{rise:{kind}}} a year",
            count=str(len(track)),
            day=float(track.times[-1]),
            rise=rate * YEAR,
        )
    ]
    if rate <= 0:
        notes.append(said(f"the {name} has not moved; no date can be forecast from it"))
    elif seen < 0.99:
        notes.append(
            said("too few readings, or too far apart: the seasons of use are not known yet")
        )
    return tuple(notes)
