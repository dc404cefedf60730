"""Invariants of thermal expansion."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sumpwright.physics import expansion as ex

temperatures = st.floats(223.15, 423.15)
densities = st.floats(750.0, 1200.0)
bases = st.sampled_from([ex.BASE_15C, ex.BASE_60F])


@settings(deadline=None)
@given(st.floats(1e-6, 10.0), temperatures, temperatures, densities, bases)
def test_there_and_back_again(v: float, t1: float, t2: float, rho: float, base: ex.Base) -> None:
    away = ex.volume_at(v, t1, t2, rho, base)
    assert float(ex.volume_at(away, t2, t1, rho, base)) == pytest.approx(v, rel=1e-12)


@settings(deadline=None)
@given(st.floats(1e-6, 10.0), temperatures, temperatures, densities, bases)
def test_mass_is_kept(v: float, t1: float, t2: float, rho: float, base: ex.Base) -> None:
    before = v * ex.density_at(t1, rho, base)
    after = ex.volume_at(v, t1, t2, rho, base) * ex.density_at(t2, rho, base)
    assert float(after) == pytest.approx(float(before), rel=1e-12)


@settings(deadline=None)
@given(temperatures, densities, bases)
def test_base_density_inverts_density(t: float, rho: float, base: ex.Base) -> None:
    seen = ex.density_at(t, rho, base)
    assert float(ex.base_density_from(seen, t, base)) == pytest.approx(rho, rel=1e-12)


@settings(deadline=None)
@given(temperatures, densities)
def test_hotter_is_larger(t: float, rho: float) -> None:
    assert ex.density_at(t + 1.0, rho) < ex.density_at(t, rho)


@settings(deadline=None)
@given(temperatures, densities)
def test_volume_per_kelvin_is_the_slope(t: float, rho: float) -> None:
    h = 0.05
    up, down = ex.volume_at(9e-3, t, [t + h, t - h], rho)
    slope = (up - down) / (2 * h)
    assert float(ex.volume_per_kelvin(9e-3, t, rho)) == pytest.approx(float(slope), rel=1e-6)


def test_arrays_broadcast() -> None:
    out = ex.volume_at(9e-3, 293.15, np.linspace(300, 320, 5), np.array([[840.0], [880.0]]))
    assert out.shape == (2, 5)


def test_base_temperature_changes_nothing() -> None:
    assert float(ex.density_at(288.15, 846.0)) == 846.0


@pytest.mark.parametrize(
    "call",
    [
        lambda: ex.density_at(300.0, 0.0),
        lambda: ex.density_at(300.0, -846.0),
        lambda: ex.density_at(-1.0, 846.0),
        lambda: ex.density_at(float("nan"), 846.0),
        lambda: ex.volume_at(float("inf"), 290.0, 300.0, 846.0),
        lambda: ex.volume_per_kelvin(-1e-3, 300.0, 846.0),
        lambda: ex.base_density_from("much", 300.0),
        lambda: ex.correction_factor(0.0, 1.0),
    ],
)
def test_impossible_input_is_refused(call: Callable[[], object]) -> None:
    with pytest.raises(ValueError, match="must"):
        call()


def test_scope_of_the_standard() -> None:
    assert ex.within_scope([801.0, 1163.0], [223.15, 423.15])
    assert not ex.within_scope(760.0, 300.0)
    assert not ex.within_scope(846.0, 450.0)
