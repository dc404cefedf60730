"""What serves a machine in the long run: interval × method × horizon.

A policy replaces the share f of the fluid every Δ. Where it settles follows from
`sumpwright.physics.ageing.renewal`; the way there, and what it costs within the
horizon, from the mean age that the ledger shows today.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sumpwright.errors import Complaint
from sumpwright.physics import ageing
from sumpwright.planning.clock import YEAR
from sumpwright.planning.fluid_history import last_change
from sumpwright.planning.ledger import Ledger, Measure
from sumpwright.planning.said import Said, said

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Method:
    """A way of changing the fluid.

    Parameters
    ----------
    name : str
    share : float
        Fresh share f; ``low`` and ``high`` its 5 and 95 % points where they are known.
    volume : float
        New fluid of one service, m³.
    cost : float
        Money for one service, fluid and consumables.
    minutes : float
        Work, min.
    """

    name: str
    share: float
    volume: float
    cost: float
    minutes: float = 0.0
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True)
class Policies:
    """A table of policies; every array has the shape (methods, intervals).

    Ages in the unit of the intervals (m or s), shares in [0, 1], volumes in m³,
    ``per_year`` values for the use given. ``best`` marks the policies that no other
    beats in money a year, peak age and share overdue at once; ``within`` those that keep
    to the limit once settled: by their mean age, or where ``tail`` is set by the share of
    the fluid that is older than the limit just before a service. ``breaks`` tells the same
    of each further limit, the other way round.
    """

    methods: tuple[Method, ...]
    intervals: Array
    limit: float
    horizon: float
    mean_age: Array
    peak_age: Array
    peak_low: Array
    peak_high: Array
    overdue: Array
    overdue_peak: Array
    services_per_year: Array
    volume_per_year: Array
    cost_per_year: Array
    minutes_per_year: Array
    services: Array
    cost: Array
    volume: Array
    horizon_mean: Array
    horizon_peak: Array
    best: NDArray[np.bool_]
    within: NDArray[np.bool_]
    tail: float | None = None
    breaks: tuple[NDArray[np.bool_], ...] = ()

    def rows(self) -> list[dict[str, Any]]:
        """Return the table row by row, cheapest first.

        ``breaks`` of a row lists the places of the further limits that it breaks.
        """
        names = (
            "mean_age", "peak_age", "peak_low", "peak_high", "overdue", "overdue_peak",
            "services_per_year", "volume_per_year", "cost_per_year", "minutes_per_year",
            "services", "cost", "volume", "horizon_mean", "horizon_peak",
        )  # fmt: skip
        out: list[dict[str, Any]] = []
        for m, method in enumerate(self.methods):
            for i, interval in enumerate(self.intervals):
                row: dict[str, Any] = {
                    "method": method.name,
                    "share": method.share,
                    "interval": float(interval),
                }
                row |= {name: float(getattr(self, name)[m, i]) for name in names}
                row |= {"best": bool(self.best[m, i]), "within": bool(self.within[m, i])}
                row["breaks"] = [k for k, broken in enumerate(self.breaks) if broken[m, i]]
                out.append(row)
        return sorted(out, key=lambda row: float(row["cost_per_year"]))


def policies(
    methods: Sequence[Method],
    intervals: ArrayLike,
    limit: float,
    per_year: float,
    horizon: float = 10.0 * YEAR,
    mean_age_now: float = 0.0,
    age_since_service: float = 0.0,
    tail: float | None = None,
    others: Sequence[tuple[float, float | None]] = (),
) -> Policies:
    """Compare every method at every interval.

    Parameters
    ----------
    methods : sequence of Method
    intervals : array_like, shape (n,)
        Distance, running time or calendar time between services, m or s.
    limit : float
        Age that the fluid should not pass, in the same unit.
    per_year : float
        Use in a year in the same unit; `YEAR` for calendar intervals.
    horizon : float
        How far to look, s.
    mean_age_now : float
        Mean age of the fluid today, from the ledger.
    age_since_service : float
        How much of the first interval has already gone.
    tail : float, optional
        Share of the fluid that may be older than the limit; without it the mean age counts.
    others : sequence of (limit, tail)
        Further limits in the same unit, which a policy may break.

    Returns
    -------
    Policies

    Raises
    ------
    Complaint
        An interval, share, limit or use that is not above zero.

    Examples
    --------
    >>> half = Method("drain and refill", 0.4, 0.0036, 60.0)
    >>> whole = Method("line discharges", 0.9, 0.0120, 190.0)
    >>> table = policies([half, whole], [2.4e7, 6e7], limit=6e7, per_year=2e7)
    >>> table.peak_age.round(-5).tolist()
    [[60000000.0, 150000000.0], [26700000.0, 66700000.0]]
    >>> table.within.tolist()
    [[True, False], [True, False]]
    """
    gaps = np.atleast_1d(np.asarray(intervals, dtype=np.float64))
    _check(methods, gaps, limit, per_year, horizon, tail)
    share = np.array([m.share for m in methods])[:, None]
    delta = gaps[None, :]
    settled = ageing.renewal(share, delta, limit)
    low = np.array([m.low if m.low is not None else m.share for m in methods])[:, None]
    high = np.array([m.high if m.high is not None else m.share for m in methods])[:, None]
    yearly = np.broadcast_to(per_year / delta, settled.mean.shape)
    volume = np.array([m.volume for m in methods])[:, None]
    cost = np.array([m.cost for m in methods])[:, None]
    minutes = np.array([m.minutes for m in methods])[:, None]
    run = horizon / YEAR * per_year
    first = np.maximum(delta - age_since_service, 0.0)
    count = np.where(run >= first, np.floor((run - first) / delta + 1e-9) + 1, 0.0)
    count = np.broadcast_to(count, settled.mean.shape)
    mean, peak = _transient(share, delta, first, run, count, mean_age_now)
    over = settled.overdue if tail is None else settled.overdue_before
    return Policies(
        tuple(methods),
        gaps,
        limit,
        horizon,
        settled.mean,
        settled.mean_before,
        delta / np.maximum(high, 1e-9),
        delta / np.maximum(low, 1e-9),
        settled.overdue,
        settled.overdue_before,
        yearly,
        yearly * volume,
        yearly * cost,
        yearly * minutes,
        count,
        count * cost,
        count * volume,
        mean,
        peak,
        pareto(np.stack([yearly * cost, settled.mean_before, over], axis=-1)),
        keeps(share, delta, limit, tail),
        tail,
        tuple(~keeps(share, delta, *other) for other in others),
    )


def keeps(
    share: ArrayLike, interval: ArrayLike, limit: float, tail: float | None = None
) -> NDArray[np.bool_]:
    """Whether services of a share at an interval keep to a limit once settled.

    Parameters
    ----------
    share, interval : array_like
        Fresh share f in (0, 1], and interval Δ in the unit of the limit; they broadcast.
    limit : float
    tail : float, optional
        Share that may be older than the limit; without it the mean age Δ/f counts.

    Examples
    --------
    >>> keeps(0.4, [2.4e7, 3e7], 6e7).tolist(), bool(keeps(0.4, 2.4e7, 6e7, tail=0.3))
    ([True, False], False)
    """
    settled = ageing.renewal(share, interval, limit)
    if tail is not None:
        return settled.overdue_before <= tail + 1e-9
    return settled.mean_before <= limit * (1 + 1e-9)


def longest_interval(share: float, limit: float, tail: float | None = None) -> float:
    """Longest interval of services of one share that keeps to a limit once settled.

    By the mean age Δ/f ≤ L, so Δ = f·L. Where the share older than the limit may be t,
    it is (1 − f)ⁿ just before a service with n = ⌊L/Δ⌋, so Δ = L/n with the least n for
    which (1 − f)ⁿ ≤ t.

    Parameters
    ----------
    share : float
        Fresh share f of a service, in (0, 1].
    limit : float
        L, in any unit of age.
    tail : float, optional
        t, in [0, 1).

    Returns
    -------
    float
        Δ in the unit of the limit; zero where no interval will do.

    References
    ----------
    Sums of geometric series, as `sumpwright.physics.ageing.renewal`.

    Examples
    --------
    >>> longest_interval(0.4, 6e7), longest_interval(0.4, 6e7, tail=0.3)
    (24000000.0, 20000000.0)
    >>> longest_interval(0.4, 6e7, tail=0.0), longest_interval(1.0, 6e7, tail=0.0)
    (0.0, 60000000.0)
    """
    if tail is None:
        return share * limit
    if share >= 1:
        return limit
    if tail <= 0:
        return 0.0
    # The nudge keeps a tail of 0.6 ** 3 at three services.
    return limit / max(1, math.ceil(math.log(tail) / math.log1p(-share) - 1e-9))


def _check(
    methods: Sequence[Method],
    gaps: Array,
    limit: float,
    per_year: float,
    horizon: float,
    tail: float | None,
) -> None:
    if not methods:
        raise Complaint("no method to compare", "give one at least")
    for method in methods:
        if not 0 < method.share <= 1:
            raise Complaint(
                f"{method.name}: a fresh share of {method.share:g}", "give one above 0, up to 1"
            )
    numbers: dict[str, Array | float] = {
        "an interval": gaps,
        "the limit": limit,
        "the use in a year": per_year,
        "the horizon": horizon,
    }
    if tail is not None and not 0 <= tail < 1:
        raise Complaint("the share allowed to be older is not from 0 to below 1", "correct it")
    for name, value in numbers.items():
        numbers_of = np.asarray(value, dtype=np.float64)
        if not np.all(np.isfinite(numbers_of)) or np.any(numbers_of <= 0):
            raise Complaint(f"{name} is not above zero", "correct it")


def _transient(
    share: Array, delta: Array, first: Array, run: float, count: Array, age: float
) -> tuple[Array, Array]:
    """Mean over the horizon, and peak, of the mean age, from today's fluid on.

    Before service k (from 1) the age is m_k = r^(k−1) m_1 + Δ (1 − r^(k−1))/f with
    r = 1 − f and m_1 = age + first; between services it climbs by what is driven.
    """
    kept = 1 - share
    shape = np.broadcast_shapes(share.shape, delta.shape)
    start = np.broadcast_to(age + first, shape)
    settled = delta / share
    n = np.maximum(count, 1.0)
    # Monotone towards Δ/f, so the peak is the first or the last age before a service.
    last_before = settled + kept ** (n - 1) * (start - settled)
    rest = run - (first + (n - 1) * delta)
    end_age = np.where(count > 0, kept * last_before + rest, age + run)
    peak = np.where(count > 0, np.maximum(np.maximum(start, last_before), end_age), age + run)
    # Area under the saw: the piece before the first service, whole teeth, the last piece.
    decay = np.where(share < 1, (1 - kept ** (n - 1)) / share, np.minimum(n - 1, 1.0))
    sum_before = (n - 1) * settled + (start - settled) * decay
    teeth = delta * (kept * sum_before + 0.5 * (n - 1) * delta)
    head = first * (age + 0.5 * first)
    tail = rest * (kept * last_before + 0.5 * rest)
    area = np.where(count > 0, head + teeth + tail, run * (age + 0.5 * run))
    return area / run, peak


def pareto(costs: ArrayLike) -> NDArray[np.bool_]:
    """Mark the rows that no other row beats or equals everywhere and beats somewhere.

    Parameters
    ----------
    costs : array_like, shape (..., criteria)
        All to be made small.

    Returns
    -------
    ndarray of bool, shape (...)

    Examples
    --------
    >>> pareto([[1.0, 3.0], [2.0, 2.0], [2.0, 3.0]]).tolist()
    [True, True, False]
    """
    table = np.asarray(costs, dtype=np.float64)
    flat = table.reshape(-1, table.shape[-1])
    # 1e-12 relative: equal ages from different roundings are equal.
    slack = 1e-12 * np.abs(flat)
    best = np.empty(len(flat), dtype=bool)
    for i, row in enumerate(flat):
        no_worse = np.all(flat <= row + slack[i], axis=1)
        better = np.any(flat < row - slack[i], axis=1)
        best[i] = not np.any(no_worse & better)
    return best.reshape(table.shape[:-1])


@dataclass(frozen=True)
class Habit:
    """If you do what you did last time."""

    share: float
    interval: float
    mean_age: float
    peak_age: float
    overdue: float
    says: Said


def if_as_last_time(book: Ledger, measure: Measure, limit: float) -> Habit | None:
    """Say where the last service, repeated at its own interval, leads.

    Parameters
    ----------
    book : Ledger
    measure : {'time', 'distance', 'hours', 'thermal'}
    limit : float
        Interval of the manual on that scale.

    Returns
    -------
    Habit or None
        ``None`` unless two services, or a first fill and a service, are known on the scale.

    Examples
    --------
    >>> from datetime import date
    >>> from sumpwright.planning.ledger import Happening, keep
    >>> book = keep(0.009, [Happening(date(2015, 1, 1), "filled", distance=0.0),
    ...                     Happening(date(2020, 1, 1), "changed", 0.0036, distance=6e7)])
    >>> print(if_as_last_time(book, "distance", 6e7).says)
    If you do what you did last time, 40 % every 60 000 km, the fluid will be 150 000 km old \
before each change, and 60 % of it older than 60 000 km.
    """
    index = last_change(book)
    if index is None:
        return None
    step = book.steps[index]
    earlier = [
        s.point.on(measure) for s in book.steps[:index] if s.happening.what in ("changed", "filled")
    ]
    if not earlier and book.batches and not book.batches[0].at_least:
        earlier = [book.batches[0].born.on(measure)]
    if not earlier or step.share <= 0:
        return None
    interval = step.point.on(measure) - earlier[-1]
    if not math.isfinite(interval) or interval <= 0:
        return None
    where = ageing.renewal(step.share, interval, limit)
    kind = measure
    says = said(
        f"If you do what you did last time, {{share:share}} every {{interval:{kind}}}, the fluid "
        f"will be {{peak:{kind}}} old before each change, and {{overdue:share}} of it older than "
        f"{{limit:{kind}}}.",
        share=step.share,
        interval=interval,
        peak=float(where.mean_before),
        overdue=float(where.overdue_before),
        limit=limit,
    )
    return Habit(
        step.share,
        interval,
        float(where.mean),
        float(where.mean_before),
        float(where.overdue_before),
        says,
    )
