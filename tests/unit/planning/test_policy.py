"""Policies in the long run and within a horizon, against books kept step by step."""

from __future__ import annotations

from datetime import date, timedelta
from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sumpwright.errors import Complaint
from sumpwright.planning.clock import YEAR, seconds
from sumpwright.planning.ledger import Happening, Point, keep
from sumpwright.planning.policy import Method, if_as_last_time, pareto, policies

METHODS = (
    Method("drain and refill", 0.4, 0.0036, 62.0, 60.0, low=0.35, high=0.45),
    Method("three refills", 0.78, 0.0108, 180.0, 150.0),
    Method("line discharges", 0.93, 0.0120, 210.0, 120.0),
)
GAPS = np.array([2e7, 4e7, 6e7])


def _simulate(
    share: float, gap: float, first: float, run: float, age: float
) -> tuple[int, float, float]:
    """Count of services, mean and peak of the mean age, by small steps of use."""
    steps = 200_000
    dx = run / steps
    count, peak, area = 0, 0.0, 0.0
    due = first
    for k in range(steps):
        area += (age + dx / 2) * dx
        age += dx
        peak = max(peak, age)
        if (k + 1) * dx >= due - 1e-6 and due <= run + 1e-6:
            age *= 1 - share
            count += 1
            due += gap
    return count, area / run, peak


@pytest.mark.parametrize(
    ("share", "gap", "age", "since"),
    [(0.4, 2e7, 0.0, 0.0), (0.4, 4e7, 1.5e8, 3e7), (1.0, 3e7, 5e7, 0.0), (0.8, 9e7, 2e7, 1e7)],
)
def test_horizon_against_small_steps(share: float, gap: float, age: float, since: float) -> None:
    method = Method("m", share, 0.001, 1.0)
    table = policies([method], [gap], 6e7, 2e7, 10 * YEAR, age, since)
    count, mean, peak = _simulate(share, gap, max(gap - since, 0.0), 2e8, age)
    assert table.services[0, 0] == count
    assert table.horizon_mean[0, 0] == pytest.approx(mean, rel=1e-3)
    assert table.horizon_peak[0, 0] == pytest.approx(peak, rel=1e-3)
    assert table.cost[0, 0] == count


@settings(deadline=None, max_examples=100)
@given(
    st.floats(0.05, 1.0), st.floats(5e6, 3e8), st.floats(0, 3e8), st.floats(0, 1e8),
    st.floats(0.5, 40.0),
)  # fmt: skip
def test_horizon_means_lie_below_peaks(
    share: float, gap: float, age: float, since: float, years: float
) -> None:
    method = Method("m", share, 0.001, 1.0)
    table = policies([method], [gap], 6e7, 2e7, years * YEAR, age, since)
    assert 0 <= table.horizon_mean[0, 0] <= table.horizon_peak[0, 0] * (1 + 1e-9)
    assert table.horizon_peak[0, 0] >= age * (1 - 1e-9)


def test_without_a_service_in_the_horizon_the_fluid_only_ages() -> None:
    table = policies([METHODS[0]], [1e9], 6e7, 2e7, 5 * YEAR, 1e7)
    assert table.services[0, 0] == 0
    assert table.horizon_peak[0, 0] == pytest.approx(1.1e8)
    assert table.horizon_mean[0, 0] == pytest.approx(6e7)


def test_long_run_agrees_with_the_ledger() -> None:
    table = policies(METHODS, GAPS, 6e7, 2e7)
    for (m, method), (i, gap) in product(enumerate(METHODS), enumerate(GAPS)):
        history = [
            Happening(
                date(2000, 1, 1) + timedelta(days=40 * k),
                "changed",
                share=method.share,
                distance=float(gap) * k,
            )
            for k in range(1, 61)
        ]
        book = keep(0.009, history, start=Point(seconds(date(2000, 1, 1)), 0.0))
        before = Point(distance=float(gap) * 61 - 1e-3)
        assert book.mean_age(before, "distance") == pytest.approx(table.peak_age[m, i], rel=1e-6)
        assert book.share_older(6e7, before, "distance") == pytest.approx(
            table.overdue_peak[m, i], abs=1e-9
        )


def test_money_and_litres_a_year() -> None:
    table = policies(METHODS, GAPS, 6e7, 2e7)
    assert table.services_per_year[0].tolist() == pytest.approx([1.0, 0.5, 1 / 3])
    assert table.cost_per_year[1, 0] == pytest.approx(180.0)
    assert table.volume_per_year[2, 2] == pytest.approx(0.004)
    assert table.peak_low[0, 0] < table.peak_age[0, 0] < table.peak_high[0, 0]
    np.testing.assert_array_equal(table.within, table.peak_age <= 6e7 * (1 + 1e-9))


def test_best_ones_by_brute_force() -> None:
    table = policies(METHODS, np.linspace(1e7, 9e7, 9), 6e7, 2e7)
    points = np.stack([table.cost_per_year, table.peak_age, table.overdue], axis=-1).reshape(-1, 3)
    for k, best in enumerate(table.best.ravel()):
        beaten = any(
            np.all(other <= points[k] * (1 + 1e-12)) and np.any(other < points[k] * (1 - 1e-12))
            for other in points
        )
        assert best == (not beaten)
    assert table.best.any()
    assert not table.best.all()


@settings(deadline=None, max_examples=100)
@given(st.lists(st.tuples(st.integers(0, 4), st.integers(0, 4)), min_size=1, max_size=12))
def test_pareto_never_empties_and_keeps_equals(points: list[tuple[int, int]]) -> None:
    best = pareto(np.array(points, dtype=float))
    assert best.any()
    chosen = {p for p, b in zip(points, best, strict=True) if b}
    for p, b in zip(points, best, strict=True):
        assert b == (p in chosen)
        beaten = any(q[0] <= p[0] and q[1] <= p[1] and q != p for q in points)
        assert b == (not beaten)


def test_rows_are_a_table_cheapest_first() -> None:
    rows = policies(METHODS, GAPS, 6e7, 2e7).rows()
    assert len(rows) == 9
    costs = [float(row["cost_per_year"]) for row in rows]
    assert costs == sorted(costs)
    assert {"method", "interval", "mean_age", "overdue", "best", "within"} <= set(rows[0])


def test_if_you_do_what_you_did_last_time() -> None:
    history = [
        Happening(date(2015, 1, 1), "filled", distance=0.0),
        Happening(date(2018, 1, 1), "changed", 0.0036, distance=5e7),
        Happening(date(2020, 1, 1), "topped up", 0.0002, distance=8e7),
        Happening(date(2021, 1, 1), "changed", 0.0045, distance=9e7),
    ]
    habit = if_as_last_time(keep(0.009, history), "distance", 6e7)
    assert habit is not None
    assert habit.interval == pytest.approx(4e7)
    assert habit.share == pytest.approx(0.5)
    assert habit.peak_age == pytest.approx(8e7)
    assert habit.overdue == pytest.approx(0.5)
    assert if_as_last_time(keep(0.009, history[1:2]), "distance", 6e7) is None
    assert if_as_last_time(keep(0.009, []), "distance", 6e7) is None
    by_hours = if_as_last_time(keep(0.009, history), "hours", 6e7)
    assert by_hours is None


@pytest.mark.parametrize(
    "wrong",
    [
        {"intervals": [0.0]},
        {"intervals": [float("nan")]},
        {"limit": 0.0},
        {"per_year": -1.0},
        {"horizon": 0.0},
        {"methods": []},
        {"methods": [Method("m", 0.0, 0.001, 1.0)]},
    ],
)
def test_impossible_policies_are_refused(wrong: dict[str, object]) -> None:
    given_values: dict[str, object] = {
        "methods": METHODS, "intervals": GAPS, "limit": 6e7, "per_year": 2e7, "horizon": YEAR,
    }  # fmt: skip
    with pytest.raises(Complaint):
        policies(**(given_values | wrong))  # type: ignore[arg-type]
