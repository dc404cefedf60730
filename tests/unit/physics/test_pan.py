"""The puddle under a raised drain lip, and the lean that leaves least of it."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from sumpwright.physics.pan import best_lean, puddle_volume

sizes = st.floats(0.05, 1.2)
places = st.floats(0.0, 1.0)
lips = st.floats(0.001, 0.05)
tilts = st.floats(math.radians(-30), math.radians(30))


@settings(deadline=None)
@given(sizes, sizes, places, places, lips)
def test_flat_pan_keeps_area_times_lip(
    length: float, width: float, px: float, py: float, lip: float
) -> None:
    got = float(puddle_volume(length, width, px * length, py * width, lip))
    assert got == pytest.approx(length * width * lip, rel=1e-12)


@settings(deadline=None)
@given(sizes, sizes, places, places, lips, tilts, tilts)
def test_textbook_form_where_it_is_sound(
    length: float, width: float, px: float, py: float, lip: float, tx: float, ty: float
) -> None:
    assume(abs(tx) > 0.01 and abs(ty) > 0.01)
    up = np.sqrt(1 - np.sin(tx) ** 2 - np.sin(ty) ** 2)
    gx, gy = np.sin(tx) / up, np.sin(ty) / up
    total = 0.0
    for i, j in itertools.product((0, 1), repeat=2):
        depth = lip - gx * (i - px) * length - gy * (j - py) * width
        total += (-1) ** (i + j) * max(depth, 0.0) ** 3
    expected = total / (6 * gx * gy)
    got = float(puddle_volume(length, width, px * length, py * width, lip, tx, ty))
    assert got == pytest.approx(expected, rel=1e-6, abs=1e-10)


@settings(deadline=None)
@given(sizes, sizes, places, places, lips, tilts, tilts)
def test_turning_the_pan_around_changes_nothing(
    length: float, width: float, px: float, py: float, lip: float, tx: float, ty: float
) -> None:
    x, y = px * length, py * width
    one = float(puddle_volume(length, width, x, y, lip, tx, ty))
    mirrored = float(puddle_volume(length, width, length - x, y, lip, -tx, ty))
    swapped = float(puddle_volume(width, length, y, x, lip, ty, tx))
    assert mirrored == pytest.approx(one, rel=1e-9, abs=1e-15)
    assert swapped == pytest.approx(one, rel=1e-9, abs=1e-15)


@settings(deadline=None)
@given(sizes, sizes, places, places, lips, tilts, tilts, tilts, tilts)
def test_puddle_is_convex_in_the_slope_of_the_floor(
    length: float,
    width: float,
    px: float,
    py: float,
    lip: float,
    ax: float,
    ay: float,
    bx: float,
    by: float,
) -> None:
    def at(gx: float, gy: float) -> float:
        norm = math.sqrt(1 + gx * gx + gy * gy)
        tilt = math.asin(gx / norm), math.asin(gy / norm)
        return float(puddle_volume(length, width, px * length, py * width, lip, *tilt))

    middle = at((ax + bx) / 2, (ay + by) / 2)
    assert middle <= (at(ax, ay) + at(bx, by)) / 2 * (1 + 1e-9) + 1e-15


def test_drain_at_one_end_leaned_its_best_way() -> None:
    # Drain at distance a from one wall, in the middle of the other direction, best slope h/a:
    # the wet floor reaches 2 a, and half of the prism 2 a × 2 h × width is left: 2 a h width.
    length, width, a, h = 0.40, 0.30, 0.05, 0.004
    slope = math.atan(h / a)
    left = float(puddle_volume(length, width, a, width / 2, h, slope))
    assert left == pytest.approx(2 * a * h * width, rel=1e-12)
    lean = best_lean(length, width, a, width / 2, h, math.radians(15))
    assert lean.tilt_x == pytest.approx(slope, rel=1e-3)
    assert lean.tilt_y == pytest.approx(0.0, abs=1e-3)
    assert lean.volume == pytest.approx(left, rel=1e-6)
    assert lean.flat_volume == pytest.approx(length * width * h)


def test_drain_in_a_corner_leaned_its_best_way() -> None:
    # Best is a wet triangle with legs 3 a and 3 b, whose centroid is the drain; the lip is a
    # third of the way up, so the tetrahedron holds (3 a · 3 b / 2) · 3 h / 3 = 4.5 a b h.
    lean = best_lean(0.40, 0.30, 0.06, 0.04, 0.004, math.radians(20))
    assert lean.volume == pytest.approx(4.5 * 0.06 * 0.04 * 0.004, rel=1e-6)
    assert lean.tilt_x > 0
    assert lean.tilt_y > lean.tilt_x


@given(sizes, sizes, places, places, lips, st.floats(math.radians(0.5), math.radians(25)))
@settings(max_examples=30, deadline=None)
def test_no_lean_on_a_grid_beats_the_best(
    length: float, width: float, px: float, py: float, lip: float, limit: float
) -> None:
    x, y = px * length, py * width
    lean = best_lean(length, width, x, y, lip, limit)
    r = np.linspace(0.0, 1.0, 41)[:, None] * math.tan(limit)
    phi = np.linspace(0.0, 2 * math.pi, 73)
    norm = np.sqrt(1 + r * r)
    grid = puddle_volume(
        length,
        width,
        x,
        y,
        lip,
        np.arcsin(r * np.cos(phi) / norm),
        np.arcsin(r * np.sin(phi) / norm),
    )
    assert lean.volume <= float(grid.min()) + 1e-6 * lean.flat_volume
    again = float(puddle_volume(length, width, x, y, lip, lean.tilt_x, lean.tilt_y))
    assert lean.volume == pytest.approx(again, rel=1e-9, abs=1e-15)
    up = math.sqrt(1 - math.sin(lean.tilt_x) ** 2 - math.sin(lean.tilt_y) ** 2)
    assert math.acos(min(1.0, up)) <= limit * (1 + 1e-6)
    assert lean.volume <= lean.flat_volume


def test_leaning_the_wrong_way_keeps_more() -> None:
    flat = float(puddle_volume(0.40, 0.30, 0.03, 0.15, 0.006))
    right = float(puddle_volume(0.40, 0.30, 0.03, 0.15, 0.006, math.radians(3)))
    wrong = float(puddle_volume(0.40, 0.30, 0.03, 0.15, 0.006, math.radians(-3)))
    assert right < flat < wrong


def test_no_lean_empties_a_drain_in_the_middle() -> None:
    lean = best_lean(0.40, 0.30, 0.20, 0.15, 0.006, math.radians(10))
    assert lean.volume == lean.flat_volume
    assert (lean.tilt_x, lean.tilt_y) == (0.0, 0.0)


def test_a_lip_flush_with_the_floor_leaves_nothing() -> None:
    assert float(puddle_volume(0.40, 0.30, 0.0, 0.0, 0.0)) == 0.0
    lean = best_lean(0.40, 0.30, 0.1, 0.1, 0.0, math.radians(5))
    assert (lean.tilt_x, lean.volume) == (0.0, 0.0)


def test_arrays_broadcast() -> None:
    out = puddle_volume(0.4, 0.3, 0.03, 0.15, [0.004, 0.006], np.radians([[0.0], [2.0], [4.0]]))
    assert out.shape == (3, 2)


@pytest.mark.parametrize(
    "call",
    [
        lambda: puddle_volume(0.0, 0.3, 0.0, 0.1, 0.006),
        lambda: puddle_volume(0.4, -0.3, 0.1, 0.1, 0.006),
        lambda: puddle_volume(0.4, 0.3, 0.5, 0.1, 0.006),
        lambda: puddle_volume(0.4, 0.3, 0.1, -0.1, 0.006),
        lambda: puddle_volume(0.4, 0.3, 0.1, 0.1, -0.006),
        lambda: puddle_volume(0.4, 0.3, 0.1, 0.1, float("nan")),
        lambda: puddle_volume(0.4, 0.3, 0.1, 0.1, 0.006, math.pi / 2),
        lambda: puddle_volume(0.4, 0.3, 0.1, 0.1, 0.006, math.pi),
        lambda: puddle_volume(0.4, 0.3, 0.1, 0.1, 0.006, 1.2, 1.2),
        lambda: best_lean(0.4, 0.3, 0.1, 0.1, 0.006, -0.1),
        lambda: best_lean(0.4, 0.3, 0.1, 0.1, 0.006, math.pi / 2),
    ],
)
def test_impossible_input_is_refused(call: Callable[[], object]) -> None:
    with pytest.raises(ValueError, match="must"):
        call()
