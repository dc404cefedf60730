"""Invariants of viscosity with temperature and of blends."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from sumpwright.physics import viscosity as vi

oils = st.tuples(st.floats(5e-6, 1000e-6), st.floats(0.05, 0.6)).map(lambda p: (p[0], p[0] * p[1]))
celsius = st.floats(-10.0, 140.0)


@settings(deadline=None)
@given(oils, celsius)
def test_temperature_and_viscosity_are_inverses(oil: tuple[float, float], c: float) -> None:
    assume(oil[1] > 1.5e-6)
    line = vi.two_point_line(vi.T40, oil[0], vi.T100, oil[1])
    t = c + 273.15
    try:
        nu = vi.viscosity_at(line, t)
    except ValueError:
        assume(False)
    assume(vi.SCOPE[0] < float(nu) < vi.SCOPE[1])
    assert float(vi.temperature_at(line, nu)) == pytest.approx(t, rel=1e-10)


@settings(deadline=None)
@given(oils)
def test_the_line_passes_through_its_points(oil: tuple[float, float]) -> None:
    line = vi.two_point_line(vi.T40, oil[0], vi.T100, oil[1])
    np.testing.assert_allclose(vi.viscosity_at(line, [vi.T40, vi.T100]), oil, rtol=1e-9)
    swapped = vi.two_point_line(vi.T100, oil[1], vi.T40, oil[0])
    assert float(swapped.b) == pytest.approx(float(line.b), rel=1e-9)


@settings(deadline=None)
@given(oils, celsius)
def test_warmer_is_thinner(oil: tuple[float, float], c: float) -> None:
    assume(oil[1] > 1.5e-6)
    line = vi.two_point_line(vi.T40, oil[0], vi.T100, oil[1])
    try:
        nu = vi.viscosity_at(line, [c + 273.15, c + 274.15])
    except ValueError:
        assume(False)
    assert nu[1] < nu[0]


@settings(deadline=None)
@given(st.floats(0.22, 30.0))
def test_low_viscosities_invert_exactly(mm2: float) -> None:
    line = vi.two_point_line(300.0, 35e-6, 301.0, mm2 * 1e-6)
    assert float(vi.viscosity_at(line, 301.0)) * 1e6 == pytest.approx(mm2, rel=1e-10)


def test_many_oils_and_temperatures_at_once() -> None:
    line = vi.two_point_line(
        vi.T40, np.array([[30e-6], [60e-6]]), vi.T100, np.array([[6e-6], [9e-6]])
    )
    assert vi.viscosity_at(line, np.linspace(280.0, 380.0, 5)).shape == (2, 5)
    assert vi.viscosity_index([30e-6, 60e-6], [6e-6, 9e-6]).shape == (2,)


@settings(deadline=None)
@given(st.floats(2e-6, 900e-6), st.floats(2e-6, 900e-6), st.floats(0.0, 1.0))
def test_a_blend_lies_between_its_parts(first: float, second: float, part: float) -> None:
    nu = float(vi.blend_viscosity([first, second], [1.0 - part, part]))
    assert min(first, second) * (1 - 1e-9) <= nu <= max(first, second) * (1 + 1e-9)
    assume(abs(np.log(first / second)) > 0.05)
    assert float(vi.share_from_viscosity(nu, first, second)) == pytest.approx(part, abs=1e-6)


@settings(deadline=None)
@given(st.floats(2e-6, 900e-6), st.lists(st.floats(0.01, 1.0), min_size=1, max_size=5))
def test_a_blend_of_one_fluid_is_that_fluid(nu: float, parts: list[float]) -> None:
    shares = np.array(parts) / sum(parts)
    assert float(vi.blend_viscosity([nu] * len(parts), shares)) == pytest.approx(nu, rel=1e-9)


def test_blending_in_steps_or_at_once_is_the_same() -> None:
    first = vi.blend_viscosity([30e-6, 60e-6], [0.25, 0.75])
    steps = vi.blend_viscosity([float(first), 200e-6], [0.8, 0.2])
    at_once = vi.blend_viscosity([30e-6, 60e-6, 200e-6], [0.2, 0.6, 0.2])
    assert float(steps) == pytest.approx(float(at_once), rel=1e-12)


def test_importing_viscosity_does_not_import_the_slow_library() -> None:
    code = "import sys, sumpwright.physics.viscosity; print('chemicals' in sys.modules)"
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.strip() == "False"


@pytest.mark.parametrize(
    "call",
    [
        lambda: vi.two_point_line(313.15, 0.0, 373.15, 6e-6),
        lambda: vi.two_point_line(313.15, -30e-6, 373.15, 6e-6),
        lambda: vi.two_point_line(313.15, 30.0, 373.15, 6.0),
        lambda: vi.two_point_line(313.15, 30e-6, 313.15, 6e-6),
        lambda: vi.two_point_line(313.15, 6e-6, 373.15, 30e-6),
        lambda: vi.two_point_line(313.15, float("nan"), 373.15, 6e-6),
        lambda: vi.viscosity_at(vi.two_point_line(313.15, 30e-6, 373.15, 6e-6), 0.0),
        lambda: vi.viscosity_at(vi.two_point_line(313.15, 30e-6, 373.15, 6e-6), 20.0),
        lambda: vi.viscosity_at(vi.two_point_line(313.15, 30e-6, 373.15, 6e-6), 1500.0),
        lambda: vi.temperature_at(vi.two_point_line(313.15, 30e-6, 373.15, 6e-6), 0.0),
        lambda: vi.viscosity_index(30e-6, 1.9e-6),
        lambda: vi.viscosity_index(6e-6, 30e-6),
        lambda: vi.iso_grade(0.0),
        lambda: vi.blend_viscosity([30e-6, 60e-6], [0.5, 0.4]),
        lambda: vi.blend_viscosity([30e-6, 60e-6], [1.5, -0.5]),
        lambda: vi.blend_viscosity([30e-6], [0.5, 0.5]),
        lambda: vi.share_from_viscosity(30e-6, 30e-6, 30e-6),
    ],
)
def test_impossible_input_is_refused(call: Callable[[], object]) -> None:
    with pytest.raises(ValueError, match="must"):
        call()
