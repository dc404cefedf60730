"""How long until the fluid is warm: what the last readings say, and what it is worth.

A machine that idles warms towards a final temperature as

    T(t) = T∞ − (T∞ − T₀) e^(−t/τ)

if its fluid is heated by itself. If it is heated through another part it warms ever faster at
first (see `sumpwright.physics.warmup_shapes`); a forecast that did not know of this would come
late, and the window would be missed. The forecast weighs shapes of both kinds by how well they
pass through the last readings, a stray one among them let go. What the readings do not settle
is carried by priors: how fast machines warm, and that a thermostat or a cooler may still open
on the way and slow the rise. All of these are assumptions, stated and changeable; the interval
they give was counted against simulated warm-ups, see the tests.

Times to a temperature are times until the *reading* gets there. A sensor that lags shows
the window a little late, and the service manual's window is meant for that reading.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from sumpwright.physics.checks import Array, finite, positive
from sumpwright.physics.warmup_shapes import Shapes, WarmupPriors, possible_shapes

__all__ = [
    "ENOUGH",
    "Arrival",
    "WarmupForecast",
    "WarmupPriors",
    "forecast_warmup",
    "temperature_after",
    "time_to_reach",
]

DRAWS = 2048

BINS = 30
"""Stretches of time within which readings are put together."""

SHARPEST = 400.0
"""Time constant [s] below which a bend is taken for a thermostat that has just opened, and
the older half of the readings is let go."""

FEWEST = 6
"""Readings that are kept when older ones are let go."""

HOTTEST = 1000.0
"""Reading that no machine gives [K]: a mix-up of units, or a broken sensor."""

OLDEST = 3600.0
"""Age against the last reading beyond which a reading is never used [s]."""

ENOUGH = 4
"""Readings, at different times, below which no forecast is made."""


@dataclass(frozen=True)
class Arrival:
    """When a temperature will be read, counted from now.

    Parameters
    ----------
    low, median, high : float
        Ends and middle of the interval [s]; 0 if it has been passed, infinity if it may
        never be reached.
    never : float
        Probability that the temperature is not reached at all.
    """

    low: float
    median: float
    high: float
    never: float


@dataclass(frozen=True)
class WarmupForecast:
    """A warm-up as far as the readings show it.

    Parameters
    ----------
    readings : int
        Readings that were used.
    reason : str
        Why there is no forecast; empty if there is one.
    temperature : float
        Temperature now, as fitted [K]; the last reading if there is no forecast.
    rate : float
        Rate of warming now [K/s]; not a number if there is no forecast.
    final : float
        Temperature that the warm-up tends to [K]; not a number if there is no forecast.
    time_constant : float
        Time constant τ [s]; not a number if there is no forecast.
    noise : float
        Error of one reading, as estimated [K]; not a number if there is no forecast.
    to_open, to_close : Arrival or None
        When the window opens and closes; None if there is no forecast.
    """

    readings: int
    reason: str
    temperature: float
    rate: float = float("nan")
    final: float = float("nan")
    time_constant: float = float("nan")
    noise: float = float("nan")
    to_open: Arrival | None = None
    to_close: Arrival | None = None
    weighed: _Weighed | None = field(default=None, compare=False, repr=False)

    def course(self, times: ArrayLike) -> Array:
        """Return the temperature to be expected at times from now.

        Parameters
        ----------
        times : array_like, shape (n,)
            [s].

        Returns
        -------
        ndarray of float, shape (n,)
            [K], changes such as an opening thermostat left out; not a number without a
            forecast.

        Examples
        --------
        >>> t = np.arange(0.0, 301.0, 30.0)
        >>> f = forecast_warmup(t, 283.15 + 0.05 * t, 311.15, 319.15)
        >>> bool(f.temperature == f.course([0.0])[0] < f.course([60.0])[0])
        True
        """
        t = finite("a time", times)
        if self.weighed is None:
            return np.full(t.shape, np.nan)
        return np.array([self.weighed.temperature(float(one) + self.weighed.stale) for one in t])


def temperature_after(
    time: ArrayLike, start: ArrayLike, final: ArrayLike, time_constant: ArrayLike
) -> Array:
    """Temperature of a machine that warms or cools towards a final temperature.

    Implements ``T(t) = T∞ − (T∞ − T₀) e^(−t/τ)``.

    Parameters
    ----------
    time : array_like
        Time since the start [s].
    start, final : array_like
        Temperatures T₀ at the start and T∞ in the end [K].
    time_constant : array_like
        Time constant τ [s]. All arguments broadcast.

    Returns
    -------
    ndarray of float
        Temperature [K], broadcast shape.

    Raises
    ------
    ValueError
        If an argument is not finite, or a temperature or the time constant not above
        zero.

    References
    ----------
    Newton's law of cooling, a body of one temperature with constant heating.

    Examples
    --------
    >>> round(float(temperature_after(600.0, 283.15, 353.15, 1200.0)), 1)
    310.7
    """
    t0 = positive("the temperature at the start", start)
    t1 = positive("the final temperature", final)
    tau = positive("the time constant", time_constant)
    out: Array = t1 - (t1 - t0) * np.exp(-finite("a time", time) / tau)
    return out


def time_to_reach(
    target: ArrayLike, start: ArrayLike, final: ArrayLike, time_constant: ArrayLike
) -> Array:
    """Time until a warming or cooling machine reaches a temperature.

    Inverts `temperature_after`: ``t = τ ln((T∞ − T₀)/(T∞ − T))``.

    Parameters
    ----------
    target : array_like
        Temperature T to reach [K].
    start, final : array_like
        Temperatures T₀ now and T∞ in the end [K].
    time_constant : array_like
        Time constant τ [s]. All arguments broadcast.

    Returns
    -------
    ndarray of float
        Time [s], broadcast shape: 0 if the target lies behind already, infinity if it
        lies at or beyond the final temperature.

    Raises
    ------
    ValueError
        As `temperature_after`.

    References
    ----------
    Newton's law of cooling.

    Examples
    --------
    >>> time_to_reach([311.15, 360.0], 283.15, 353.15, 1200.0).round().tolist()
    [613.0, inf]
    """
    goal = positive("the target temperature", target)
    t0 = positive("the temperature at the start", start)
    t1 = positive("the final temperature", final)
    tau = positive("the time constant", time_constant)
    return _time_to(goal - t0, (t1 - t0) / tau, tau)


def _time_to(rise: Array, rate: Array, tau: Array) -> Array:
    """Time to rise by `rise` from a present `rate` that fades with `tau`.

    Rises against the direction of the rate lie behind and take no time, except that
    nothing at all moves when the rate is zero.
    """
    span = np.asarray(rate * tau)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        part = rise / span
        ahead = -tau * np.log1p(-part)
    out = np.where(part <= 0.0, 0.0, np.where(part < 1.0, ahead, np.inf))
    out = np.where((span == 0.0) & (rise != 0.0), np.inf, out)
    return np.where(rise == 0.0, 0.0, out)


@lru_cache(maxsize=1)
def _draws() -> tuple[Array, Array, Array]:
    """Fixed standard draws, so that the same readings give the same forecast."""
    rng = np.random.default_rng(20240229)
    half = rng.standard_normal((DRAWS // 2, 3))
    normal = np.concatenate([half, -half])
    return normal, rng.standard_exponential(DRAWS), rng.random(DRAWS)


def _smooth(age: Array, temps: Array, noise: float) -> tuple[Array, Array]:
    """Misses about a smooth curve of no shape in particular, and weights that let strays go."""
    degree = int(np.clip(age.size // 5, 1, 3))
    place = 1.0 - 2.0 * age / float(age.max())
    basis = np.polynomial.legendre.legvander(place, degree)
    weight = np.ones(age.size)
    for _ in range(12):
        root = np.sqrt(weight)
        found = np.linalg.lstsq(basis * root[:, None], temps * root, rcond=None)[0]
        misses = temps - basis @ found
        scale = max(1.4826 * float(np.median(np.abs(misses))), 0.25 * noise)
        weight = 1.0 / (1.0 + (misses / (2.5 * scale)) ** 2) ** 2
    return misses, weight


def _together(age: Array, temps: Array, noise: float) -> tuple[Array, Array, Array, float]:
    """Put readings together by time: ages, temperatures, weights, and the noise of one.

    Errors of readings that follow one another closely are not independent (a display that
    rounds shows the same again and again), so their means are what is judged.
    """
    _, weight = _smooth(age, temps, noise)
    if age.size > BINS:
        which = np.minimum((age / float(age.max()) * BINS).astype(np.intp), BINS - 1)
        total = np.bincount(which, weight, BINS)
        full = total > 0.0
        age = np.bincount(which, weight * age, BINS)[full] / total[full]
        temps = np.bincount(which, weight * temps, BINS)[full] / total[full]
        misses, weight = _smooth(age, temps, noise)[0], np.ones(age.size)
    else:
        misses = _smooth(age, temps, noise)[0]
    # The median of the misses, so that a stray reading does not make all of them look bad.
    return age, temps, weight, 1.4826 * float(np.median(np.abs(misses)))


@dataclass(frozen=True)
class _Weighed:
    """Each shape with its weight, and temperature and rate as the readings put them.

    With T and B normal for given shape, ``a``, ``b``, ``c`` are the entries of their precision.
    """

    shapes: Shapes
    weight: Array
    now: Array
    rate: Array
    a: Array
    b: Array
    c: Array
    stale: float = 0.0

    def temperature(self, time: float) -> float:
        """Expected temperature [K] at `time` s from the last reading."""
        return float(self.weight @ (self.now + self.rate * self.shapes.risen(np.array([time]))))

    @property
    def time_constant(self) -> float:
        """Typical time [s] in which the rate fades."""
        return float(np.exp(self.weight @ np.log(self.shapes.slow)))

    def drawn(self, freedom: float, normal: Array) -> tuple[Shapes, Array, Array]:
        """Draw shapes with temperature and rate of each, Student's t for few readings."""
        even = (np.arange(DRAWS) + 0.5) / DRAWS
        which = np.minimum(np.searchsorted(np.cumsum(self.weight), even), self.weight.size - 1)
        rng = np.random.default_rng(1729)
        which = rng.permutation(which)
        heavy = np.sqrt(freedom / rng.chisquare(freedom, DRAWS))
        a, b, c = self.a[which], self.b[which], self.c[which]
        inside = a * c - b * b
        first = np.sqrt(c / inside)
        temperature = self.now[which] + first * normal[:, 0] * heavy
        # the rate goes against the temperature, and is free by itself for the rest
        rate = (
            self.rate[which]
            + (-b / inside / first * normal[:, 0] + normal[:, 1] / np.sqrt(c)) * heavy
        )
        return self.shapes.taken(which), temperature, rate


def _weigh(age: Array, temps: Array, weight: Array, noise: float, priors: WarmupPriors) -> _Weighed:
    """Weigh each possible shape by how well it passes through the readings.

    For a given shape the temperature is linear in T and B, so that both are integrated out:
    the weight is ``exp(−least squares / 2) / √det``.
    """
    from scipy.special import log_ndtr

    shapes = possible_shapes(priors)
    grown = np.stack([shapes.risen(np.array([-one])) for one in age])
    w = weight / noise**2
    origin = float(temps[-1])
    y, gap = temps - origin, priors.final - origin
    of_rate = 1.0 / priors.rate_spread**2
    of_final = np.where(shapes.two, 1.0 / priors.two_final_spread, 1.0 / priors.final_spread) ** 2
    a = w.sum() + of_final
    b = w @ grown + of_final * shapes.end
    c = w @ grown**2 + of_rate + of_final * shapes.end**2
    u = w @ y + of_final * gap
    v = (w * y) @ grown + of_rate * priors.rate + of_final * shapes.end * gap
    inside = a * c - b * b
    with np.errstate(divide="ignore", invalid="ignore"):
        now, rate = (c * u - b * v) / inside, (a * v - b * u) / inside
        # what is the same for all shapes is left out
        least = of_final * gap**2 - (u * now + v * rate)
        told = -0.5 * (least + np.log(inside) - np.log(of_final))
        # what heats a fluid that lags behind does not cool it
        told += np.where(shapes.two, log_ndtr(rate * np.sqrt(inside / a)), 0.0)
    # shapes of which rounding leaves nothing are far from all readings
    fit = np.isfinite(told) & (inside > 1e-12 * a * c)
    told = np.where(fit, told, -np.inf)
    share = np.exp(told - told.max())
    share, now, rate = share / share.sum(), np.where(fit, now, 0.0), np.where(fit, rate, 0.0)
    return _Weighed(shapes, share, origin + now, rate, a, b, c)


def _arrival(times: Array, weight: Array, confidence: float) -> Arrival:
    order = np.argsort(times, kind="stable")
    ordered, below = times[order], np.cumsum(weight[order])
    low, middle, high = (
        float(ordered[min(int(np.searchsorted(below, q * below[-1])), times.size - 1)])
        for q in ((1.0 - confidence) / 2.0, 0.5, (1.0 + confidence) / 2.0)
    )
    return Arrival(low, middle, high, float(np.average(np.isinf(times), weights=weight)))


def forecast_warmup(
    times: ArrayLike,
    temperatures: ArrayLike,
    open_temperature: float,
    close_temperature: float,
    *,
    now: float | None = None,
    span: float = 300.0,
    confidence: float = 0.90,
    priors: WarmupPriors | None = None,
) -> WarmupForecast:
    """Forecast when a window of temperature opens and closes, from the last readings.

    Weighs possible shapes of a warm-up by how well they pass through the readings, draws
    from them (Student's t for few readings), and carries the draws forward, each with a
    chance that a thermostat slows the rise on the way. The interval is read off the draws.

    Parameters
    ----------
    times : array_like, shape (n,)
        Times of the readings [s], in any order.
    temperatures : array_like, shape (n,)
        Readings [K].
    open_temperature, close_temperature : float
        Temperatures between which the window is open [K].
    now : float, optional
        Time to count from [s]; that of the last reading if left out. Readings after it
        are not looked at.
    span : float
        Age of the oldest reading that is used, against the last one [s]. The last six
        are used in any case, unless they are older than an hour.
    confidence : float
        Probability that the interval shall hold, in (0, 1).
    priors : WarmupPriors, optional
        What is assumed beforehand.

    Returns
    -------
    WarmupForecast
        The forecast; without one, and with a reason, if fewer than four readings at
        different times are there.

    Raises
    ------
    ValueError
        If the shapes disagree, a value is not finite, a temperature is not above zero or
        beyond any machine's, the window does not open below where it closes, or the
        confidence leaves (0, 1).

    References
    ----------
    Weights by the marginal likelihood of a linear model: A. Gelman et al., *Bayesian Data
    Analysis*, ch. 14. Stray readings: P. W. Holland, R. E. Welsch, "Robust regression using
    iteratively reweighted least-squares", Commun. Stat. A 6 (1977) 813-827.

    Examples
    --------
    >>> t = np.arange(0.0, 301.0, 30.0)
    >>> f = forecast_warmup(t, temperature_after(t, 283.15, 353.15, 1200.0), 311.15, 319.15)
    >>> f.readings, f.to_open.low < 313.0 < f.to_open.high
    (11, True)
    >>> forecast_warmup(t[:3], [283.1, 284.9, 286.5], 311.15, 319.15).reason
    'too few readings: 3 of 4'
    """
    t = finite("a time", times)
    temps = positive("temperature", temperatures)
    if t.ndim != 1 or t.shape != temps.shape:
        raise ValueError("a temperature log must have one time for each temperature")
    if np.any(temps > HOTTEST):
        raise ValueError("a reading must be a temperature that a machine can have")
    goals = positive("the window", [open_temperature, close_temperature])
    if goals[0] >= goals[1]:
        raise ValueError("the window must open below the temperature at which it closes")
    if not 0.0 < confidence < 1.0:
        raise ValueError("the confidence must lie between 0 and 1")
    positive("the span of readings", span)
    assumed = priors or WarmupPriors()

    order = np.argsort(t, kind="stable")
    t, temps = t[order], temps[order]
    if now is not None:
        seen = t <= float(finite("now", now))
        t, temps = t[seen], temps[seen]
    if t.size == 0:
        return WarmupForecast(0, f"too few readings: 0 of {ENOUGH}", float("nan"))
    stale = 0.0 if now is None else float(now) - float(t[-1])
    age = t[-1] - t
    used = (age <= span) | ((np.arange(t.size) >= t.size - FEWEST) & (age <= OLDEST))
    age, temps = age[used], temps[used]
    apart = int(np.unique(age).size)
    if apart < ENOUGH:
        return WarmupForecast(apart, f"too few readings: {apart} of {ENOUGH}", float(temps[-1]))

    while True:
        when, mean, weight, typical = _together(age, temps, assumed.noise)
        more = max(when.size - 3, 0)
        freedom = assumed.noise_weight + more
        noise = float(
            np.sqrt((assumed.noise_weight * assumed.noise**2 + more * typical**2) / freedom)
        )
        found = _weigh(when, mean, weight, noise, assumed)
        if found.time_constant >= SHARPEST or age.size < 2 * FEWEST:
            break
        age, temps = age[age.size // 2 :], temps[temps.size // 2 :]

    normal, exponential, uniform = _draws()
    shapes, start, rate = found.drawn(freedom, normal)
    drift = np.exp(assumed.drift * normal[:, 2])
    kink = exponential * assumed.kink_every
    kept = assumed.kink_least + (1.0 - assumed.kink_least) * uniform
    ahead = []
    for goal in goals:
        rise = goal - start
        # a rise at a slower rate is a longer one at the rate before
        longer = np.where(rise > kink, kink + (rise - kink) / kept, rise) / drift
        ahead.append(np.maximum(shapes.time_to_rise(longer, rate) - stale, 0.0))
    likely = np.where(np.isinf(ahead[1]), assumed.never, 1.0)
    return WarmupForecast(
        readings=int(age.size),
        reason="",
        temperature=found.temperature(stale),
        rate=float(found.weight @ (found.rate * found.shapes.rates(stale))),
        final=float(found.weight @ (found.now + found.rate * found.shapes.end)),
        time_constant=found.time_constant,
        noise=noise,
        to_open=_arrival(ahead[0], likely, confidence),
        to_close=_arrival(ahead[1], likely, confidence),
        weighed=replace(found, stale=stale),
    )
