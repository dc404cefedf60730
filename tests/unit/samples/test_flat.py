"""Rows drawn as even rectangles, which show no glass: read for their colours, with a warning."""

from __future__ import annotations

import io

import numpy as np
import pytest
from PIL import Image

from photographs.flat import NEW, OLD, any_flat_row, flat_row
from sumpwright.errors import Complaint
from sumpwright.samples.patches import Patch
from sumpwright.samples.reading import read_row
from sumpwright.samples.unglazed import are_mixes, stand_alike

SHARES = [1.0, 0.6, 0.35, 0.15, 0.0]
WARNING = "Nothing in the picture shows glass"


@pytest.mark.parametrize("seed", range(10))
def test_every_vial_of_a_flat_row_is_read(seed: int) -> None:
    drawn = any_flat_row(seed)
    reading = read_row(drawn.data, drawn.old)
    assert len(reading.vials) == len(drawn.shares)
    errors = np.array([v.old_share for v in reading.vials]) - drawn.shares
    assert np.abs(errors).max() < 0.05
    for vial, box in zip(reading.vials, drawn.boxes, strict=True):
        middle = float(np.mean([x for x, _ in vial.outline]))
        assert abs(middle - (box[0] + box[2]) / 2) < 0.15 * (box[2] - box[0])
    assert any(w.startswith(WARNING) for w in reading.warnings)


def test_on_pure_white_and_with_unequal_fills() -> None:
    drawn = flat_row(SHARES, white=1.0, noise=0.0, quality=None, fills=[0.7, 1.0, 0.8, 1.1, 0.9])
    found = [v.old_share for v in read_row(drawn.data, "left").vials]
    assert found == pytest.approx(SHARES, abs=0.03)


def test_a_clear_end_is_no_shadow() -> None:
    drawn = flat_row(SHARES[::-1], new=NEW["clear"], old=OLD["weak"])
    reading = read_row(drawn.data, "right")
    assert [v.old_share for v in reading.vials] == pytest.approx(SHARES[::-1], abs=0.04)


def test_another_fluid_among_them_is_named() -> None:
    row = flat_row([1.0, 0.6, 0.5, 0.3, 0.0], new=NEW["amber"])
    picture = np.asarray(Image.open(io.BytesIO(row.data))).copy()
    left, top, right, foot = row.boxes[2]
    picture[top:foot, left:right] = (60, 120, 60)
    out = io.BytesIO()
    Image.fromarray(picture).save(out, "PNG")
    warnings = read_row(out.getvalue(), "left").warnings
    assert any(w.startswith("Vial 3 is not a mix") for w in warnings)


NONE = {
    "one colour": flat_row([0.5] * 5),
    "old at the other end": flat_row(SHARES[::-1]),
    "in no order": flat_row([1.0, 0.1, 0.8, 0.2, 0.9, 0.0]),
    "beyond its ends": flat_row([0.6, 1.0, 0.9, 0.0, 0.2]),
    "grey": flat_row(SHARES, new=(0.1, 0.1, 0.1), old=(0.9, 0.9, 0.9)),
    "a chart": flat_row(SHARES, fills=[1.2, 1.1, 1.0, 0.9, 0.8]),
    "bleached": flat_row(SHARES, new=(0.5, 0.1, 0.05), old=(0.1, 0.6, 0.1)),
}


@pytest.mark.parametrize("name", NONE)
def test_what_is_no_row_of_mixes_is_refused(name: str) -> None:
    with pytest.raises(Complaint):
        read_row(NONE[name].data, "left")


def test_without_colour_nothing_speaks_for_a_row() -> None:
    grey = Image.open(io.BytesIO(flat_row(SHARES).data)).convert("L")
    out = io.BytesIO()
    grey.save(out, "PNG")
    with pytest.raises(Complaint, match="does not look like fluid in glass"):
        read_row(out.getvalue(), "left")


def patches(*depths: tuple[float, float, float]) -> list[Patch]:
    small, never = np.full(3, 0.003), np.zeros(3, dtype=bool)
    return [Patch(10 ** -np.array(d), 0.7 * 10 ** -np.array(d), small, never, 0.0) for d in depths]


@pytest.mark.parametrize(
    ("middle", "mixes"),
    [
        ((0.2, 0.6, 0.9), True),
        ((0.2, 0.9, 0.6), False),
        ((0.4, 1.2, 1.8), False),
    ],
)
def test_a_mix_lies_between_the_ends(middle: tuple[float, float, float], mixes: bool) -> None:
    ends = (0.1, 0.2, 0.3), (0.3, 1.0, 1.5)
    assert are_mixes(patches(ends[0], middle, ends[1])) is mixes
    assert are_mixes(patches(ends[1], middle, ends[0])) is mixes


@pytest.mark.parametrize(
    ("width", "foot", "alike"), [(10.0, 30.0, True), (13.0, 30.0, False), (10.0, 36.0, False)]
)
def test_outlines_that_are_alike(width: float, foot: float, alike: bool) -> None:
    quads = []
    for k in range(5):
        w, f = (width, foot) if k == 2 else (10.0, 30.0)
        x = 20.0 * k
        quads.append(np.array([[x, 0.0], [x + w, 0.0], [x + w, f], [x, f]]))
    assert stand_alike(quads) is alike
