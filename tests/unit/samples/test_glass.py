"""What is a vial and what is not: shadows, clear vials, paint and solids."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d

from photographs.painter import row
from sumpwright.errors import Complaint
from sumpwright.samples.glass import glass_of, is_glass
from sumpwright.samples.keeping import doubts_of
from sumpwright.samples.reading import read_row

QUAD = np.array([[40.0, 60.0], [80.0, 60.0], [80.0, 180.0], [40.0, 180.0]])


def made(across: np.ndarray, *, colour: tuple[float, float, float] = (0.2, 0.4, 0.8)) -> np.ndarray:
    """Absorbance of one thing as wide as `QUAD`, by its depth across."""
    absorbance = np.zeros((240, 120, 3), np.float32)
    absorbance[60:180, 40:80] = across[None, :, None] * np.array(colour)
    return absorbance


U = (np.arange(40) + 0.5) / 20 - 1


@pytest.mark.parametrize(
    ("across", "low", "high"),
    [
        (np.sqrt(1 - U**2), 0.6, 0.85),  # seen straight through
        (np.sqrt(1 - (U / 1.46) ** 2), 0.85, 0.93),  # bent towards the axis by the fluid
        (np.ones(40), 0.99, 1.01),  # paint
        (1 - 0.5 * np.log10(np.sqrt(1 - U**2)), 1.03, 1.3),  # a solid, lit from the front
    ],
)
def test_depth_across_the_bore(across: np.ndarray, low: float, high: float) -> None:
    assert low < glass_of(made(across), QUAD).bend < high


def test_a_highlight_does_not_make_paint_round() -> None:
    across = np.where(np.abs(U + 0.65) < 0.12, 0.3, 1.0)
    assert glass_of(made(across), QUAD).bend > 0.98


def test_paint_out_of_focus_looks_round_and_is_no_glass() -> None:
    sharp = [glass_of(made(np.sqrt(1 - (U / 1.46) ** 2)), QUAD)] * 3
    assert is_glass(sharp)
    paint = gaussian_filter1d(made(np.ones(40)), 8.0, axis=1)
    soft = [glass_of(paint, QUAD)] * 3
    assert soft[0].bend < 0.96
    assert not is_glass(soft)


@pytest.mark.parametrize("depth", [0.02, 0.08, 0.2])
def test_a_soft_shadow_shows_nothing_of_a_vial(depth: float) -> None:
    soft = glass_of(made(np.exp(-((U / 0.5) ** 2)), colour=(depth, depth, depth)), QUAD)
    assert soft.unseen


def test_rims_or_a_neck_show_a_vial_however_clear() -> None:
    clear = np.full(40, 0.02)
    clear[[0, 1, -2, -1]] = 0.1
    assert not glass_of(made(clear, colour=(1, 1, 1)), QUAD).unseen
    neck = made(np.full(40, 0.02), colour=(1, 1, 1))
    neck[20:60, [40, 41, 78, 79]] = 0.1
    assert glass_of(neck, QUAD).neck
    assert not glass_of(neck, QUAD).unseen


@pytest.mark.parametrize("kind", ["soft", "ramp", "hard"])
@pytest.mark.parametrize("depth", [0.08, 0.15, 0.3])
def test_a_shadow_with_room_beside_it_is_no_vial(kind: str, depth: float) -> None:
    rng = np.random.default_rng([int(100 * depth), len(kind)])
    data = row([1.0, 0.25, 0.0], rng, kind=kind, depth=depth)
    try:
        reading = read_row(data, "left")
    except Complaint:
        # A hard shadow of this depth may be refused, but nothing less may.
        assert (kind, depth) == ("hard", 0.3)
        return
    assert len(reading.vials) == 3
    assert reading.vials[1].old_share == pytest.approx(0.25, abs=0.08)


@pytest.mark.parametrize(("new", "first"), [("amber", 120.0), ("red", None), ("green", 300.0)])
def test_what_is_left_out_is_told(new: str, first: float | None) -> None:
    rng = np.random.default_rng(8)
    data = row([0.0, 0.4, 1.0], rng, new=new, kind="hard", depth=0.08, first=first)
    reading = read_row(data, "right")
    assert len(reading.vials) == 3
    assert any(w.startswith("Something faint stands right") for w in reading.warnings)
    assert doubts_of(reading)
    plain = read_row(row([0.0, 0.4, 1.0], rng, new=new, first=first), "right")
    assert len(plain.vials) == 3
    assert plain.warnings == ()


@pytest.mark.parametrize("cap", [False, True])
@pytest.mark.parametrize("count", [3, 4, 6])
def test_rows_painted_otherwise_are_read(count: int, cap: bool) -> None:
    shares = np.linspace(1.0, 0.0, count) ** 1.4
    rng = np.random.default_rng(count)
    data = row(shares, rng, new="amber", pitch=130, wide=70, cap=cap, glare=0.0 if cap else 0.5)
    reading = read_row(data, "left")
    assert [v.old_share for v in reading.vials] == pytest.approx(list(shares), abs=0.08)


def test_a_brown_old_fluid_may_be_lighter_than_a_red_one() -> None:
    data = row([1.0, 0.5, 0.0], np.random.default_rng(4), old="light brown", new="red")
    assert read_row(data, "left").warnings == ()
