"""How much heat a fluid has seen, and how old the mixture in the machine is.

Thermal age weighs each second by a rate that doubles every so many kelvins. A doubling
every 10 K is common practice, no source: it is a default for the user to change, and
every answer built on it says so.

The age of a mixture follows from the shares of the batches that it is made of: batches
stay in the books after a partial change, so a service never makes the fluid new, it makes
it younger.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from sumpwright.physics.checks import Array, finite, not_negative, positive, share

__all__ = [
    "DOUBLING_STEP",
    "Renewal",
    "age_quantile",
    "ageing_rate",
    "ages_before_service",
    "mean_age",
    "renewal",
    "share_older_than",
    "thermal_age",
    "thermal_age_of_histogram",
]

DOUBLING_STEP = 10.0
"""Kelvins per doubling of the rate of ageing: common practice, no source."""


def _exponential_mean(x: Array) -> Array:
    """Mean of e^s for s from 0 to x, which is (e^x − 1)/x."""
    small = np.abs(x) < 1e-8
    safe = np.where(small, 1.0, x)
    return np.where(small, 1.0 + 0.5 * x, np.expm1(safe) / safe)


def ageing_rate(
    temperature: ArrayLike, reference: ArrayLike, step: ArrayLike = DOUBLING_STEP
) -> Array:
    """Rate of ageing relative to a reference temperature, ``2^((T − T_ref)/step)``.

    Parameters
    ----------
    temperature : array_like
        Temperature of the fluid [K].
    reference : array_like
        Temperature at which the rate is 1 [K].
    step : array_like
        Kelvins per doubling [K]. All arguments broadcast.

    Returns
    -------
    ndarray of float
        Rate, broadcast shape.

    Raises
    ------
    ValueError
        If an argument is not finite or not above zero.

    References
    ----------
    Doubling per 10 K: common practice, no source.

    Examples
    --------
    >>> float(ageing_rate(383.15, 363.15))
    4.0
    """
    t = positive("temperature", temperature) - positive("the reference temperature", reference)
    return np.exp2(t / positive("the doubling step", step))


def thermal_age(
    times: ArrayLike,
    temperatures: ArrayLike,
    reference: float,
    step: float = DOUBLING_STEP,
) -> Array:
    """Thermal age gathered over a temperature log.

    Integrates ``∫ 2^((T(t) − T_ref)/step) dt`` exactly for a temperature that runs
    straight from one reading to the next: each piece gives
    ``Δt · r₀ · (e^x − 1)/x`` with ``x = ln 2 · ΔT/step`` and r₀ the rate at its start.
    (The trapezoid on the rate itself overstates every piece that is not level.)

    Parameters
    ----------
    times : array_like, shape (n,)
        Times of the readings [s], not falling.
    temperatures : array_like, shape (..., n)
        Temperatures [K].
    reference : float
        Temperature at which one second counts as one second [K].
    step : float
        Kelvins per doubling [K].

    Returns
    -------
    ndarray of float, shape (...)
        Thermal age [s], equivalent seconds at `reference`. Zero for a single reading.

    Raises
    ------
    ValueError
        If there is no reading, the shapes disagree, a time runs backwards, or a value
        is not finite or not above zero.

    References
    ----------
    Doubling per 10 K: common practice, no source. The integral is elementary.

    Examples
    --------
    An hour from 80 to 100 °C ages the fluid as 2.16 hours at 80 °C do:

    >>> round(float(thermal_age([0.0, 3600.0], [353.15, 373.15], 353.15)) / 3600, 2)
    2.16
    """
    t = finite("a time", times)
    temps = positive("temperature", temperatures)
    if t.ndim != 1 or t.size == 0 or temps.ndim == 0 or temps.shape[-1] != t.size:
        raise ValueError("a temperature log must have one time for each temperature")
    spans = np.diff(t)
    if np.any(spans < 0):
        raise ValueError("the times of a temperature log must not run backwards")
    rate = ageing_rate(temps, reference, step)
    x = np.log(2.0) * np.diff(temps, axis=-1) / positive("the doubling step", step)
    out: Array = np.sum(spans * rate[..., :-1] * _exponential_mean(x), axis=-1)
    return out


def thermal_age_of_histogram(
    edges: ArrayLike,
    durations: ArrayLike,
    reference: float,
    step: float = DOUBLING_STEP,
) -> Array:
    """Thermal age from the time spent in bands of temperature.

    Within a band every temperature is taken as equally likely, so a band from T₀ to T₁
    ages at ``r(T₀) · (e^x − 1)/x`` with ``x = ln 2 · (T₁ − T₀)/step``.

    Parameters
    ----------
    edges : array_like, shape (n + 1,)
        Edges of the bands [K], rising; two equal edges are a single temperature.
    durations : array_like, shape (..., n)
        Time spent in each band [s].
    reference : float
        Temperature at which one second counts as one second [K].
    step : float
        Kelvins per doubling [K].

    Returns
    -------
    ndarray of float, shape (...)
        Thermal age [s], equivalent seconds at `reference`.

    Raises
    ------
    ValueError
        If the shapes disagree, the edges fall, a duration is negative, or a value is
        not finite or not above zero.

    References
    ----------
    Doubling per 10 K: common practice, no source. The integral is elementary.

    Examples
    --------
    >>> edges = [333.15, 353.15, 373.15]
    >>> round(float(thermal_age_of_histogram(edges, [10.0, 5.0], 353.15)), 2)
    16.23
    """
    e = positive("temperature", edges)
    spent = not_negative("the time spent in a band", durations)
    if e.ndim != 1 or e.size < 2 or spent.ndim == 0 or spent.shape[-1] != e.size - 1:
        raise ValueError("a histogram of n bands must have n durations and n + 1 edges")
    if np.any(np.diff(e) < 0):
        raise ValueError("the edges of the bands must rise")
    x = np.log(2.0) * np.diff(e) / positive("the doubling step", step)
    out: Array = np.sum(
        spent * ageing_rate(e[:-1], reference, step) * _exponential_mean(x), axis=-1
    )
    return out


def _mixture(shares: ArrayLike, ages: ArrayLike) -> tuple[Array, Array]:
    part = not_negative("the share of a batch", shares)
    old = finite("the age of a batch", ages)
    if part.ndim == 0 or old.ndim == 0 or part.shape[-1] == 0 or part.shape[-1] != old.shape[-1]:
        raise ValueError("a composition must have one age for each share")
    total = part.sum(axis=-1, keepdims=True)
    if np.any(np.abs(total - 1.0) > 1e-6):
        raise ValueError("the shares of a composition must add up to 1")
    both = np.broadcast_arrays(part / total, old)
    return both[0], both[1]


def mean_age(shares: ArrayLike, ages: ArrayLike) -> Array:
    """Mean age of a mixture, ``Σ share · age``.

    Parameters
    ----------
    shares : array_like, shape (..., batches)
        Share of each batch; they add up to 1 along the last axis.
    ages : array_like, shape (..., batches)
        Age of each batch, in any one unit: seconds, metres run, thermal seconds.

    Returns
    -------
    ndarray of float, shape (...)
        Mean age, in the unit of `ages`.

    Raises
    ------
    ValueError
        If the shapes disagree, a share is negative, the shares do not add up to 1, or a
        value is not finite.

    References
    ----------
    Definition.

    Examples
    --------
    >>> round(float(mean_age([0.6, 0.4], [0.0, 60.0])), 9)
    24.0
    """
    part, old = _mixture(shares, ages)
    out: Array = np.sum(part * old, axis=-1)
    return out


def share_older_than(shares: ArrayLike, ages: ArrayLike, limit: ArrayLike) -> Array:
    """Share of a mixture that is older than a limit.

    Parameters
    ----------
    shares : array_like, shape (..., batches)
        Share of each batch; they add up to 1 along the last axis.
    ages : array_like, shape (..., batches)
        Age of each batch, in any one unit.
    limit : array_like, shape (...)
        Age that is still allowed, in the unit of `ages`.

    Returns
    -------
    ndarray of float, shape (...)
        Share that is strictly older.

    Raises
    ------
    ValueError
        As `mean_age`, or if the limit is not finite.

    References
    ----------
    Definition.

    Examples
    --------
    >>> round(float(share_older_than([0.6, 0.3, 0.1], [0.0, 60.0, 120.0], 60.0)), 9)
    0.1
    """
    part, old = _mixture(shares, ages)
    over = old > finite("the age limit", limit)[..., None]
    out: Array = np.sum(np.where(over, part, 0.0), axis=-1)
    return out


def age_quantile(shares: ArrayLike, ages: ArrayLike, q: float) -> Array:
    """Age that a share `q` of the mixture does not exceed.

    The smallest batch age whose batches, with all younger ones, make up at least `q` of
    the mixture: ``q = 0.5`` is the median drop of fluid, ``q = 1`` the oldest one.

    Parameters
    ----------
    shares : array_like, shape (..., batches)
        Share of each batch; they add up to 1 along the last axis.
    ages : array_like, shape (..., batches)
        Age of each batch, in any one unit.
    q : float
        Share in [0, 1].

    Returns
    -------
    ndarray of float, shape (...)
        Age, in the unit of `ages`. Batches with no share are passed over.

    Raises
    ------
    ValueError
        As `mean_age`, or if `q` leaves [0, 1].

    References
    ----------
    The inverse of the distribution function, as in any textbook of statistics.

    Examples
    --------
    >>> float(age_quantile([0.6, 0.3, 0.1], [0.0, 60.0, 120.0], 0.7))
    60.0
    """
    part, old = _mixture(shares, ages)
    wanted = float(share("the quantile", q))
    order = np.argsort(old, axis=-1, kind="stable")
    sorted_ages = np.take_along_axis(old, order, axis=-1)
    sorted_parts = np.take_along_axis(part, order, axis=-1)
    below = np.cumsum(sorted_parts, axis=-1)
    reached = (below >= wanted - 1e-12) & (sorted_parts > 0)
    first = np.argmax(reached, axis=-1)
    out: Array = np.take_along_axis(sorted_ages, first[..., None], axis=-1)[..., 0]
    return out


def ages_before_service(replaced: ArrayLike, interval: ArrayLike, services: int) -> Array:
    """Mean age just before each of the first services, starting with all-new fluid.

    A service keeps ``1 − f`` of the fluid, which then ages by Δ until the next one:
    ``m₁ = Δ`` and ``m_(k+1) = (1 − f) m_k + Δ``, so ``m_k = Δ (1 − (1 − f)^k) / f``, which
    tends to ``Δ/f``.

    Parameters
    ----------
    replaced : array_like
        Share f of the fluid that a service replaces, in (0, 1].
    interval : array_like
        Interval Δ between services, in any unit of age. Broadcasts with `replaced`.
    services : int
        Number of services, at least 1.

    Returns
    -------
    ndarray of float, shape (..., services)
        Mean age before the first, second, … service.

    Raises
    ------
    ValueError
        If the share leaves (0, 1], the interval is not above zero, a value is not finite
        or there is no service.

    References
    ----------
    The sum of a geometric series.

    Examples
    --------
    >>> ages_before_service(0.5, 60.0, 4).tolist()
    [60.0, 90.0, 105.0, 112.5]
    """
    f, delta = _policy(replaced, interval)
    if services < 1:
        raise ValueError("at least one service must be asked for")
    k = np.arange(1, services + 1)
    out: Array = (delta / f)[..., None] * (1.0 - (1.0 - f)[..., None] ** k)
    return out


@dataclass(frozen=True)
class Renewal:
    """Where a policy of partial changes settles.

    Ages are in the unit of the interval; every field has the broadcast shape of the
    arguments of `renewal`.

    Parameters
    ----------
    mean_before : ndarray of float
        Mean age just before a service, which is its peak: Δ/f.
    mean_after : ndarray of float
        Mean age just after a service: (1 − f) Δ/f.
    mean : ndarray of float
        Mean age over all time: Δ/f − Δ/2.
    overdue_before : ndarray of float
        Share older than the limit just before a service, its peak.
    overdue_after : ndarray of float
        Share older than the limit just after a service.
    overdue : ndarray of float
        Share older than the limit, over all time.
    """

    mean_before: Array
    mean_after: Array
    mean: Array
    overdue_before: Array
    overdue_after: Array
    overdue: Array


def renewal(replaced: ArrayLike, interval: ArrayLike, limit: ArrayLike) -> Renewal:
    """Ages and overdue shares in the long run, when a share is replaced at each interval.

    In the long run, just after a service, a share ``f (1 − f)^j`` of the fluid went in j
    services before. With ``n = ⌊limit/Δ⌋`` whole intervals in the limit, the share older
    than it is ``(1 − f)^n`` just before a service and ``(1 − f)^(n+1)`` just after. Fluid
    that has just reached the limit is not yet over it.

    Parameters
    ----------
    replaced : array_like
        Share f of the fluid that a service replaces, in (0, 1].
    interval : array_like
        Interval Δ between services, in any unit of age.
    limit : array_like
        Age that is still allowed, in the same unit. All arguments broadcast.

    Returns
    -------
    Renewal
        Ages and shares, broadcast shape.

    Raises
    ------
    ValueError
        If the share leaves (0, 1], the interval is not above zero, the limit is negative
        or a value is not finite.

    References
    ----------
    Sums of geometric series over the ages of the batches.

    Examples
    --------
    Replacing 42 % at each limit's worth of use leaves most of the fluid overdue:

    >>> r = renewal(0.42, 60.0, 60.0)
    >>> round(float(r.mean_before), 1), round(float(r.overdue_before), 2)
    (142.9, 0.58)
    """
    f, delta = _policy(replaced, interval)
    allowed = not_negative("the age limit", limit)
    f, delta, allowed = np.broadcast_arrays(f, delta, allowed)
    # The limit counted in intervals; the nudge keeps 0.3/0.1 at three of them.
    ratio = allowed / delta
    n = np.floor(ratio + 1e-9)
    rest = np.clip(ratio - n, 0.0, 1.0)
    kept = 1.0 - f
    mean_before = delta / f
    return Renewal(
        mean_before=mean_before,
        mean_after=kept * mean_before,
        mean=mean_before - 0.5 * delta,
        overdue_before=kept**n,
        overdue_after=kept ** (n + 1.0),
        overdue=rest * kept ** (n + 1.0) + (1.0 - rest) * kept**n,
    )


def _policy(replaced: ArrayLike, interval: ArrayLike) -> tuple[Array, Array]:
    f = positive("the share replaced", replaced)
    if np.any(f > 1.0):
        raise ValueError("the share replaced must lie between 0 and 1")
    delta = positive("the interval", interval)
    both = np.broadcast_arrays(f, delta)
    return both[0], both[1]
