"""Due dates of a large yard at once: the rule of `sumpwright.planning.due` on arrays.

Readings of all machines lie in three arrays sorted by machine and time. Machines are
taken in blocks that fit the cache; within a block every step runs over all machines
side by side. Machines whose readings contradict each other are cleaned one by one by
`sumpwright.planning.track.make_track`, the same routine that a single machine uses, and
are named in the result.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sumpwright.errors import Complaint
from sumpwright.planning.clock import DAY
from sumpwright.planning.many_forecasts import Block, FleetForecast, fit_block
from sumpwright.planning.odometer import HABITS, Habits
from sumpwright.planning.spans import later
from sumpwright.planning.track import (
    SLIP_SHARE,
    TOP_RATE,
    Meter,
    Reading,
    Replacement,
    make_track,
)

Array = NDArray[np.float64]
Index = NDArray[np.intp]
BLOCK = 8192
"""Machines per block."""
LIMITS = ("", "distance", "date")
"""Kinds of limit by their code in `ManyDue.limit`."""


@dataclass(frozen=True)
class Readings:
    """Readings of a meter: ``machine`` not falling, ``time`` in s, ``value`` in m or s.

    ``sure`` marks those that the user confirmed; none where it is left out.
    """

    machine: Index
    time: Array
    value: Array
    sure: NDArray[np.bool_] | None = None


@dataclass(frozen=True)
class Changes:
    """Past services, sorted by machine and time: ``total`` in m, ``share`` fresh share.

    The first change of a machine counts as a fill: older fluid is at least as old.
    """

    machine: Index
    time: Array
    total: Array
    share: Array


@dataclass(frozen=True)
class ManyLimits:
    """Intervals of each machine, m and s; NaN where there is none."""

    distance: Array
    time: Array


@dataclass(frozen=True)
class ManyDue:
    """Due dates of all machines, s since 1970; ``inf`` for never or not known.

    Parameters
    ----------
    early, likely, late : ndarray, shape (machines,)
        When the first limit is reached.
    limit : ndarray of int8, shape (machines,)
        Which limit that is, see `LIMITS`.
    distance : ndarray, shape (machines, 3)
        Early, likely, late by distance alone.
    date : ndarray, shape (machines,)
        By date alone.
    doubtful : ndarray of int
        Machines of which readings were kept out.
    """

    early: Array
    likely: Array
    late: Array
    limit: NDArray[np.int8]
    distance: Array
    date: Array
    doubtful: Index


def pick(severe: ArrayLike, normal: ArrayLike, strict: ArrayLike) -> Array:
    """Interval of each machine: the severe one where service is severe and one is given.

    Examples
    --------
    >>> pick([True, True, False], [6e7, 6e7, 6e7], [3e7, float("nan"), 3e7]).tolist()
    [30000000.0, 60000000.0, 60000000.0]
    """
    strict = np.asarray(strict, dtype=np.float64)
    use = np.asarray(severe, dtype=bool) & ~np.isnan(strict)
    return np.where(use, strict, np.asarray(normal, dtype=np.float64))


def due_many(
    count: int,
    readings: Readings,
    changes: Changes,
    limits: ManyLimits,
    now: float,
    tail: float | None = None,
    replacements: Mapping[int, Sequence[Replacement]] | None = None,
    habits: Habits = HABITS,
) -> ManyDue:
    """Work out when each of many machines is due.

    Parameters
    ----------
    count : int
        Number of machines; they are numbered from 0.
    readings : Readings
    changes : Changes
    limits : ManyLimits
    now : float
        s since 1970; readings after it are kept out.
    tail : float, optional
        Share that may be older than the limit; the mean age counts without it.
    replacements : mapping of machine to Replacements, optional
    habits : Habits

    Returns
    -------
    ManyDue

    Raises
    ------
    Complaint
        Arrays of unequal length, or machines out of order.

    Examples
    --------
    >>> year = 31_556_952.0
    >>> readings = Readings(np.array([0, 0]), np.array([0.0, year]), np.array([0.0, 2e7]))
    >>> changes = Changes(np.array([0]), np.array([0.0]), np.array([0.0]), np.array([1.0]))
    >>> found = due_many(1, readings, changes,
    ...                  ManyLimits(np.array([6e7]), np.array([4 * year])), year)
    >>> LIMITS[found.limit[0]], round(float(found.likely[0]) / year, 2)
    ('distance', 3.0)
    """
    _check(count, readings, changes, limits)
    starts = _starts(readings.machine, count)
    zero_time, zero_total = births(count, changes, tail)
    target = zero_total + limits.distance
    distance = np.full((count, 3), np.inf)
    doubtful: list[Index] = []
    # Cleaned and fitted block by block, so that a block is still in the cache when it is fitted.
    for first in range(0, count, BLOCK):
        last = min(first + BLOCK, count)
        block, odd = _block(readings, starts, first, last, now, replacements or {}, "distance")
        doubtful.append(odd)
        ahead = fit_block(block, habits)
        distance[first:last] = _reached(block, ahead, target[first:last])
    date = later(zero_time, limits.time)
    date[np.isnan(date)] = np.inf
    by_distance = distance[:, 1] <= date
    likely = np.minimum(distance[:, 1], date)
    # A tie goes to the limit whose earliest day comes first, as for one machine.
    tie = (distance[:, 1] == date) & (date < distance[:, 0])
    code = np.where(by_distance & ~tie, 1, 2).astype(np.int8)
    code[np.isinf(likely)] = 0
    return ManyDue(
        np.minimum(distance[:, 0], date),
        likely,
        np.minimum(distance[:, 2], date),
        code,
        distance,
        date,
        np.concatenate(doubtful) if doubtful else np.zeros(0, dtype=np.intp),
    )


def clean_many(
    count: int,
    readings: Readings,
    now: float,
    meter: Meter = "distance",
    replacements: Mapping[int, Sequence[Replacement]] | None = None,
) -> tuple[Readings, Index]:
    """Keep out of many machines' readings what cannot be, as `make_track` does for one.

    Parameters
    ----------
    count : int
    readings : Readings
        Sorted by machine, time and value.
    now : float
        s since 1970; later readings are kept out.
    meter : {'distance', 'hours', 'thermal'}
    replacements : mapping of machine to Replacements, optional

    Returns
    -------
    readings : Readings
        Totals that never fall.
    doubtful : ndarray of int
        Machines of which readings were kept out.

    Examples
    --------
    >>> days = np.array([0.0, 30.0, 60.0, 90.0]) * 86400
    >>> fell = Readings(np.zeros(4, np.intp), days, np.array([1e6, 2e6, 1e5, 3e6]))
    >>> clean_many(1, fell, 1e9)[0].value.tolist()
    [1000000.0, 2000000.0, 3000000.0]
    """
    starts = _starts(readings.machine, count)
    blocks, doubtful = [], []
    for first in range(0, count, BLOCK):
        last = min(first + BLOCK, count)
        block, odd = _block(readings, starts, first, last, now, replacements or {}, meter)
        blocks.append((block.who + first, block.time, block.value))
        doubtful.append(odd)
    if not blocks:
        return readings, np.zeros(0, dtype=np.intp)
    who, time, value = (np.concatenate(column) for column in zip(*blocks, strict=True))
    return Readings(who, time, value), np.concatenate(doubtful)


def levels_many(count: int, readings: Readings, machine: Index, time: Array) -> Array:
    """Totals of machines at moments, straight between cleaned readings, NaN outside them.

    Parameters
    ----------
    count : int
    readings : Readings
        As `clean_many` gives them.
    machine, time : ndarray, shape (moments,)
        In any order.

    Examples
    --------
    >>> two = Readings(np.zeros(2, np.intp), np.array([0.0, 10.0]), np.array([5.0, 7.0]))
    >>> levels_many(1, two, np.array([0, 0]), np.array([5.0, 11.0])).tolist()
    [6.0, nan]
    """
    out = np.full(len(time), np.nan)
    if not len(readings.time) or not len(time):
        return out
    starts = _starts(readings.machine, count)
    first, end = starts[machine], starts[machine + 1]
    zero = float(readings.time.min())
    stride = float(readings.time.max()) - zero + 1.0
    key = readings.machine * stride + (readings.time - zero)
    moment = np.clip(time - zero, 0.0, stride - 1.0)
    k = np.searchsorted(key, machine * stride + moment, side="right") - 1
    some = end > first
    k = np.clip(k, first, np.where(some, end - 1, first))
    k = np.where(some, k, 0)
    after = np.where(k + 1 < end, k + 1, k)
    t0, t1 = readings.time[k], readings.time[after]
    v0, v1 = readings.value[k], readings.value[after]
    slope = (v1 - v0) / np.where(t1 > t0, t1 - t0, 1.0)
    within = some & (time >= readings.time[np.where(some, first, 0)])
    within &= time <= readings.time[np.where(some, end - 1, 0)]
    out[within] = (v0 + slope * (time - t0))[within]
    return out


def reach_many(count: int, readings: Readings, targets: Array, habits: Habits = HABITS) -> Array:
    """Work out when many machines reach totals, several of them each.

    Parameters
    ----------
    count : int
    readings : Readings
        As `clean_many` gives them.
    targets : ndarray, shape (machines, targets)
        Totals, m or s; NaN for none.
    habits : Habits

    Returns
    -------
    moments : ndarray, shape (machines, targets, 3)
        Early, likely, late, s since 1970; ``inf`` for never or not known.

    Examples
    --------
    >>> year = 31_556_952.0
    >>> readings = Readings(np.array([0, 0]), np.array([0.0, year]), np.array([0.0, 2e7]))
    >>> reach_many(1, readings, np.array([[1e7, 6e7]]))[0, :, 1] / year
    array([0.5, 3. ])
    """
    starts = _starts(readings.machine, count)
    out = np.full((*targets.shape, 3), np.inf)
    for first in range(0, count, BLOCK):
        last = min(first + BLOCK, count)
        low, high = int(starts[first]), int(starts[last])
        block = Block(
            readings.machine[low:high] - first,
            readings.time[low:high],
            readings.value[low:high],
            starts[first : last + 1] - low,
        )
        ahead = fit_block(block, habits)
        for k in range(targets.shape[1]):
            out[first:last, k] = _reached(block, ahead, targets[first:last, k])
    return out


def _check(count: int, readings: Readings, changes: Changes, limits: ManyLimits) -> None:
    groups = (
        ("reading", (readings.machine, readings.time, readings.value)),
        ("service", (changes.machine, changes.time, changes.total, changes.share)),
    )
    for name, columns in groups:
        if len({len(column) for column in columns}) != 1:
            raise Complaint(f"the columns of the {name}s are not of one length", "give them whole")
        machine = columns[0]
        if len(machine) and (
            machine[0] < 0 or machine[-1] >= count or np.any(np.diff(machine) < 0)
        ):
            raise Complaint(
                f"the {name}s are not sorted by machine", "sort them by machine and time"
            )
    if len(limits.distance) != count or len(limits.time) != count:
        raise Complaint("there is not one limit for each machine", "give one of each per machine")


def _starts(machine: Index, count: int) -> Index:
    return np.concatenate([[0], np.cumsum(np.bincount(machine, minlength=count))]).astype(np.intp)


def births(count: int, changes: Changes, tail: float | None) -> tuple[Array, Array]:
    """Where the clock of each machine was at zero: s since 1970, and m; NaN if unknown.

    Examples
    --------
    >>> changes = Changes(np.array([0, 0]), np.array([0.0, 100.0]), np.array([0.0, 8e7]),
    ...                   np.array([1.0, 0.4]))
    >>> [round(float(x[0])) for x in births(1, changes, None)]
    [40, 32000000]
    """
    starts = _starts(changes.machine, count)
    rank = np.arange(len(changes.machine)) - starts[changes.machine]
    share = np.where(rank == 0, 1.0, changes.share)
    time, total = np.full(count, np.nan), np.full(count, np.nan)
    order = np.argsort(rank, kind="stable")
    edges = np.concatenate([[0], np.cumsum(np.bincount(rank))]) if len(rank) else [0]
    for low, high in pairwise(edges):
        rows = order[low:high]
        who, fresh = changes.machine[rows], share[rows]
        # A full change forgets what was there, even where that was unknown.
        for into, born in ((time, changes.time[rows]), (total, changes.total[rows])):
            kept = np.where(fresh < 1, (1 - fresh) * into[who], 0.0)
            into[who] = kept + np.where(fresh > 0, fresh * born, 0.0)
    if tail is None:
        return time, total
    # A part of unknown birth may be the oldest, so then nothing is known of the tail either.
    reached = _tail_births(count, changes, share, starts, tail)
    return (
        np.where(np.isnan(time), np.nan, reached[0]),
        np.where(np.isnan(total), np.nan, reached[1]),
    )


def _tail_births(
    count: int, changes: Changes, share: Array, starts: Index, tail: float
) -> tuple[Array, Array]:
    """Birth that all but ``tail`` of the fluid does not precede."""
    kept = np.ones(count)
    weight = np.empty(len(share))
    rank_from_end = starts[changes.machine + 1] - 1 - np.arange(len(share))
    passed, chosen = np.zeros(count), np.full(count, -1, dtype=np.intp)
    order = np.argsort(rank_from_end, kind="stable")
    edges = np.concatenate([[0], np.cumsum(np.bincount(rank_from_end))]) if len(share) else [0]
    for low, high in pairwise(edges):
        rows = order[low:high]
        who = changes.machine[rows]
        weight[rows] = kept[who] * share[rows]
        kept[who] *= 1 - share[rows]
        passed[who] += weight[rows]
        reached = (passed[who] >= 1 - tail - 1e-12) & (weight[rows] > 0) & (chosen[who] < 0)
        chosen[who[reached]] = rows[reached]
    have = chosen >= 0
    time, total = np.full(count, np.nan), np.full(count, np.nan)
    time[have], total[have] = changes.time[chosen[have]], changes.total[chosen[have]]
    return time, total


def _block(
    readings: Readings,
    starts: Index,
    first: int,
    last: int,
    now: float,
    replacements: Mapping[int, Sequence[Replacement]],
    meter: Meter,
) -> tuple[Block, Index]:
    """Readings of a block of machines, cleaned; and the machines that lost a reading."""
    low, high = int(starts[first]), int(starts[last])
    who = readings.machine[low:high] - first
    time, value = readings.time[low:high], readings.value[low:high]
    local = starts[first : last + 1] - low
    odd = _odd(who, time, value, local, now, meter)
    odd |= np.isin(np.arange(first, last), np.fromiter(replacements, dtype=np.intp))
    machines = np.flatnonzero(odd)
    if not len(machines):
        return Block(who, time, value, local), np.zeros(0, dtype=np.intp)
    keep = np.ones(len(who), dtype=bool)
    time, value = time.copy(), value.copy()
    lost = []
    for machine in machines:
        a, b = int(local[machine]), int(local[machine + 1])
        sure = np.zeros(b - a, dtype=bool) if readings.sure is None else readings.sure[low:][a:b]
        given = [
            Reading(float(t), float(v), bool(s))
            for t, v, s in zip(time[a:b], value[a:b], sure, strict=True)
        ]
        track = make_track(given, replacements.get(first + int(machine), ()), now, meter)
        time[a : a + len(track)], value[a : a + len(track)] = track.times, track.totals
        keep[a + len(track) : b] = False
        if track.kept_out:
            lost.append(first + int(machine))
    who, time, value = who[keep], time[keep], value[keep]
    return Block(who, time, value, _starts(who, last - first)), np.array(lost, dtype=np.intp)


def _odd(
    who: Index, time: Array, value: Array, local: Index, now: float, meter: Meter
) -> NDArray[np.bool_]:
    """Machines with a reading that `make_track` may have to keep out."""
    count = len(local) - 1
    bad = np.zeros(count, dtype=bool)
    if not len(who):
        return bad
    wrong = ~np.isfinite(value) | (value < 0) | (time > now)
    same = who[1:] == who[:-1]
    span, rise = np.diff(time), np.diff(value)
    with np.errstate(invalid="ignore"):
        clash = (rise < 0) | (span < 0) | ((span == 0) & (rise == 0))
        clash |= rise > TOP_RATE[meter] * (span + DAY)
    bad[who[wrong]] = True
    bad[who[1:][same & clash]] = True
    if meter != "distance":
        return bad
    several = np.flatnonzero(np.diff(local) >= 4)
    end = local[several + 1] - 1
    with np.errstate(invalid="ignore"):
        leaps = value[end] - value[end - 1] >= SLIP_SHARE * value[end]
    bad[several[leaps]] = True
    return bad


def _reached(block: Block, ahead: FleetForecast, target: Array) -> Array:
    """Early, likely and late moment at which each machine reaches its target."""
    out = np.full((len(target), 3), np.inf)
    some = (np.diff(block.starts) > 0) & ~np.isnan(target)
    end = np.where(some, block.starts[1:] - 1, 0)
    highest = block.value[end] if len(block.value) else np.zeros(len(target))
    past = some & (target <= highest)
    coming = some & ~past & ahead.known
    out[coming] = ahead.reach(target, coming)
    if past.any():
        out[past] = _crossings(block, target, past)[:, None]
    return out


def _crossings(block: Block, target: Array, past: NDArray[np.bool_]) -> Array:
    machines = np.flatnonzero(past)
    goal = np.full(len(target), -np.inf)
    goal[machines] = target[machines]
    below = np.bincount(block.who, block.value < goal[block.who], len(target)).astype(np.intp)
    start, under = block.starts[machines], below[machines]
    k = start + under
    before = np.where(under > 0, k - 1, k)
    low, high = block.value[before], block.value[k]
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.where(under > 0, (target[machines] - low) / (high - low), 0.0)
    return np.asarray(block.time[before] + share * (block.time[k] - block.time[before]))
