"""Level at a port, warm and cold, flat and on a slope."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sumpwright.physics import level
from sumpwright.physics.expansion import density_at, volume_at

contents = st.floats(1e-3, 60e-3)
temperatures = st.floats(253.15, 393.15)
densities = st.floats(780.0, 950.0)


@settings(deadline=None)
@given(contents, temperatures, temperatures, densities, st.floats(0.0, 2e-3))
def test_what_was_filled_stands_at_the_port_when_the_window_opens(
    v: float, fill: float, opens: float, rho: float, margin: float
) -> None:
    filled = level.fill_volume(v, fill, opens, rho, margin=margin)
    assert float(volume_at(filled, fill, opens, rho)) == pytest.approx(v + margin, rel=1e-12)
    needed = level.overfill_needed(v, fill, opens, rho, margin=margin)
    assert float(needed) == pytest.approx(float(filled) - v, abs=1e-15)


@settings(deadline=None)
@given(contents, st.floats(253.15, 320.0), st.floats(0.1, 60.0), densities)
def test_cold_fluid_needs_no_overfill_and_hot_fluid_does(
    v: float, fill: float, gap: float, rho: float
) -> None:
    assert float(level.overfill_needed(v, fill, fill + gap, rho)) < 0
    assert float(level.overfill_needed(v, fill + gap, fill, rho)) > 0


@settings(deadline=None)
@given(contents, temperatures, st.floats(0.0, 40.0), densities)
def test_run_out_leaves_the_machine_level_when_closed(
    v: float, opens: float, span: float, rho: float
) -> None:
    caught = float(level.run_out(v, opens, opens + span, rho))
    mass_before = v * float(density_at(opens, rho))
    mass_out = caught * float(density_at(opens + span, rho))
    assert mass_before - mass_out == pytest.approx(v * float(density_at(opens + span, rho)))
    cold = float(level.run_out(v, opens, opens + span, rho, collected_temperature=opens))
    assert cold * float(density_at(opens, rho)) == pytest.approx(mass_out, abs=1e-12)
    assert float(level.run_out(v, opens + span, opens, rho)) == 0.0


@settings(deadline=None)
@given(contents, temperatures, temperatures, densities)
def test_level_change_is_the_run_out_of_a_rising_temperature(
    v: float, t1: float, t2: float, rho: float
) -> None:
    change = float(level.level_change(v, t1, t2, rho))
    assert float(level.run_out(v, t1, t2, rho)) == pytest.approx(max(change, 0.0), abs=1e-15)


@settings(deadline=None)
@given(contents, temperatures, temperatures, densities, st.floats(0.01, 0.5))
def test_closed_too_hot_is_short_and_too_cold_is_over(
    v: float, closed: float, right: float, rho: float, area: float
) -> None:
    error = level.wrong_temperature_error(v, closed, right, rho, area)
    assert float(error.volume) * (right - closed) >= 0
    assert float(error.height) * area == pytest.approx(float(error.volume), abs=1e-15)


def test_a_wide_window_costs_what_it_costs() -> None:
    # 9.2 L of an 846 kg/m³ oil, window 38 to 46 °C: about 7 mL for each kelvin.
    caught = float(level.run_out(9.2e-3, 311.15, 319.15, 846.0))
    assert caught == pytest.approx(8 * 7.1e-6, rel=0.02)


@settings(deadline=None)
@given(
    st.floats(-0.4, 0.4),
    st.floats(math.radians(-8), math.radians(8)),
    st.floats(0.2, 0.6),
    st.floats(0.1, 0.4),
)
def test_slope_error_by_integrating_the_surface(
    offset: float, theta: float, length: float, width: float
) -> None:
    # A sump deep enough that the surface meets neither floor nor roof; lip at height zero at
    # the port, x measured uphill from the middle.
    n = 2000
    x = (np.arange(n) + 0.5) / n * length - length / 2
    surface = math.tan(theta) * (offset - x)
    extra = float(surface.mean()) * length * width
    error = level.slope_error(offset, theta, length * width)
    assert float(error.volume) == pytest.approx(extra, abs=1e-9)
    assert float(error.height) == pytest.approx(offset * math.tan(theta), abs=1e-12)


def test_port_uphill_overfills() -> None:
    assert float(level.slope_error(0.2, math.radians(2), 0.1).volume) > 0
    assert float(level.slope_error(-0.2, math.radians(2), 0.1).volume) < 0
    assert float(level.slope_error(0.0, math.radians(2), 0.1).volume) == 0


@settings(deadline=None)
@given(st.floats(-0.5, 0.5), st.floats(0.6, 5.0))
def test_slope_from_two_heights(rise: float, distance: float) -> None:
    theta = float(level.slope_from_heights(1.0, 1.0 + rise, distance))
    assert distance * math.sin(theta) == pytest.approx(rise, abs=1e-9)


def test_arrays_broadcast() -> None:
    error = level.wrong_temperature_error(9.2e-3, [310.0, 330.0], 315.0, 846.0, [[0.1], [0.2]])
    assert error.volume.shape == error.height.shape == (2, 2)
    error = level.slope_error(0.1, [0.0, 0.02], [[0.1], [0.2]])
    assert error.volume.shape == error.height.shape == (2, 2)


@pytest.mark.parametrize(
    "call",
    [
        lambda: level.level_change(0.0, 300.0, 310.0, 846.0),
        lambda: level.fill_volume(-9e-3, 300.0, 310.0, 846.0),
        lambda: level.fill_volume(9e-3, 300.0, 310.0, 846.0, margin=-1e-3),
        lambda: level.overfill_needed(9e-3, 300.0, float("nan"), 846.0),
        lambda: level.run_out(9e-3, 300.0, 310.0, 0.0),
        lambda: level.run_out(9e-3, 300.0, 310.0, 846.0, collected_temperature=-5.0),
        lambda: level.wrong_temperature_error(9e-3, 300.0, 310.0, 846.0, 0.0),
        lambda: level.slope_error(0.1, math.pi / 2, 0.1),
        lambda: level.slope_error(float("inf"), 0.0, 0.1),
        lambda: level.slope_error(0.1, 0.0, -0.1),
        lambda: level.slope_from_heights(0.0, 2.0, 1.0),
        lambda: level.slope_from_heights(0.0, 0.1, 0.0),
    ],
)
def test_impossible_input_is_refused(call: Callable[[], object]) -> None:
    with pytest.raises(ValueError, match="must"):
        call()
