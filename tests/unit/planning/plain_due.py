"""The due rule written plainly, machine by machine with pandas: slow, and easy to check."""

from __future__ import annotations

import math
from itertools import combinations, pairwise

import numpy as np
import pandas as pd
from scipy.stats import t as student

YEAR = 31_556_952.0
MONTH = YEAR / 12
DAY = 86_400.0


def forecast(times: list[float], totals: list[float]) -> dict[str, object] | None:
    """Fit one machine by the rule that docs and odometer.py state, in loops."""
    if len(times) < 2 or times[-1] - times[0] < DAY:
        return None
    last, span = times[-1], times[-1] - times[0]
    yearly = span >= YEAR
    cells = min(36, int(span // MONTH)) if yearly else 12
    step = MONTH if yearly else span // 12
    grid = [last - step * k for k in range(cells, -1, -1)]
    levels = list(np.interp(grid, times, totals))
    rises = [b - a for a, b in pairwise(levels)]
    newest = levels[-25:]
    slopes = []
    for i, j in combinations(range(len(newest)), 2):
        if not yearly or (j - i) % 12 == 0:
            slopes.append((newest[j] - newest[i]) / ((j - i) * step))
    rate = float(pd.Series(slopes).median())
    if rate <= 0:
        back = 12 if yearly else cells
        rate = (newest[-1] - newest[-1 - back]) / (back * step)
    average = rate * step
    month = [(k - cells) % 12 for k in range(cells)]
    season, seen = [1.0] * 12, 0.0
    leverage = [0.0] * cells
    expected = [average] * cells
    if yearly:
        taught = []
        for k in range(cells):
            middle = 0.5 * (grid[k] + grid[k + 1])
            after = min(max(sum(t < middle for t in times), 1), len(times) - 1)
            taught.append(times[after] - times[after - 1] <= 4 * MONTH)
        sums, weights = [0.0] * 12, [0] * 12
        for k in range(cells):
            if taught[k]:
                sums[month[k]] += rises[k]
                weights[month[k]] += 1
        means = [(s + 0.5 * average) / (w + 0.5) for s, w in zip(sums, weights, strict=True)]
        overall = sum(means) / 12
        season = [m / overall for m in means] if overall > 0 else season
        expected = [average * season[month[k]] for k in range(cells)]
        leverage = [taught[k] / (weights[month[k]] + 0.5) for k in range(cells)]
        seen = sum(w > 0 for w in weights) / 12
    known = min(cells, sum(grid[0] < t <= last for t in times))
    grain = 0.4**2 * rate * MONTH
    if average > 0:
        error = 0.0
        for k in range(cells):
            e = (rises[k] - expected[k]) / (1 - leverage[k])
            error += e * e / max(expected[k], 0.25 * average)
        grain = (4 * grain + error) / (4 + max(known - 1, 0))
    relative = (0.3 * (1 - seen)) ** 2
    if rate > 0:
        relative += grain / (rate * step * min(cells, 24))
    drift = 0.12
    if yearly and rate > 0:
        years = [levels[-1 - 12 * i] - levels[-13 - 12 * i] for i in range(cells // 12)]
        excess = [
            max(0.0, ((a - b) / (rate * YEAR)) ** 2 - 2 * grain / (rate * YEAR))
            for a, b in pairwise(years)
        ]
        drift = math.sqrt((0.12**2 + sum(excess)) / (1 + len(excess)))
    q = float(student.ppf(0.95, max(known - 1, 0) + 4))
    return {
        "start": last,
        "total": totals[-1],
        "rate": rate,
        "season": season,
        "grain": grain,
        "relative": relative,
        "drift": drift,
        "phase": 0.12 * (1 - seen) * rate * YEAR,
        "q": q,
    }


def _after(f: dict[str, object], rise: float) -> float:
    """Time in which a rise is expected, month by month."""
    if not math.isfinite(rise):
        return math.inf
    rate, season = float(f["rate"]), list(f["season"])
    per_year = sum(season) * rate * MONTH
    years = math.floor(rise / per_year)
    rest, time = rise - years * per_year, years * YEAR
    for share in season:
        month = share * rate * MONTH
        if rest < month:
            return time + (rest / month) * MONTH
        rest -= month
        time += MONTH
    return time


def reach(f: dict[str, object], target: float) -> tuple[float, float, float]:
    """Early, likely and late moment, by bisection where the closed form has a root."""
    want = target - float(f["total"])
    rate, q, grain = float(f["rate"]), float(f["q"]), float(f["grain"])
    if rate <= 0:
        return math.inf, math.inf, math.inf
    ahead = _after(f, want)
    relative = float(f["relative"]) + float(f["drift"]) ** 2 * ahead / YEAR
    fixed = float(f["phase"]) * min(1.0, ahead / (YEAR / 2))
    goal = max(0.0, want - (q * q - 1) / 4 * grain)

    def edge(m: float, side: int) -> float:
        return m + side * q * math.sqrt(grain * m + relative * m * m + fixed * fixed)

    low, high = 0.0, goal
    for _ in range(200):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if edge(middle, 1) < goal else (low, middle)
    lower, upper = 0.5 * (low + high), math.inf
    if q * q * relative < 1:
        low, high = goal, max(goal, 1.0)
        while edge(high, -1) < goal:
            high *= 2
        for _ in range(200):
            middle = 0.5 * (low + high)
            low, high = (middle, high) if edge(middle, -1) < goal else (low, middle)
        upper = 0.5 * (low + high)
    start = float(f["start"])
    early, late = min(_after(f, lower), ahead), max(_after(f, upper), ahead)
    return start + early, start + ahead, start + late


def _later(since: float, span: float) -> float:
    """A span after a moment; whole months by the calendar."""
    months = round(span / MONTH) if not math.isnan(span) else 0
    if math.isnan(since) or not months or abs(span - months * MONTH) > 1:
        return since + span
    day = math.floor(since / 86_400)
    then = pd.Timestamp(day, unit="D") + pd.DateOffset(months=months)
    return then.timestamp() + since - day * 86_400


def due_frame(readings: pd.DataFrame, changes: pd.DataFrame, limits: pd.DataFrame) -> pd.DataFrame:
    """Due moments of every machine, one pandas group after the other.

    ``readings``: machine, time, value; ``changes``: machine, time, total, share;
    ``limits``: distance and time by machine. All clean and sorted.
    """
    services = dict(list(changes.groupby("machine")))
    rows = []
    for machine, mine in readings.groupby("machine"):
        zero_time = zero_total = math.nan
        for row in services[machine].itertuples() if machine in services else ():
            share = 1.0 if math.isnan(zero_time) else row.share
            zero_time = share * row.time + (0 if share == 1 else (1 - share) * zero_time)
            zero_total = share * row.total + (0 if share == 1 else (1 - share) * zero_total)
        times, totals = mine["time"].tolist(), mine["value"].tolist()
        limit = limits.loc[machine]
        target, by_date = zero_total + limit["distance"], _later(zero_time, limit["time"])
        found = (math.inf, math.inf, math.inf)
        if target <= totals[-1]:
            k = next(i for i, total in enumerate(totals) if total >= target)
            moment = times[0]
            if k:
                share = (target - totals[k - 1]) / (totals[k] - totals[k - 1])
                moment = times[k - 1] + share * (times[k] - times[k - 1])
            found = (moment, moment, moment)
        elif not math.isnan(target):
            fitted = forecast(times, totals)
            if fitted is not None:
                found = reach(fitted, target)
        by_date = math.inf if math.isnan(by_date) else by_date
        rows.append((machine, *(min(x, by_date) for x in found), *found, by_date))
    names = ["machine", "early", "likely", "late", "d_early", "d_likely", "d_late", "date"]
    return pd.DataFrame(rows, columns=names).set_index("machine")
