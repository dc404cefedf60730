"""Reading a row: finding it, its order, its light, what is said and what is refused."""

from __future__ import annotations

import io
import json
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageDraw

from photographs.plain import NEW, OLD, plain_picture, plain_row
from sumpwright.errors import Complaint
from sumpwright.samples.drawing import draw_shares
from sumpwright.samples.photograph import Photograph, load
from sumpwright.samples.reading import RowReading, calibrate, read_row

SHARES = [1.0, 0.62, 0.35, 0.18, 0.07, 0.0]


def as_file(picture: Image.Image, kind: str = "PNG", **more: object) -> bytes:
    out = io.BytesIO()
    picture.save(out, kind, **more)
    return out.getvalue()


def shares_of(reading: RowReading) -> list[float]:
    return [v.old_share for v in reading.vials]


@pytest.mark.parametrize("count", range(3, 11))
def test_each_vial_of_a_row(count: int) -> None:
    shares = np.linspace(1.0, 0.0, count) ** 1.5
    reading = read_row(plain_row(shares, size=(1000, 600)), "left")
    assert shares_of(reading) == pytest.approx(shares, abs=0.01)
    assert reading.warnings == ()


def test_the_old_fluid_at_the_right() -> None:
    reading = read_row(plain_row(SHARES[::-1]), "right")
    assert shares_of(reading) == pytest.approx(SHARES[::-1], abs=0.01)
    assert reading.vials[0].delta_e_to_new == 0.0
    assert reading.vials[0].told_apart is None


def test_outlines_lie_on_the_vials() -> None:
    picture, boxes = plain_picture(SHARES)
    reading = read_row(as_file(picture), "left")
    for vial, (left, top, right, bottom) in zip(reading.vials, boxes, strict=True):
        corners = [(left, top), (right, top), (right, bottom), (left, bottom)]
        assert np.abs(np.array(vial.outline) - np.array(corners)).max() < 6


def test_errors_grow_with_noise_and_with_darkness() -> None:
    def spread(grain: float, old: tuple[float, float, float]) -> float:
        picture, _ = plain_picture(SHARES, old=old)
        noise = np.random.default_rng(1).normal(0, grain, (480, 640, 3))
        noisy = np.clip(np.asarray(picture) + noise, 0, 255).astype(np.uint8)
        reading = read_row(Photograph(noisy), "left")
        return float(np.mean([v.standard_error for v in reading.vials[1:-1]]))

    assert spread(1, (0.08, 0.2, 0.5)) > 2 * spread(1, OLD)
    assert spread(12, (0.08, 0.2, 0.5)) > spread(0, (0.08, 0.2, 0.5))


def test_the_interval_holds_the_share_and_stays_within_bounds() -> None:
    reading = read_row(plain_row(SHARES, "JPEG"), "left")
    for vial, share in zip(reading.vials, SHARES, strict=True):
        assert 0.0 <= vial.low <= vial.old_share <= vial.high <= 1.0
        assert vial.low - 0.005 <= share <= vial.high + 0.005


def test_uneven_and_coloured_light_is_taken_out() -> None:
    picture, _ = plain_picture(SHARES)
    code = np.asarray(picture) / 255.0
    light = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)
    x = np.linspace(0, 1, 640)[None, :, None]
    y = np.linspace(0, 1, 480)[:, None, None]
    light = light * (1 - 0.35 * x - 0.1 * y) * np.array([1.0, 0.9, 0.7])
    again = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    reading = read_row(Photograph(np.rint(255 * again).astype(np.uint8)), "left")
    assert shares_of(reading) == pytest.approx(SHARES, abs=0.015)


def test_a_highlight_does_not_change_the_share() -> None:
    picture, boxes = plain_picture(SHARES, size=(1200, 800))
    draw = ImageDraw.Draw(picture)
    for left, top, right, bottom in boxes:
        x = left + 0.3 * (right - left)
        draw.rectangle([x, top + 30, x + 0.1 * (right - left), bottom - 40], fill=(252, 252, 252))
    assert shares_of(read_row(as_file(picture), "left")) == pytest.approx(SHARES, abs=0.015)


def test_one_orientation_is_as_good_as_another() -> None:
    picture, _ = plain_picture(SHARES)
    upright = read_row(as_file(picture, "PNG"), "left")
    # Orientation 6: the camera was held so that the picture must be turned by 90 degrees.
    exif = Image.Exif()
    exif[0x0112] = 6
    turned = picture.transpose(Image.Transpose.ROTATE_90)
    reading = read_row(as_file(turned, "PNG", exif=exif), "left")
    assert (reading.width, reading.height) == (640, 480)
    assert shares_of(reading) == pytest.approx(shares_of(upright), abs=1e-3)
    assert reading.vials[1].outline == upright.vials[1].outline


def test_heic() -> None:
    # A plain row, written once with a HEIC encoder: the library that reads HEIC here cannot write.
    heic = Path(__file__).parents[2] / "photographs" / "row.heic"
    assert shares_of(read_row(heic, "left")) == pytest.approx(SHARES, abs=0.02)


def test_outlines_by_hand_as_boxes_and_polygons() -> None:
    picture, boxes = plain_picture(SHARES)
    data = as_file(picture)
    plain = [[a, b, c - a, d - b] for a, b, c, d in boxes]
    corners = [[[a, b], [c, b], [c, d], [a, d]] for a, b, c, d in boxes]
    for outlines in (plain, corners, corners[::-1]):
        reading = read_row(data, "left", outlines=outlines)
        assert shares_of(reading) == pytest.approx(SHARES, abs=0.01)
    fewer = read_row(data, "left", outlines=[plain[0], plain[2], plain[-1]])
    assert shares_of(fewer) == pytest.approx([1.0, SHARES[2], 0.0], abs=0.01)


@pytest.mark.parametrize(
    ("outlines", "says"),
    [
        ([[0, 0, 50, 50]], "one outline is given"),
        ([["a"], [1, 2, 3, 4], [1, 2, 3, 4]], "outline 1 is not"),
        ([[1, 2, 2, 2]] * 3, "outline 1 is too small"),
        ([[600, 100, 300, 200]] * 3, "outside the picture"),
        ([[[0, 0], [float("nan"), 9], [3, 3]]] * 3, "outline 1 is not"),
    ],
)
def test_outlines_that_are_none(outlines: list[list[object]], says: str) -> None:
    with pytest.raises(Complaint, match=says):
        read_row(plain_row(SHARES), "left", outlines=outlines)


def boxes_of(count: int) -> tuple[bytes, list[list[list[float]]]]:
    picture, boxes = plain_picture(np.linspace(1.0, 0.0, count))
    corners = [[[a, b], [c, b], [c, d], [a, d]] for a, b, c, d in boxes]
    return as_file(picture), [[[float(x), float(y)] for x, y in quad] for quad in corners]


def test_outlines_that_cross() -> None:
    data, outlines = boxes_of(4)
    outlines[1][0] = [5.0, 5.0]  # its corner dragged over the first vial
    with pytest.raises(Complaint, match="outlines 1 and 2 overlap"):
        read_row(data, "left", outlines=outlines)


def test_an_outline_partly_on_the_card() -> None:
    data, outlines = boxes_of(4)
    wide = outlines[0][1][0] - outlines[0][0][0]
    moved = [[x + 0.5 * wide, y] for x, y in outlines[2]]
    with pytest.raises(Complaint, match="outline 3 from the left lies partly on bare card"):
        read_row(data, "left", outlines=[*outlines[:2], moved, outlines[3]])
    # A finger is not exact: a little card beside the fluid is no fault.
    near = [[[x + 0.08 * wide, y + 3] for x, y in quad] for quad in outlines]
    assert read_row(data, "left", outlines=near).warnings == ()


def test_an_outline_where_nothing_stands() -> None:
    data, outlines = boxes_of(4)
    picture, boxes = plain_picture(np.linspace(1.0, 0.0, 4))
    ImageDraw.Draw(picture).rectangle(boxes[3], fill=picture.getpixel((5, 5)))
    reading = read_row(as_file(picture), "left", outlines=outlines)
    assert any("Nothing but card is seen in outline 4" in w for w in reading.warnings)
    whole = read_row(data, "left", outlines=outlines)
    assert not any("Nothing but card" in w for w in whole.warnings)


def test_neighbours_that_cannot_be_told_apart() -> None:
    data = plain_row([1.0, 0.30, 0.295, 0.1, 0.0])
    assert [v.told_apart for v in read_row(data, "left").vials] == [None, True, False, True, True]
    strict = read_row(data, "left", threshold=60.0)
    assert [v.told_apart for v in strict.vials[1:]] == [False] * 4
    for threshold in (0.0, -1.0, float("nan"), float("inf")):
        with pytest.raises(Complaint, match="above zero"):
            read_row(data, "left", threshold=threshold)


def test_the_previous_vial_is_the_one_to_the_left() -> None:
    reading = read_row(plain_row(SHARES[::-1]), "right")
    for vial in reading.vials[1:]:
        assert vial.delta_e_to_previous is not None
    steps = [v.delta_e_to_new for v in reading.vials]
    assert all(a < b for a, b in pairwise(steps))


def test_vials_in_the_wrong_order_are_named() -> None:
    reading = read_row(plain_row([1.0, 0.2, 0.6, 0.1, 0.0]), "left")
    assert any("Vial 3 reads older than vial 2" in w for w in reading.warnings)


def test_the_wrong_end_is_asked_about() -> None:
    reading = read_row(plain_row(SHARES), "right")
    assert any("other way round" in w for w in reading.warnings)


def test_a_vial_of_another_fluid_is_named() -> None:
    picture, boxes = plain_picture(SHARES)
    ImageDraw.Draw(picture).rectangle(boxes[2], fill=(70, 90, 190))
    reading = read_row(as_file(picture), "left")
    assert any(w.startswith("Vial 3 is not a mix") for w in reading.warnings)
    assert shares_of(reading)[3] == pytest.approx(SHARES[3], abs=0.02)


def test_an_old_fluid_that_is_black_in_one_channel() -> None:
    reading = read_row(plain_row(SHARES, old=(0.7, 1.4, 3.5)), "left")
    assert "blue" not in reading.channels
    assert shares_of(reading) == pytest.approx(SHARES, abs=0.03)


@pytest.mark.parametrize(
    ("row", "says"),
    [
        (plain_row([1.0, 0.0]), "only two vials"),
        (plain_row([1.0, 0.5, 0.0], old=NEW), "too alike"),
        (plain_row([1.0, 0.5, 0.0], old=(3.9, 3.9, 3.9)), "too dark"),
        (plain_row([1.0, 0.5, 0.0], white=0.004), "too dark"),
        (plain_row([1.0, 0.5, 0.0], white=60.0), "burnt out|no row|look like a row"),
    ],
)
def test_what_gives_no_number(row: bytes, says: str) -> None:
    with pytest.raises(Complaint, match=says):
        read_row(row, "left")


def test_an_end_that_is_none() -> None:
    with pytest.raises(Complaint, match="say left or right"):
        read_row(plain_row(SHARES), "top")


def test_a_dilution_row_of_ones_own() -> None:
    known = [1.0, 0.75, 0.5, 0.25, 0.0]
    row = calibrate(plain_row(known), known)
    reading = read_row(plain_row(SHARES), "left", calibration=row)
    assert reading.calibrated
    assert shares_of(reading) == pytest.approx(SHARES, abs=0.02)
    with pytest.raises(Complaint, match="5 vials and 3 shares"):
        calibrate(plain_row(known), [1.0, 0.5, 0.0])
    with pytest.raises(Complaint, match="dilution row"):
        calibrate(plain_row(known), [0.9, 0.75, 0.5, 0.25, 0.0])


def test_the_data() -> None:
    reading = read_row(plain_row(SHARES), "left")
    data = json.loads(reading.to_json())
    assert set(data) == {"vials", "warnings"}
    assert set(data["vials"][0]) == {
        *("old_share", "standard_error", "low", "high", "delta_e_to_new"),
        *("delta_e_to_previous", "told_apart", "outline"),
    }
    assert data["vials"][0]["delta_e_to_previous"] is None


@pytest.mark.parametrize("kind", ["PNG", "JPEG"])
def test_the_shares_on_the_photograph(kind: str) -> None:
    photo = load(plain_row(SHARES))
    reading = read_row(photo, "left")
    drawn = np.asarray(Image.open(io.BytesIO(draw_shares(photo, reading, kind=kind))))
    assert drawn.shape == photo.pixels.shape
    changed = np.abs(drawn.astype(int) - photo.pixels).max(axis=2) > 60
    for vial in reading.vials:
        (left, _), (right, bottom) = vial.outline[0], vial.outline[2]
        label = changed[int(bottom) + 6 :, int(left) : int(right)]
        assert label.any()
        assert not changed[
            int(bottom) - 100 : int(bottom) - 60, int(left) + 20 : int(right) - 20
        ].any()
