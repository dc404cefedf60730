"""Intervals of shares that were read beyond an end of the scale."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate, stats

from sumpwright.physics.mixing import Shares

ANY = np.ones(3, dtype=bool)


def shares(centre: float, error: float) -> Shares:
    z = stats.norm.ppf(0.95)
    values = (centre, error, centre - z * error, centre + z * error, np.nan)
    return Shares(*(np.array([value]) for value in values), ANY)


@given(st.floats(-0.4, 1.4), st.floats(1e-3, 0.1))
def test_intervals_lie_in_the_scale_and_hold_the_value(centre: float, error: float) -> None:
    got = shares(centre, error).bounded()
    low, share, high = got.low[0], got.share[0], got.high[0]
    assert 0.0 <= low <= share <= high <= 1.0
    assert high > low


@pytest.mark.parametrize("centre", [1.02, 1.0001, -0.03])
def test_at_least_nine_in_ten_of_what_is_left_inside(centre: float) -> None:
    error = 0.02
    got = shares(centre, error).bounded()
    density = stats.norm(centre, error).pdf
    near = (0.8, 1.0) if centre > 0.5 else (0.0, 0.2)
    inside, _ = integrate.quad(density, *near)
    held, _ = integrate.quad(density, got.low[0], got.high[0])
    assert held / inside >= 0.90 - 1e-6


def test_a_value_far_beyond_an_end_is_no_surer_for_it() -> None:
    got = shares(1.3, 0.02).bounded()
    assert got.low[0] == pytest.approx(1.0 - stats.norm.ppf(0.95) * 0.02)


@given(st.sampled_from([0.0, 1.0]), st.floats(1e-3, 0.1))
def test_the_interval_does_not_jump_at_an_end(end: float, error: float) -> None:
    inside, beyond = (shares(end + way * 1e-9, error).bounded() for way in (1, -1))
    assert inside.low == pytest.approx(beyond.low, abs=1e-6)
    assert inside.high == pytest.approx(beyond.high, abs=1e-6)


def test_a_reference_stays_exact() -> None:
    got = shares(1.0, 0.0).bounded()
    assert (got.low[0], got.high[0]) == (1.0, 1.0)
