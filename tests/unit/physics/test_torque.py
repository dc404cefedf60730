"""Invariants of torque-wrench extensions and tolerances."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sumpwright.physics.torque import (
    applied_torque,
    tolerance_band,
    within_tolerance,
    wrench_setting,
)

torques = st.floats(0.5, 500.0)
lengths = st.floats(0.1, 1.5)
reaches = st.floats(0.0, 0.5)
forward = st.floats(-math.pi / 2, math.pi / 2)


@settings(deadline=None)
@given(torques, lengths, reaches, forward)
def test_setting_and_applied_are_inverses(t: float, wrench: float, reach: float, a: float) -> None:
    back = applied_torque(wrench_setting(t, wrench, reach, a), wrench, reach, a)
    assert float(back) == pytest.approx(t, rel=1e-12)


@settings(deadline=None)
@given(torques, lengths, reaches, forward)
def test_an_extension_never_asks_for_a_higher_setting(
    t: float, wrench: float, reach: float, a: float
) -> None:
    assert float(wrench_setting(t, wrench, reach, a)) <= t * (1 + 1e-12)


def test_an_extension_that_points_back_asks_for_more() -> None:
    assert float(wrench_setting(27.0, 0.45, 0.05, math.pi)) == pytest.approx(27 * 0.45 / 0.40)


def test_no_extension_is_the_plain_wrench() -> None:
    assert float(wrench_setting(27.0, 0.45)) == 27.0


@settings(deadline=None)
@given(torques, st.floats(0.0, 0.9))
def test_both_ends_of_the_band_pass(target: float, tolerance: float) -> None:
    ends = np.array(tolerance_band(target, tolerance, relative=True))
    assert within_tolerance(ends, target, tolerance, relative=True).all()
    outside = ends * np.array([1 - 1e-6, 1 + 1e-6])
    assert not within_tolerance(outside, target, tolerance, relative=True).any()


def test_absolute_and_relative_tolerance_agree() -> None:
    low, high = tolerance_band(50.0, 5.0)
    assert (float(low), float(high)) == (45.0, 55.0)
    assert tolerance_band(50.0, 0.1, relative=True) == (45.0, 55.0)


@pytest.mark.parametrize(
    "call",
    [
        lambda: wrench_setting(0.0, 0.45),
        lambda: wrench_setting(-27.0, 0.45),
        lambda: wrench_setting(float("nan"), 0.45),
        lambda: wrench_setting(27.0, 0.0),
        lambda: wrench_setting(27.0, 0.45, -0.05),
        lambda: wrench_setting(27.0, 0.45, 0.05, float("inf")),
        lambda: wrench_setting(27.0, 0.45, 0.45, math.pi),
        lambda: wrench_setting(27.0, 0.45, 0.60, math.pi),
        lambda: tolerance_band(27.0, -1.0),
        lambda: tolerance_band(27.0, 27.0),
        lambda: tolerance_band(27.0, 10, relative=True),
        lambda: within_tolerance(-1.0, 27.0, 2.0),
    ],
)
def test_impossible_input_is_refused(call: Callable[[], object]) -> None:
    with pytest.raises(ValueError, match=r"must|lever|tolerance"):
        call()
