"""Thermal age, the age of a mixture, and the long run of partial changes."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from sumpwright.physics import ageing

shares = st.floats(0.02, 1.0)
intervals = st.floats(1.0, 1e5)


def ledger(f: float, delta: float, services: int) -> tuple[np.ndarray, np.ndarray]:
    """Batch by batch, just before the last service: shares and ages, oldest first."""
    parts, ages = np.array([1.0]), np.array([delta])
    for _ in range(services - 1):
        parts = np.append(parts * (1.0 - f), f)
        ages = np.append(ages, 0.0) + delta
    return parts, ages


@settings(deadline=None)
@given(
    st.lists(st.tuples(st.floats(1.0, 900.0), st.floats(263.0, 423.0)), min_size=2, max_size=6),
    st.floats(4.0, 20.0),
)
def test_thermal_age_is_the_integral(log: list[tuple[float, float]], step: float) -> None:
    times = np.cumsum([span for span, _ in log])
    temps = np.array([t for _, t in log])

    def rate(t: float) -> float:
        return float(2.0 ** ((np.interp(t, times, temps) - 363.15) / step))

    expected = sum(
        quad(rate, a, b, epsabs=0.0, epsrel=1e-10)[0] for a, b in pairwise(times) if b > a
    )
    got = float(ageing.thermal_age(times, temps, 363.15, step))
    assert got == pytest.approx(expected, rel=1e-8, abs=1e-12)


@settings(deadline=None)
@given(st.floats(263.0, 423.0), st.floats(0.0, 1e6))
def test_level_temperature_ages_at_its_rate(t: float, span: float) -> None:
    got = float(ageing.thermal_age([0.0, span], [t, t], 363.15))
    assert got == pytest.approx(span * float(ageing.ageing_rate(t, 363.15)), rel=1e-12)


@settings(deadline=None)
@given(st.floats(300.0, 400.0), st.floats(-1e-5, 1e-5))
def test_nearly_level_pieces_keep_their_digits(t: float, rise: float) -> None:
    got = float(ageing.thermal_age([0.0, 60.0], [t, t + rise], 363.15))
    mid = 60.0 * float(ageing.ageing_rate(t + rise / 2, 363.15))
    assert got == pytest.approx(mid, rel=1e-12)


def test_trapezoid_on_the_rate_would_overstate() -> None:
    times, temps = [0.0, 3600.0], [333.15, 373.15]
    exact = float(ageing.thermal_age(times, temps, 353.15))
    naive = float(np.trapezoid(ageing.ageing_rate(temps, 353.15), times))
    assert naive > 1.3 * exact


@settings(deadline=None)
@given(st.floats(5.0, 15.0))
def test_one_step_hotter_is_twice_as_old(step: float) -> None:
    times, temps = [0.0, 100.0, 150.0], np.array([330.0, 380.0, 350.0])
    cool = float(ageing.thermal_age(times, temps, 360.0, step))
    assert float(ageing.thermal_age(times, temps + step, 360.0, step)) == pytest.approx(2 * cool)


def test_many_logs_at_once() -> None:
    temps = np.array([[350.0, 360.0, 370.0], [350.0, 350.0, 350.0]])
    out = ageing.thermal_age([0.0, 10.0, 20.0], temps, 350.0)
    assert out.shape == (2,)
    assert float(out[1]) == pytest.approx(20.0)
    assert float(ageing.thermal_age([5.0], [350.0], 350.0)) == 0.0


def test_histogram_of_a_steady_rise_is_the_log_of_it() -> None:
    edges = np.array([340.0, 350.0, 365.0, 380.0])
    spent = np.diff(edges) * 12.0
    of_bands = ageing.thermal_age_of_histogram(edges, spent, 363.15)
    of_log = ageing.thermal_age([0.0, 480.0], [340.0, 380.0], 363.15)
    assert float(of_bands) == pytest.approx(float(of_log), rel=1e-12)


@settings(deadline=None)
@given(st.lists(st.floats(0.0, 1.0), min_size=1, max_size=8).filter(lambda x: sum(x) > 0.1))
def test_mixture_statistics_agree_with_drops(parts: list[float]) -> None:
    part = np.array(parts) / sum(parts)
    ages = np.arange(len(parts)) * 7.0 % 5.0
    assert float(ageing.mean_age(part, ages)) == pytest.approx(
        float(np.average(ages, weights=part))
    )
    for limit in (-1.0, 1.0, 2.0, 10.0):
        assert float(ageing.share_older_than(part, ages, limit)) == pytest.approx(
            float(part[ages > limit].sum())
        )
    for q in (0.1, 0.5, 0.9):
        age = float(ageing.age_quantile(part, ages, q))
        assert part[ages <= age].sum() >= q - 1e-9
        assert part[ages < age].sum() < q + 1e-9


def test_quantile_ends() -> None:
    assert float(ageing.age_quantile([0.0, 0.4, 0.6], [1.0, 5.0, 9.0], 0.0)) == 5.0
    assert float(ageing.age_quantile([0.4, 0.6, 0.0], [5.0, 9.0, 99.0], 1.0)) == 9.0


@settings(deadline=None)
@given(shares, intervals, st.integers(1, 12))
def test_mean_before_the_kth_service_is_what_the_ledger_says(
    f: float, delta: float, k: int
) -> None:
    parts, ages = ledger(f, delta, k)
    got = ageing.ages_before_service(f, delta, k)
    assert got.shape == (k,)
    assert float(got[-1]) == pytest.approx(float(ageing.mean_age(parts, ages)), rel=1e-9)


@settings(deadline=None)
@given(shares, intervals)
def test_the_limit_is_interval_over_share(f: float, delta: float) -> None:
    # A service keeps 1 − f of the fluid, which then ages by Δ: m' = (1 − f) m + Δ. At rest
    # m' = m, so f m = Δ and m = Δ/f. The distance from rest shrinks by 1 − f every time:
    # m' − Δ/f = (1 − f)(m − Δ/f), which is why any history ends there.
    rest = delta / f
    means = ageing.ages_before_service(f, delta, 40)
    gaps = rest - means
    np.testing.assert_allclose(gaps[1:], (1.0 - f) * gaps[:-1], atol=1e-9 * rest)
    assert float(ageing.renewal(f, delta, delta).mean_before) == pytest.approx(rest)
    # The same by summing the series Σ j Δ f (1 − f)^(j − 1), cut off when nothing is left.
    j = np.arange(1, int(40.0 / f) + 2)
    weights = f * (1.0 - f) ** (j - 1)
    assert float(np.sum(weights * j * delta)) == pytest.approx(rest, rel=1e-9)


@settings(deadline=None)
@given(st.floats(0.1, 1.0), intervals, st.floats(0.0, 6.0))
def test_long_run_shares_are_what_the_ledger_says(
    f: float, delta: float, in_intervals: float
) -> None:
    limit = in_intervals * delta
    parts, ages = ledger(f, delta, 400)
    settled = ageing.renewal(f, delta, limit)
    if abs(in_intervals - round(in_intervals)) > 1e-6:
        before = float(ageing.share_older_than(parts, ages, limit))
        assert float(settled.overdue_before) == pytest.approx(before, abs=1e-9)
        after_parts = np.append(parts * (1.0 - f), f)
        after = float(ageing.share_older_than(after_parts, np.append(ages, 0.0), limit))
        assert float(settled.overdue_after) == pytest.approx(after, abs=1e-9)
        phases = (np.arange(2000) + 0.5) / 2000 * delta
        aged = np.append(ages, 0.0) + phases[:, None]
        over_time = ageing.share_older_than(after_parts, aged, np.full(2000, limit)).mean()
        assert float(settled.overdue) == pytest.approx(float(over_time), abs=1e-3)
    assert float(settled.mean_after) == pytest.approx(float(settled.mean_before) - delta, abs=1e-6)
    assert float(settled.mean) == pytest.approx(
        (float(settled.mean_before) + float(settled.mean_after)) / 2.0
    )


def test_a_limit_of_three_intervals_counts_three() -> None:
    assert float(ageing.renewal(0.5, 0.1, 0.3).overdue_before) == pytest.approx(0.125)


def test_a_full_change_leaves_nothing_overdue() -> None:
    settled = ageing.renewal(1.0, 60.0, 60.0)
    assert float(settled.mean_before) == 60.0
    assert float(settled.overdue_before) == 0.0
    assert float(settled.overdue) == 0.0


def test_policies_as_a_table() -> None:
    settled = ageing.renewal(np.array([0.4, 0.9])[:, None], np.array([30.0, 60.0, 90.0]), 60.0)
    assert settled.overdue.shape == (2, 3)
    assert np.all(np.diff(settled.overdue, axis=1) >= 0)
    assert np.all(np.diff(settled.overdue, axis=0) <= 0)


@pytest.mark.parametrize(
    "call",
    [
        lambda: ageing.thermal_age([0.0, 1.0], [300.0], 363.0),
        lambda: ageing.thermal_age([], [], 363.0),
        lambda: ageing.thermal_age([1.0, 0.0], [300.0, 300.0], 363.0),
        lambda: ageing.thermal_age([0.0, 1.0], [300.0, float("nan")], 363.0),
        lambda: ageing.thermal_age([0.0, 1.0], [300.0, 300.0], 363.0, 0.0),
        lambda: ageing.thermal_age_of_histogram([300.0, 310.0], [1.0, 2.0], 363.0),
        lambda: ageing.thermal_age_of_histogram([310.0, 300.0], [1.0], 363.0),
        lambda: ageing.thermal_age_of_histogram([300.0, 310.0], [-1.0], 363.0),
        lambda: ageing.mean_age([0.5, 0.4], [0.0, 1.0]),
        lambda: ageing.mean_age([1.5, -0.5], [0.0, 1.0]),
        lambda: ageing.mean_age([1.0], [0.0, 1.0]),
        lambda: ageing.age_quantile([1.0], [0.0], 1.5),
        lambda: ageing.share_older_than([1.0], [0.0], float("nan")),
        lambda: ageing.ages_before_service(0.0, 60.0, 1),
        lambda: ageing.ages_before_service(0.5, 60.0, 0),
        lambda: ageing.renewal(1.2, 60.0, 60.0),
        lambda: ageing.renewal(0.5, 0.0, 60.0),
        lambda: ageing.renewal(0.5, 60.0, -1.0),
    ],
)
def test_impossible_input_is_refused(call: Callable[[], object]) -> None:
    with pytest.raises(ValueError, match="must"):
        call()
