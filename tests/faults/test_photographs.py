"""Pictures that hold no row, two hundred and more: a clear word each time, never a number."""

from __future__ import annotations

import io
import zlib
from collections.abc import Callable, Iterator

import cv2
import numpy as np
import pytest
from PIL import Image, ImageDraw

from photographs.painter import NONSENSE
from photographs.plain import plain_picture, plain_row
from sumpwright.errors import Complaint
from sumpwright.samples.reading import read_row

W, H = 640, 480
GOOD = plain_row([1.0, 0.5, 0.2, 0.0], "JPEG")
GOOD_PNG = plain_row([1.0, 0.5, 0.2, 0.0])

Rng = np.random.Generator
Maker = Callable[[Rng], bytes]


def saved(picture: Image.Image | np.ndarray, kind: str = "JPEG") -> bytes:
    if isinstance(picture, np.ndarray):
        picture = Image.fromarray(np.clip(picture, 0, 255).astype(np.uint8))
    out = io.BytesIO()
    picture.save(out, kind)
    return out.getvalue()


def white() -> tuple[Image.Image, ImageDraw.ImageDraw]:
    picture = Image.new("RGB", (W, H), (235, 235, 232))
    return picture, ImageDraw.Draw(picture)


def plain_colour(rng: Rng) -> bytes:
    level = int(rng.choice([0, 3, 128, 250, 255]))
    return saved(np.full((H, W, 3), level))


def noise(rng: Rng) -> bytes:
    return saved(rng.normal(128, 60, (H, W, 3)))


def clouds(rng: Rng) -> bytes:
    return saved(128 + 1500 * cv2.GaussianBlur(rng.normal(size=(H, W, 3)), (0, 0), 18))


def gradient(rng: Rng) -> bytes:
    ramp = np.linspace(30, 250, W)[None, :, None] * np.ones((H, 1, 3))
    return saved(np.rot90(ramp, int(rng.integers(4))) * rng.uniform(0.5, 1.0, 3))


def text(rng: Rng) -> bytes:
    picture, draw = white()
    for y in range(30, H - 30, int(rng.integers(14, 40))):
        x = 30.0
        while x < W - 60:
            wide = rng.uniform(5, 50)
            draw.rectangle([x, y, x + wide, y + 8], fill=(25, 25, 25))
            x += wide + 9
    return saved(picture)


def bars(rng: Rng) -> bytes:
    picture, draw = white()
    count = int(rng.integers(3, 9))
    colour = tuple(int(c) for c in rng.integers(0, 180, 3))
    for k in range(count):
        x = 40 + k * (W - 80) / count
        top = H - 30 - rng.uniform(20, H - 80)
        draw.rectangle([x, top, x + 0.6 * (W - 80) / count, H - 30], fill=colour)
    return saved(picture)


def alike(rng: Rng) -> bytes:
    share = float(rng.uniform(0.2, 1.0))
    return plain_row([share] * int(rng.integers(3, 8)), "JPEG")


def rainbow(rng: Rng) -> bytes:
    picture, draw = white()
    paint = [(200, 30, 30), (30, 160, 40), (30, 40, 190), (220, 200, 30), (150, 30, 150)]
    turn = int(rng.integers(5))
    for k in range(4):
        x = 50 + k * 115
        draw.rectangle([x, 100, x + 60, 380], fill=paint[(k + turn) % 5])
    return saved(picture)


def circles(rng: Rng) -> bytes:
    picture, draw = white()
    for _ in range(int(rng.integers(1, 12))):
        x, y, r = rng.uniform(0, W), rng.uniform(0, H), rng.uniform(15, 90)
        draw.ellipse([x - r, y - r, x + r, y + r], fill=tuple(map(int, rng.integers(0, 255, 3))))
    return saved(picture)


def stripes(rng: Rng) -> bytes:
    period = int(rng.integers(15, 70))
    on = (np.indices((H, W))[1] // period) % 2 == 1
    return saved(np.where(on[..., None], 245.0, np.array([90.0, 50.0, 20.0])))


def checker(rng: Rng) -> bytes:
    period = int(rng.integers(15, 70))
    on = (np.indices((H, W)) // period).sum(axis=0) % 2 == 1
    return saved(np.where(on[..., None], 245.0, np.array([40.0, 40.0, 45.0])))


def few_vials(rng: Rng) -> bytes:
    count = int(rng.integers(1, 3))
    picture, boxes = plain_picture([1.0, 0.5, 0.2, 0.0])
    draw = ImageDraw.Draw(picture)
    for box in boxes[count:]:
        draw.rectangle(box, fill=picture.getpixel((5, 5)))
    return saved(picture)


def black_row(rng: Rng) -> bytes:
    return plain_row([1.0, 0.5, 0.0], "JPEG", white=float(rng.uniform(0.0005, 0.01)))


def black_fluid(rng: Rng) -> bytes:
    return plain_row([1.0, 0.5, 0.0], "JPEG", old=tuple(rng.uniform(3.2, 5.0, 3)))


def cut_short(rng: Rng) -> bytes:
    data = GOOD if rng.random() < 0.5 else GOOD_PNG
    return data[: int(rng.integers(1, int(0.8 * len(data))))]


def not_a_picture(rng: Rng) -> bytes:
    kind = int(rng.integers(5))
    junk = rng.integers(0, 256, int(rng.integers(0, 4000)), dtype=np.uint8).tobytes()
    return (b"", b"Cable Green 7\n" * 40, junk, b"%PDF-1.4" + junk, zlib.compress(junk))[kind]


def wrong_size(rng: Rng) -> bytes:
    if rng.random() < 0.5:
        return saved(Image.new("1", (12_000 + int(rng.integers(999)), 9_000)), "PNG")
    return saved(Image.new("RGB", (int(rng.integers(1, 100)), 400), "white"), "PNG")


MAKERS: list[Maker] = [
    *(plain_colour, noise, clouds, gradient, text, bars, alike, rainbow, circles),
    *(stripes, checker, few_vials, black_row, black_fluid, cut_short, cut_short),
    *(not_a_picture, not_a_picture, wrong_size, few_vials),
]
EACH = 10


def pictures() -> Iterator[tuple[str, Maker, int]]:
    for place, make in enumerate(MAKERS):
        for k in range(EACH):
            yield f"{make.__name__} {place} {k}", make, 1000 * place + k
    # Things that stand in a row as vials do, of random sizes and colours.
    for place, make in enumerate(NONSENSE):
        for k in range(4):
            yield f"{make.__name__} {k}", make, 100_000 + 1000 * place + k


def test_there_are_two_hundred_and_more() -> None:
    assert len(list(pictures())) == 232


@pytest.mark.parametrize(("make", "seed"), [pytest.param(m, s, id=i) for i, m, s in pictures()])
def test_no_number(make: Maker, seed: int) -> None:
    data = make(np.random.default_rng(seed))
    with pytest.raises(Complaint) as told:
        read_row(data, "left" if seed % 2 else "right")
    assert told.value.what
    assert told.value.do
    assert "\n" not in str(told.value)


def test_damage_in_the_middle_never_ends_otherwise() -> None:
    rng = np.random.default_rng(9)
    for _ in range(40):
        data = bytearray(GOOD if rng.random() < 0.5 else GOOD_PNG)
        for place in rng.integers(0, len(data), int(rng.integers(1, 30))):
            data[place] = int(rng.integers(256))
        try:
            reading = read_row(bytes(data), "left")
        except Complaint:
            continue
        assert all(0.0 <= v.old_share <= 1.0 for v in reading.vials)
