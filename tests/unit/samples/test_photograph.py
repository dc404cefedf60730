"""Photographs as they come: formats, depths, profiles; and what is kept of them."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from photographs.plain import plain_picture
from sumpwright.errors import Complaint
from sumpwright.samples.photograph import Photograph, load


def written(picture: Image.Image, kind: str, **more: object) -> bytes:
    out = io.BytesIO()
    picture.save(out, kind, **more)
    return out.getvalue()


@pytest.fixture(scope="module")
def picture() -> Image.Image:
    return plain_picture([1.0, 0.4, 0.0])[0]


@pytest.mark.parametrize("mode", ["RGB", "RGBA", "P", "L", "LA", "I;16", "CMYK"])
def test_modes(picture: Image.Image, mode: str) -> None:
    if mode == "I;16":
        deep = (np.asarray(picture.convert("L"), dtype=np.uint16) * 257).astype(np.uint16)
        data = written(Image.fromarray(deep), "PNG")
    else:
        data = written(picture.convert(mode), "JPEG" if mode == "CMYK" else "PNG")
    photo = load(data)
    assert photo.pixels.shape == (480, 640, 3)
    assert photo.grey == (mode in ("L", "LA", "I;16"))
    flat = picture.convert("P").convert("RGB") if mode == "P" else picture
    expected = np.asarray(flat.convert("L" if photo.grey else "RGB").convert("RGB"))
    assert np.abs(photo.pixels.astype(int) - expected).mean() < 3


@pytest.mark.parametrize("orientation", range(1, 9))
def test_every_orientation(picture: Image.Image, orientation: int) -> None:
    back = {
        2: Image.Transpose.FLIP_LEFT_RIGHT,
        3: Image.Transpose.ROTATE_180,
        4: Image.Transpose.FLIP_TOP_BOTTOM,
        5: Image.Transpose.TRANSPOSE,
        6: Image.Transpose.ROTATE_90,
        7: Image.Transpose.TRANSVERSE,
        8: Image.Transpose.ROTATE_270,
    }
    stored = picture.transpose(back[orientation]) if orientation > 1 else picture
    exif = Image.Exif()
    exif[0x0112] = orientation
    photo = load(written(stored, "PNG", exif=exif))
    assert np.array_equal(photo.pixels, np.asarray(picture))


def test_what_is_kept_tells_nothing_but_the_picture(picture: Image.Image) -> None:
    exif = Image.Exif()
    exif[0x010F] = "an invented camera"
    exif[0x8825] = {1: "N", 2: (46.0, 30.0, 0.0)}
    kept = load(written(picture, "JPEG", exif=exif, quality=95)).kept()
    again = Image.open(io.BytesIO(kept))
    assert dict(again.getexif()) == {}
    assert b"invented" not in kept
    assert again.size == picture.size


def test_a_transparent_picture_stands_on_white() -> None:
    clear = Image.new("RGBA", (400, 300), (10, 20, 30, 0))
    assert np.all(load(written(clear, "PNG")).pixels == 255)


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"", "the file is empty"),
        (b"GIF89a" + bytes(300), "not a picture"),
        (b"\xff\xd8\xff" + bytes(300), "not a picture|damaged"),
        (written(Image.new("RGB", (60, 400)), "PNG"), "too small"),
    ],
)
def test_refusals(data: bytes, says: str) -> None:
    with pytest.raises(Complaint, match=says):
        load(data)


@pytest.fixture(scope="module")
def grainy() -> Image.Image:
    """Enough of a picture that damage to a part of its file is damage to a part of it."""
    grain = np.random.default_rng(3).normal(150, 9, (300, 400, 3))
    return Image.fromarray(np.clip(grain, 0, 255).astype(np.uint8))


@pytest.mark.parametrize("more", [{}, {"progressive": True}, {"subsampling": 0}], ids=str)
def test_a_jpeg_with_a_hole_is_refused(grainy: Image.Image, more: dict[str, object]) -> None:
    whole = written(grainy, "JPEG", **more)
    assert load(whole).size == (400, 300)
    at = len(whole) // 8  # in the first scan of a progressive file
    for hole in (bytes(300), b""):
        holed = whole[:at] + hole + whole[at + 300 :]
        Image.open(io.BytesIO(holed)).load()  # a decoder that makes something up
        with pytest.raises(Complaint, match="damaged or cut short"):
            load(holed)


@pytest.mark.parametrize("kind", ["PNG", "WEBP"])
def test_other_files_cut_short_or_with_a_hole_are_refused(grainy: Image.Image, kind: str) -> None:
    whole = written(grainy, kind)
    half = len(whole) // 2
    for broken in (whole[:half], whole[:half] + whole[half + 300 :], whole[:-300]):
        with pytest.raises(Complaint, match="damaged or cut short"):
            load(broken)


def test_a_heic_cut_short_is_refused() -> None:
    whole = (Path(__file__).parents[2] / "photographs" / "row.heic").read_bytes()
    for share in (0.3, 0.9):
        with pytest.raises(Complaint, match="damaged or cut short"):
            load(whole[: int(share * len(whole))])


def test_a_jpeg_whose_scan_names_a_wrong_range_is_read(grainy: Image.Image) -> None:
    whole = written(grainy, "JPEG")
    at = whole.index(b"\xff\xda") + 11
    assert whole[at : at + 3] == b"\x00\x3f\x00"
    odd = whole[:at] + b"\x01\x00\x00" + whole[at + 3 :]
    assert np.array_equal(load(odd).pixels, load(whole).pixels)
    half = len(odd) // 2
    with pytest.raises(Complaint, match="damaged or cut short"):
        load(odd[:half] + bytes(300) + odd[half + 300 :])


def test_a_jpeg_of_inks_is_read(grainy: Image.Image) -> None:
    assert load(written(grainy.convert("CMYK"), "JPEG")).size == (400, 300)


def test_a_tiff_is_told_what_can_be_read(grainy: Image.Image) -> None:
    with pytest.raises(Complaint, match="JPEG, PNG, WebP or HEIC"):
        load(written(grainy, "TIFF"))


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    for path in (tmp_path / "none.jpg", tmp_path):
        with pytest.raises(Complaint, match="cannot be read"):
            load(path)


def test_a_picture_of_many_pixels_in_few_bytes() -> None:
    bomb = written(Image.new("1", (30_000, 30_000)), "PNG", compress_level=9)
    assert len(bomb) < 1_000_000
    with pytest.raises(Complaint, match="too large"):
        load(bomb)


def test_the_kept_copy_is_bounded() -> None:
    wide = Photograph(np.zeros((500, 4000, 3), np.uint8))
    assert Image.open(io.BytesIO(wide.kept())).size == (2400, 300)
