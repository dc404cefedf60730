"""Due for a large yard: the vectorised rule against a plain pandas loop and a DuckDB query.

Run as ``python bench/due.py`` (``--sizes 1000 10000 …``). Prints ratios; asserts nothing about
time, but refuses to compare unless all three give the same dates. The pandas loop is timed on a
sample of machines and scaled by their number: its work per machine does not depend on how many
there are. Everything runs on one core.
"""

from __future__ import annotations

import argparse
import resource
import sys
from pathlib import Path
from time import perf_counter

import duckdb
import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.stats import t as student

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests"))

from sumpwright.planning.clock import DAY, MONTH, YEAR
from sumpwright.planning.due_many import (
    Changes,
    ManyDue,
    ManyLimits,
    Readings,
    births,
    due_many,
)
from unit.planning.plain_due import due_frame

Array = NDArray[np.float64]
MACHINES = 100_000
PER_MACHINE = 50
SIZES = (1_000, 10_000, 100_000, 1_000_000)
SAMPLE = 400
NOW = 1_750_000_000.0
SAME_WITHIN = 1.0
"""s; dates that agree to the second are the same."""


def make_yard(machines: int, per_machine: int, seed: int = 7) -> tuple[Readings, Changes]:
    """Invent readings about every three weeks with seasons, and three services each."""
    rng = np.random.default_rng(seed)
    number = rng.integers(per_machine // 2, per_machine * 3 // 2 + 1, machines)
    starts = np.concatenate([[0], np.cumsum(number)])
    total = int(starts[-1])
    who, time, value = np.empty(total, np.intp), np.empty(total), np.empty(total)
    first_time, last_value = np.empty(machines), np.empty(machines)
    for low in range(0, machines, 10_000):
        high = min(low + 10_000, machines)
        a, b = int(starts[low]), int(starts[high])
        count, begin = number[low:high], starts[low:high] - a
        owner = np.repeat(np.arange(high - low), count)
        gaps = np.floor(rng.gamma(3.0, 7.0, b - a) * DAY) + DAY
        gaps[begin] = 0.0
        t = np.cumsum(gaps)
        t -= t[begin][owner]
        t += NOW - np.floor(rng.uniform(0, 20, high - low)[owner] * DAY)
        t -= (t[np.append(begin[1:], b - a) - 1] - t[begin])[owner]
        rate = rng.lognormal(np.log(40e3 / DAY), 0.6, high - low)[owner]
        depth, phase = rng.uniform(0, 1, (2, high - low))
        wave = 1 + depth[owner] * np.cos(2 * np.pi * (t / YEAR + phase[owner]))
        rise = gaps * rate * wave * rng.gamma(3.0, 1 / 3.0, b - a)
        v = np.cumsum(rise)
        v -= v[begin][owner]
        who[a:b], time[a:b], value[a:b] = owner + low, t, v
        first_time[low:high] = t[begin]
        last_value[low:high] = v[np.append(begin[1:], b - a) - 1]
    share = np.tile([1.0, 0.45, 0.45], machines)
    when = np.tile([0.0, 0.4, 0.8], machines)
    machine = np.repeat(np.arange(machines), 3)
    changes = Changes(
        machine,
        first_time[machine] + when * (NOW - first_time[machine]),
        when * last_value[machine],
        share,
    )
    return Readings(who, time, value), changes


def limits_of(machines: int) -> ManyLimits:
    """The same intervals for all: 60 000 km or four years."""
    return ManyLimits(np.full(machines, 6e7), np.full(machines, 4.0 * YEAR))


QUERY = f"""
WITH span AS (
  SELECT machine, min(t) AS t0, max(t) AS t1, max(v) AS v1 FROM readings GROUP BY machine
), fit AS (
  SELECT s.*, z.zero_total,
    epoch(make_timestamp((zero_time * 1e6)::BIGINT) + INTERVAL 48 MONTH) AS by_date,
    t1 - t0 >= {YEAR} AS yearly,
    CASE WHEN yearly THEN least(36, floor((t1 - t0) / {MONTH})) ELSE 12 END::INT AS cells,
    CASE WHEN yearly THEN {MONTH}.0 ELSE floor((t1 - t0) / 12) END AS step
  FROM span s JOIN zero z USING (machine)
), pairs AS (
  SELECT machine, t, v, lead(t) OVER w AS t2, lead(v) OVER w AS v2
  FROM readings WINDOW w AS (PARTITION BY machine ORDER BY t)
), grid AS (
  SELECT machine, k, cells, yearly, t1 - step * k AS moment, t1 - step * (k + 0.5) AS middle, step
  FROM fit, range(0, 37) AS r(k) WHERE k <= cells
), level AS (
  SELECT g.machine, k, cells, yearly, middle, step, moment,
    CASE WHEN t2 IS NULL THEN v ELSE v + (v2 - v) / (t2 - t) * (moment - t) END AS level
  FROM grid g ASOF JOIN pairs p ON g.machine = p.machine AND g.moment >= p.t
), slopes AS (
  SELECT a.machine, median((a.level - b.level) / ((b.k - a.k) * a.step)) AS rate
  FROM level a JOIN level b ON a.machine = b.machine AND b.k > a.k
  WHERE a.k <= 24 AND b.k <= 24 AND (NOT a.yearly OR (b.k - a.k) % 12 = 0)
  GROUP BY a.machine
), cell AS (
  SELECT l.machine, l.k, l.yearly, l.cells, l.level - n.level AS rise, s.rate * l.step AS average,
    (11 - l.k % 12) AS month,
    CASE WHEN l.yearly AND p.t2 - p.t <= {4 * MONTH} THEN 1 ELSE 0 END AS taught
  FROM level l
  JOIN level n ON n.machine = l.machine AND n.k = l.k + 1
  JOIN slopes s ON s.machine = l.machine
  ASOF JOIN pairs p ON l.machine = p.machine AND l.middle > p.t
), months AS (
  SELECT c.machine, m.month, any_value(average) AS average, any_value(yearly) AS yearly,
    sum(CASE WHEN c.month = m.month THEN taught ELSE 0 END) AS weight,
    sum(CASE WHEN c.month = m.month THEN taught * rise ELSE 0 END) AS total
  FROM cell c, range(0, 12) AS m(month) GROUP BY c.machine, m.month
), season AS (
  SELECT machine, month, weight,
    CASE WHEN yearly THEN mean / avg(mean) OVER (PARTITION BY machine) ELSE 1 END AS share
  FROM (SELECT *, (total + 0.5 * average) / (weight + 0.5) AS mean FROM months)
), seen AS (
  SELECT machine, avg(CASE WHEN weight > 0 THEN 1.0 ELSE 0.0 END) AS seen FROM season
  GROUP BY machine
), known AS (
  SELECT f.machine, least(f.cells, count(*)) AS known
  FROM fit f JOIN readings r ON r.machine = f.machine AND r.t > f.t1 - f.step * f.cells
  GROUP BY f.machine, f.cells
), errors AS (
  SELECT c.machine,
    sum(pow((rise - average * share) / (1 - taught / (weight + 0.5)), 2)
        / greatest(average * share, 0.25 * average)) AS error
  FROM cell c JOIN season s ON s.machine = c.machine AND s.month = c.month GROUP BY c.machine
), years AS (
  SELECT a.machine, a.k / 12 AS y, a.level - b.level AS rise
  FROM level a JOIN level b ON b.machine = a.machine AND b.k = a.k + 12
  WHERE a.k % 12 = 0 AND a.yearly
), spread AS (
  SELECT f.*, s.rate, n.seen, k.known,
    (4 * 0.16 * rate * {MONTH} + error) / (4 + greatest(known - 1, 0)) AS grain
  FROM fit f JOIN slopes s USING (machine) JOIN seen n USING (machine)
  JOIN known k USING (machine) JOIN errors e USING (machine)
), drifts AS (
  SELECT s.machine, sqrt((0.0144 + coalesce(sum(greatest(0,
      pow((a.rise - b.rise) / (rate * {YEAR}), 2) - 2 * grain / (rate * {YEAR}))), 0))
      / (1 + count(b.rise))) AS drift
  FROM spread s LEFT JOIN years a ON a.machine = s.machine
  LEFT JOIN years b ON b.machine = a.machine AND b.y = a.y + 1
  GROUP BY s.machine
), model AS (
  SELECT s.*, CASE WHEN yearly THEN drift ELSE 0.12 END AS drift, q.q,
    pow(0.3 * (1 - seen), 2) + grain / (rate * step * least(cells, 24)) AS relative,
    0.12 * (1 - seen) * rate * {YEAR} AS phase,
    zero_total + 6e7 - v1 AS want, zero_total + 6e7 AS target
  FROM spread s JOIN drifts d USING (machine) JOIN student q ON q.known = s.known
), curve AS (
  SELECT machine, month, share,
    sum(share) OVER (PARTITION BY machine ORDER BY month) - share AS below
  FROM season
), likely AS (
  SELECT m.machine, any_value(want) AS want, max(
    floor(want / (rate * {YEAR})) * {YEAR} + (month + least(1, greatest(0,
      (want - floor(want / (rate * {YEAR})) * rate * {YEAR}) / (rate * {MONTH}) - below)
      / share)) * {MONTH}) FILTER (
      (want - floor(want / (rate * {YEAR})) * rate * {YEAR}) / (rate * {MONTH}) >= below) AS ahead
  FROM model m JOIN curve c ON c.machine = m.machine WHERE want > 0 GROUP BY m.machine
), band AS (
  SELECT m.machine, m.rate, ahead, q, grain,
    greatest(0, m.want - (q * q - 1) / 4 * grain) AS goal,
    relative + drift * drift * ahead / {YEAR} AS r2,
    phase * least(1, ahead / ({YEAR} / 2)) AS fixed
  FROM model m JOIN likely l ON l.machine = m.machine
), quadratic AS (
  SELECT *, 1 - q * q * r2 AS a, 2 * goal + q * q * grain AS b,
    goal * goal - q * q * fixed * fixed AS c
  FROM band
), ends AS (
  SELECT machine, rate, ahead, unnest([
      greatest(0, CASE WHEN b > 0 THEN 2 * c / (b + sqrt(greatest(0, b * b - 4 * a * c)))
                  ELSE 0 END),
      CASE WHEN a > 0 THEN (b + sqrt(greatest(0, b * b - 4 * a * c))) / (2 * a) END]) AS rise,
    unnest(['early', 'late']) AS side
  FROM quadratic
), dated AS (
  SELECT e.machine, side, any_value(ahead) AS ahead, max(
    floor(rise / (rate * {YEAR})) * {YEAR} + (month + least(1, greatest(0,
      (rise - floor(rise / (rate * {YEAR})) * rate * {YEAR}) / (rate * {MONTH}) - below)
      / share)) * {MONTH}) FILTER (
      (rise - floor(rise / (rate * {YEAR})) * rate * {YEAR}) / (rate * {MONTH}) >= below) AS moment
  FROM ends e JOIN curve c ON c.machine = e.machine WHERE rise IS NOT NULL
  GROUP BY e.machine, side
), past AS (
  SELECT m.machine, min(CASE WHEN p.v >= target THEN p.t
    WHEN p.v2 >= target THEN p.t + (target - p.v) / (p.v2 - p.v) * (p.t2 - p.t) END) AS crossed
  FROM model m JOIN pairs p ON p.machine = m.machine
  WHERE want <= 0 AND (p.v >= target OR p.v2 >= target) GROUP BY m.machine
)
SELECT m.machine,
  least(coalesce(crossed, t1 + least(e.moment, l.ahead)), by_date) AS early,
  least(coalesce(crossed, t1 + l.ahead), by_date) AS likely,
  least(coalesce(crossed, t1 + greatest(coalesce(d.moment, 'infinity'::DOUBLE), l.ahead)),
        by_date) AS late
FROM model m LEFT JOIN past USING (machine) LEFT JOIN likely l USING (machine)
LEFT JOIN dated e ON e.machine = m.machine AND e.side = 'early'
LEFT JOIN dated d ON d.machine = m.machine AND d.side = 'late'
ORDER BY m.machine
"""
"""The rule of due_many as one query, for clean readings of machines that move."""


def by_duckdb(readings: Readings, changes: Changes, machines: int) -> tuple[pd.DataFrame, float]:
    """Run the query; loading the tables is not counted."""
    zero_time, zero_total = births(machines, changes, None)
    con = duckdb.connect()
    con.execute("SET threads = 1")
    frames = {
        "readings": pd.DataFrame(
            {"machine": readings.machine, "t": readings.time, "v": readings.value}
        ),
        "zero": pd.DataFrame(
            {"machine": np.arange(machines), "zero_time": zero_time, "zero_total": zero_total}
        ),
        "student": pd.DataFrame(
            [(k, float(student.ppf(0.95, max(k - 1, 0) + 4))) for k in range(1, 37)],
            columns=["known", "q"],
        ),
    }
    for name, frame in frames.items():
        con.register("given", frame)
        con.execute(f"CREATE TABLE {name} AS SELECT * FROM given")
    begin = perf_counter()
    found = con.execute(QUERY).df()
    took = perf_counter() - begin
    con.close()
    return found, took


def by_pandas(
    readings: Readings, changes: Changes, sample: NDArray[np.intp]
) -> tuple[pd.DataFrame, float]:
    """Run the plain loop on a sample of machines; making the frames is not counted."""
    limits = pd.DataFrame({"distance": 6e7, "time": 4.0 * YEAR}, index=sample)
    frame = pd.DataFrame(vars(readings))
    frame = frame[frame["machine"].isin(sample)].reset_index(drop=True)
    services = pd.DataFrame(vars(changes))
    services = services[services["machine"].isin(sample)].reset_index(drop=True)
    begin = perf_counter()
    found = due_frame(frame, services, limits)
    return found, perf_counter() - begin


def ours(readings: Readings, changes: Changes, machines: int) -> tuple[ManyDue, float]:
    """Run the product."""
    limits = limits_of(machines)
    begin = perf_counter()
    found = due_many(machines, readings, changes, limits, NOW)
    return found, perf_counter() - begin


def _same(name: str, mine: ManyDue, other: pd.DataFrame) -> None:
    """Stop unless dates agree to the second on every machine compared."""
    which = other.index.to_numpy() if "machine" not in other else other["machine"].to_numpy()
    for end in ("early", "likely", "late"):
        a, b = getattr(mine, end)[which], other[end].to_numpy(dtype=float)
        both = np.isinf(a) & np.isinf(b)
        gap = np.where(both, 0.0, np.abs(np.where(both, 0.0, a) - np.where(both, 0.0, b)))
        if not np.all(gap <= SAME_WITHIN):
            worst = int(np.argmax(gap))
            raise SystemExit(f"{name} disagrees on machine {which[worst]}: {gap[worst]:.1f} s")


def run(machines: int = MACHINES, sizes: tuple[int, ...] = SIZES, query: bool = True) -> None:
    """Print what the rule costs, against what, and how it grows."""
    readings, changes = make_yard(machines, PER_MACHINE)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    mine, took = ours(readings, changes, machines)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    print(
        f"{machines} machines, {len(readings.time)} readings: {took:.2f} s on one core, "
        f"{peak / 1024:.0f} MB at most, the readings included ({before / 1024:.0f} MB before)"
    )
    sample = np.sort(np.random.default_rng(1).choice(machines, min(SAMPLE, machines), False))
    plain, loop = by_pandas(readings, changes, sample)
    _same("the pandas loop", mine, plain)
    whole = loop / len(sample) * machines
    print(
        f"plain pandas loop: {loop:.2f} s for {len(sample)} machines, scaled to {whole:.0f} s for "
        f"all: {whole / took:.0f} times as long; dates equal to the second"
    )
    if query:
        table, asked = by_duckdb(readings, changes, machines)
        _same("the DuckDB query", mine, table)
        print(
            f"DuckDB query of the same rule, one thread, tables loaded: {asked:.2f} s, "
            f"{asked / took:.1f} times as long; dates equal to the second on all {len(table)}"
        )
    del readings, changes
    for size in sizes:
        readings, changes = make_yard(size, PER_MACHINE)
        _, took = ours(readings, changes, size)
        print(
            f"{size:>9} machines, {len(readings.time):>9} readings: {took:8.3f} s, "
            f"{took / size * 1e6:6.1f} µs a machine"
        )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--machines", type=int, default=MACHINES)
    parser.add_argument("--sizes", type=int, nargs="*", default=list(SIZES))
    parser.add_argument("--no-query", action="store_true")
    chosen = parser.parse_args()
    run(chosen.machines, tuple(chosen.sizes), not chosen.no_query)
