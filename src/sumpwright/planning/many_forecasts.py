"""The forecast of `sumpwright.planning.odometer` for a block of machines side by side.

Every quantity has one row per machine; months are columns, the newest one last, so
that column c holds the phase c mod 12 of the year that follows the last reading.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sumpwright.planning.clock import MONTH, YEAR
from sumpwright.planning.odometer import (
    CELLS,
    FLOOR,
    RATE_CELLS,
    SHORT_CELLS,
    SHORTEST,
    WIDEST_GAP,
    Habits,
    quantile_for,
    roots,
    skew_shift,
)

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Mask = NDArray[np.bool_]


@dataclass(frozen=True)
class Block:
    """Readings of a block: machine from 0, time in s, total in m; where each begins."""

    who: Index
    time: Array
    value: Array
    starts: Index


@dataclass(frozen=True)
class FleetForecast:
    """`sumpwright.planning.odometer.Forecast` with one row per machine.

    ``curve`` is the expected rise at the ends of the months that follow, shape
    (machines, 13); ``known`` is false where there is nothing to forecast from.
    """

    start: Array
    total: Array
    rate: Array
    curve: Array
    grain: Array
    rate_error: Array
    drift: Array
    phase_error: Array
    quantile: Array
    known: Mask

    def reach(self, target: Array, rows: Mask) -> Array:
        """Early, likely and late moment of the machines in ``rows``, shape (rows, 3)."""
        want = (target - self.total)[rows]
        q, grain = self.quantile[rows], self.grain[rows]
        curve, start = self.curve[rows], self.start[rows]
        ahead = _after(curve, want)
        relative = self.rate_error[rows] + self.drift[rows] ** 2 * ahead / YEAR
        fixed = self.phase_error[rows] * np.minimum(1.0, ahead / (YEAR / 2))
        moving = self.rate[rows] > 0
        with np.errstate(invalid="ignore"):
            lower, upper = roots(
                np.maximum(want - skew_shift(grain, q), 0.0), q, grain, relative, fixed
            )
        early = np.minimum(_after(curve, lower), ahead)
        late = np.maximum(_after(curve, upper), ahead)
        found = start[:, None] + np.stack([early, ahead, late], axis=1)
        return np.where(moving[:, None], found, np.inf)


def _after(curve: Array, rise: Array) -> Array:
    """Time in which each machine is expected to rise so far."""
    year = curve[:, -1]
    with np.errstate(divide="ignore", invalid="ignore"):
        years = np.floor(rise / year)
        rest = rise - years * year
    finite = np.isfinite(rest)
    rest = np.where(finite, rest, 0.0)
    k = np.minimum(np.sum(curve[:, 1:] <= rest[:, None], axis=1), 11)
    at = np.arange(len(k))
    low, high = curve[at, k], curve[at, k + 1]
    share = (rest - low) / np.where(high > low, high - low, 1.0)
    out = years * YEAR + (k + share) * MONTH
    return np.where(finite, out, np.inf)


def fit_block(block: Block, habits: Habits) -> FleetForecast:
    """Fit every machine of a block.

    Parameters
    ----------
    block : Block
        Cleaned readings: totals that never fall.
    habits : Habits

    Returns
    -------
    FleetForecast
    """
    count = len(block.starts) - 1
    number = np.diff(block.starts)
    some = number > 0
    first = np.where(some, block.starts[:-1], 0)
    last = np.where(some, block.starts[1:] - 1, 0)
    empty = not len(block.time)
    newest = np.zeros(count) if empty else block.time[last]
    total = np.zeros(count) if empty else block.value[last]
    span = np.zeros(count) if empty else newest - block.time[first]
    fit = np.flatnonzero((number >= 2) & (span >= SHORTEST))
    out = FleetForecast(
        newest,
        total,
        np.zeros(count),
        np.zeros((count, 13)),
        np.zeros(count),
        np.zeros(count),
        np.full(count, habits.drift),
        np.zeros(count),
        np.ones(count),
        np.zeros(count, dtype=bool),
    )
    for seasonal in (True, False):
        rows = fit[(span[fit] >= YEAR) == seasonal]
        if len(rows):
            _fit(block, rows, seasonal, habits, out)
    return out


def _fit(block: Block, rows: Index, seasonal: bool, habits: Habits, out: FleetForecast) -> None:
    columns = CELLS if seasonal else SHORT_CELLS
    begin, end = block.starts[rows], block.starts[rows + 1]
    newest = block.time[end - 1]
    span = newest - block.time[begin]
    cells = np.minimum(columns, span // MONTH) if seasonal else np.full(len(rows), columns)
    cells = cells.astype(np.intp)
    step = np.full(len(rows), float(MONTH)) if seasonal else span // SHORT_CELLS
    back = np.arange(columns, -1, -1.0)
    grid = newest[:, None] - step[:, None] * back
    valid = np.arange(columns) >= columns - cells[:, None]
    finder = _Finder(block, rows, newest)
    levels = finder.levels(grid)
    rises = np.where(valid, np.diff(levels, axis=1), 0.0)
    rate = _seasonal_rate(levels, cells) if seasonal else _plain_rate(levels, step)
    average = rate * step
    season = np.ones((len(rows), 12))
    expected = np.broadcast_to(average[:, None], rises.shape)
    leverage = np.zeros_like(rises)
    seen = np.zeros(len(rows))
    if seasonal:
        taught = valid & (finder.gaps(0.5 * (grid[:, 1:] + grid[:, :-1])) <= WIDEST_GAP)
        season, leverage, seen = _season(rises, taught, average, habits.shrink)
        expected = average[:, None] * np.tile(season, (1, CELLS // 12))
    oldest = np.take_along_axis(grid, (columns - cells)[:, None], axis=1)[:, 0]
    known = np.minimum(cells, finder.after(oldest))
    grain = _grain(rises, expected, leverage, valid, average, rate, known, habits)
    moving = rate > 0
    safe = np.where(moving, rate, 1.0)
    error = (habits.unseen_rate * (1 - seen)) ** 2
    error += np.where(moving, grain / (safe * step * np.minimum(cells, RATE_CELLS)), 0.0)
    out.rate[rows] = rate
    out.curve[rows, 1:] = np.cumsum(season, axis=1) * rate[:, None] * MONTH
    out.grain[rows] = grain
    out.rate_error[rows] = error
    if seasonal:
        out.drift[rows] = _drift(levels, cells, safe, moving, grain, habits)
    out.phase_error[rows] = habits.unseen_phase * (1 - seen) * rate * YEAR
    table = np.array([quantile_for(k - 1.0, habits) for k in range(columns + 1)])
    out.quantile[rows] = table[known]
    out.known[rows] = True


class _Finder:
    """Places of moments among the readings of each machine, by one sorted search."""

    def __init__(self, block: Block, rows: Index, newest: Array) -> None:
        self._block, self._rows, self._newest = block, rows, newest
        self._zero = float(block.time.min())
        # Machine and time in one rising key; whole seconds stay exact below 2**53.
        self._stride = float(block.time.max()) - self._zero + 1.0
        self._key = block.who * self._stride + (block.time - self._zero)

    def _search(self, moments: Array, side: str) -> Index:
        base = (self._rows * self._stride)[:, None]
        inside = np.clip(moments - self._zero, 0.0, self._stride - 1.0)
        found = np.searchsorted(
            self._key, base + inside, side="right" if side == "right" else "left"
        )
        return found.astype(np.intp, copy=False)

    def levels(self, moments: Array) -> Array:
        """Totals at moments, straight between readings, level outside them."""
        block = self._block
        first, last = block.starts[self._rows][:, None], block.starts[self._rows + 1][:, None] - 1
        k = np.clip(self._search(moments, "right") - 1, first, last - 1)
        t0, v0 = block.time[k], block.value[k]
        t1, v1 = block.time[k + 1], block.value[k + 1]
        width = t1 - t0
        slope = (v1 - v0) / np.where(width > 0, width, 1.0)
        inside = np.clip(moments, block.time[first], block.time[last])
        found = np.where(inside >= t1, v1, v0 + slope * (inside - t0))
        return np.asarray(found, dtype=np.float64)

    def gaps(self, moments: Array) -> Array:
        """Length of the gap between the readings on either side of moments."""
        block = self._block
        first, last = block.starts[self._rows][:, None], block.starts[self._rows + 1][:, None] - 1
        k = np.clip(self._search(moments, "left"), first + 1, last)
        return np.asarray(block.time[k] - block.time[k - 1], dtype=np.float64)

    def after(self, moments: Array) -> Index:
        """How many readings of each machine lie after a moment."""
        found = self._search(moments[:, None], "right")[:, 0]
        return np.asarray(self._block.starts[self._rows + 1] - found, dtype=np.intp)


def _middle(values: Array, number: Index) -> Array:
    """Median of the first ``number`` finite values of each row; the rest is ``inf``."""
    ordered = np.sort(values, axis=1)
    at = np.arange(len(values))
    return np.asarray(0.5 * (ordered[at, (number - 1) // 2] + ordered[at, number // 2]))


def _seasonal_rate(levels: Array, cells: Index) -> Array:
    recent = levels[:, -(RATE_CELLS + 1) :]
    usable = np.minimum(cells, RATE_CELLS)
    pairs, number = [], np.zeros(len(levels), dtype=np.intp)
    for lag in range(12, RATE_CELLS + 1, 12):
        slopes = (recent[:, lag:] - recent[:, :-lag]) / (lag * float(MONTH))
        there = np.arange(RATE_CELLS + 1 - lag) >= RATE_CELLS - usable[:, None]
        pairs.append(np.where(there, slopes, np.inf))
        number += there.sum(axis=1)
    rate = _middle(np.concatenate(pairs, axis=1), number)
    plain = (recent[:, -1] - recent[:, -13]) / (12.0 * MONTH)
    return np.where(rate > 0, rate, plain)


def _plain_rate(levels: Array, step: Array) -> Array:
    i, j = np.triu_indices(levels.shape[1], 1)
    slopes = (levels[:, j] - levels[:, i]) / ((j - i) * step[:, None])
    rate = np.median(slopes, axis=1)
    plain = (levels[:, -1] - levels[:, 0]) / ((levels.shape[1] - 1) * step)
    return np.where(rate > 0, rate, plain)


def _season(
    rises: Array, taught: Mask, average: Array, shrink: float
) -> tuple[Array, Array, Array]:
    rows = len(rises)
    weight = taught.reshape(rows, -1, 12).sum(axis=1)
    sums = (taught * rises).reshape(rows, -1, 12).sum(axis=1)
    mean = (sums + shrink * average[:, None]) / (weight + shrink)
    total = mean.mean(axis=1, keepdims=True)
    season = np.where(total > 0, mean / np.where(total > 0, total, 1.0), 1.0)
    leverage = taught / np.tile(weight + shrink, (1, rises.shape[1] // 12))
    return season, leverage, (weight > 0).mean(axis=1)


def _grain(
    rises: Array,
    expected: Array,
    leverage: Array,
    valid: Mask,
    average: Array,
    rate: Array,
    known: Index,
    habits: Habits,
) -> Array:
    prior = habits.month_spread**2 * rate * MONTH
    errors = (rises - expected) / (1 - leverage)
    floor = np.maximum(expected, FLOOR * average[:, None])
    moving = average > 0
    scaled = np.where(valid & moving[:, None], errors**2 / np.where(floor > 0, floor, 1.0), 0.0)
    total = scaled.sum(axis=1)
    weight = habits.prior_months + np.maximum(known - 1, 0)
    return np.where(moving, (habits.prior_months * prior + total) / weight, prior)


def _drift(
    levels: Array, cells: Index, rate: Array, moving: Mask, grain: Array, habits: Habits
) -> Array:
    years = levels[:, -1::-12]
    steps = years[:, :-1] - years[:, 1:]
    change = ((steps[:, :-1] - steps[:, 1:]) / (rate * YEAR)[:, None]) ** 2
    excess = np.maximum(change - (2 * grain / (rate * YEAR))[:, None], 0.0)
    there = np.arange(excess.shape[1]) < (cells // 12 - 1)[:, None]
    count = there.sum(axis=1)
    found = np.sqrt((habits.drift**2 + np.where(there, excess, 0.0).sum(axis=1)) / (1 + count))
    return np.where(moving, found, habits.drift)
