"""Wedge volumes against numerical integration over the floor of the pan."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import dblquad

from sumpwright.physics.pan import puddle_volume

sizes = st.floats(0.05, 1.2)
places = st.floats(0.0, 1.0)
lips = st.floats(0.0, 0.05)
tilts = st.floats(math.radians(-35), math.radians(35))


def surface(
    x: np.ndarray | float,
    y: np.ndarray | float,
    drain: tuple[float, float],
    lip: float,
    tilt: tuple[float, float],
) -> np.ndarray | float:
    """Depth at (x, y): how far the floor lies below a horizontal plane through the lip.

    By vectors, not by slopes: `up` is the vertical in the frame of the pan, the depth is
    measured square to the floor.
    """
    up = np.array([math.sin(tilt[0]), math.sin(tilt[1]), 0.0])
    up[2] = math.sqrt(1.0 - up @ up)
    lip_level = up @ np.array([drain[0], drain[1], lip])
    floor_level = up[0] * np.asarray(x) + up[1] * np.asarray(y)
    return np.maximum((lip_level - floor_level) / up[2], 0.0)


@given(sizes, sizes, places, places, lips, tilts, tilts)
@settings(max_examples=150, deadline=None)
def test_any_pan_any_lean_by_the_midpoint_rule(
    length: float, width: float, px: float, py: float, lip: float, tx: float, ty: float
) -> None:
    drain = (px * length, py * width)
    n = 400
    x = (np.arange(n) + 0.5)[:, None] / n * length
    y = (np.arange(n) + 0.5) / n * width
    depth = surface(x, y, drain, lip, (tx, ty))
    got = float(puddle_volume(length, width, *drain, lip, tx, ty))
    # Only cells that the shore line crosses are not exact: their share is about 2/n and their
    # depth at most the rise over one cell.
    rise = (length * abs(math.tan(tx)) + width * abs(math.tan(ty))) / n
    assert got == pytest.approx(
        float(np.mean(depth)) * length * width, abs=1e-12 + length * width * rise * 2 / n
    )


@pytest.mark.parametrize(
    ("drain", "lip", "tilt"),
    [
        ((0.03, 0.15), 0.006, (0.0, 0.0)),
        ((0.03, 0.15), 0.006, (math.radians(4), 0.0)),
        ((0.03, 0.15), 0.006, (math.radians(-4), 0.0)),
        ((0.05, 0.04), 0.008, (math.radians(6), math.radians(3))),
        ((0.20, 0.15), 0.010, (math.radians(9), math.radians(-7))),
        ((0.40, 0.30), 0.012, (math.radians(-2), math.radians(12))),
        ((0.0, 0.1), 0.0, (math.radians(1), math.radians(5))),
        ((0.1, 0.1), 0.004, (math.radians(30), 1e-9)),
    ],
)
def test_chosen_pans_by_adaptive_quadrature(
    drain: tuple[float, float], lip: float, tilt: tuple[float, float]
) -> None:
    length, width = 0.40, 0.30
    expected, _ = dblquad(
        lambda y, x: surface(x, y, drain, lip, tilt), 0.0, length, 0.0, width, epsabs=1e-9
    )
    got = float(puddle_volume(length, width, *drain, lip, *tilt))
    assert got == pytest.approx(expected, abs=5e-9)
