"""Vials and other things painted one by one, for what the spectra are not needed for.

Shares no code and no assumption about their looks with the reader or with the generator: the path
of the light through a vial follows from refraction at its outer wall, colours are three numbers,
and the vials stand wherever they are put.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageFilter

W, H = 900, 675
REFRACTION = 1.46

Array = NDArray[np.float64]
Rng = np.random.Generator

NEW = {"amber": (0.02, 0.08, 0.38), "red": (0.05, 0.55, 0.30), "green": (0.35, 0.06, 0.25)}
OLD = {"brown": (0.25, 0.60, 1.25), "dark": (0.90, 1.50, 2.60), "red brown": (0.30, 0.95, 1.10)}
OLD["light brown"] = (0.10, 0.35, 0.90)
"""Lighter to the eye than the red unused fluid."""


def bare(rng: Rng) -> Array:
    """White card under a lamp from one side, as linear light."""
    y, x = np.mgrid[0:H, 0:W]
    turn = rng.uniform(0, 2 * np.pi)
    fall = rng.uniform(0, 0.2) * ((x / W - 0.5) * np.cos(turn) + (y / H - 0.5) * np.sin(turn))
    return np.asarray((rng.uniform(0.6, 0.85) * (1 - fall))[:, :, None] * np.ones(3))


def taken(
    light: Array, rng: Rng, *, quality: int = 88, grain: float = 0.006, blur: float = 0.8
) -> bytes:
    """The JPEG of linear light: grain, the sRGB curve and a little blur."""
    noisy = light + grain * np.sqrt(np.clip(light, 0, None) + 0.01) * rng.normal(size=light.shape)
    v = np.clip(noisy, 0, 1)
    code = np.where(v < 0.0031308, 12.92 * v, 1.055 * v ** (1 / 2.4) - 0.055)
    picture = Image.fromarray(np.rint(255 * code).astype(np.uint8))
    out = io.BytesIO()
    picture.filter(ImageFilter.GaussianBlur(blur)).save(out, "JPEG", quality=quality)
    return out.getvalue()


def shadow(
    light: Array, x: float, wide: float, depth: float, kind: str, top: int, foot: int
) -> None:
    """Darken the card beside a vial whose middle is at x; a negative width falls to the left."""
    u = (np.arange(W) - x) / wide
    if kind == "soft":
        cover = np.exp(-(((u - 0.45) / 0.27) ** 2))
    elif kind == "ramp":
        cover = np.clip(1.2 - u, 0, 1) * (u > 0)
    else:
        cover = ((u > 0.3) & (u < 1.3)).astype(np.float64)
    light[top : foot + 12] *= 1 - depth * cover[None, :, None]


def vial(
    light: Array,
    x: float,
    wide: float,
    absorbance: Array,
    *,
    top: int,
    foot: int,
    fill: float = 0.78,
    glare: float = 0.4,
    cap: tuple[float, float, float] | None = None,
) -> None:
    """A round vial with fluid in front of the card."""
    lo, hi = int(x - wide / 2), int(np.ceil(x + wide / 2)) + 1
    u = (np.arange(lo, hi) - x) / (wide / 2)
    within = np.abs(u) < 1
    # A ray that meets the wall at u runs at u / n from the axis in the fluid, whose radius is 0.88.
    path = np.sqrt(np.clip(1 - (u / REFRACTION / 0.88) ** 2, 0, 1))
    side = 1 - 0.6 * np.clip((np.abs(u) - 0.9) / 0.1, 0, 1)
    surface = int(foot - fill * (foot - top))
    for y in range(top, foot):
        glass = 0.95 * side[:, None] * np.ones(3)
        if y >= surface:
            glass = glass * 10.0 ** -(path[:, None] * absorbance)
        if surface - 2 <= y <= surface + 1:
            glass = glass * 0.65
        if y > foot - 5:
            glass = glass * 0.6
        light[y, lo:hi] *= np.where(within[:, None], glass, 1.0)
    light[top + 10 : foot - 15, lo:hi] += glare * np.exp(-(((u + 0.5) / 0.06) ** 2))[None, :, None]
    if cap is not None:
        light[top - 12 : top + 18, lo - 1 : hi + 1] = cap


def row(
    shares: Sequence[float],
    rng: Rng,
    *,
    old: str = "brown",
    new: str = "amber",
    pitch: float = 165.0,
    wide: float = 90.0,
    first: float | None = None,
    depth: float = 0.0,
    kind: str = "soft",
    glare: float = 0.4,
    cap: bool = False,
) -> bytes:
    """A row of vials, by default in the middle of the card with room at either side."""
    light = bare(rng)
    top, foot = 150, 520
    start = W / 2 - pitch * (len(shares) - 1) / 2 if first is None else first
    places = [start + k * pitch for k in range(len(shares))]
    for x in places if depth else []:
        shadow(light, x + wide / 2 * 0.2, wide, depth, kind, top, foot)
    for x, share in zip(places, shares, strict=True):
        mix = np.array(NEW[new]) + share * (np.array(OLD[old]) - np.array(NEW[new]))
        colour = (0.03, 0.03, 0.035) if cap else None
        vial(light, x, wide, mix, top=top, foot=foot, glare=glare, cap=colour)
    return taken(light, rng, quality=int(rng.integers(75, 95)))


def _steps(rng: Rng, count: int) -> Array:
    steps = np.sort(rng.uniform(0, 1, count))
    steps[0], steps[-1] = 0.0, 1.0
    return steps if rng.random() < 0.5 else steps[::-1]


def _paints(rng: Rng, count: int) -> Array:
    """Colours between two paints, mixed as paint or as dye."""
    a, b = rng.uniform(0.04, 0.7, (2, 3))
    t = _steps(rng, count)[:, None]
    return np.asarray(a * (1 - t) + b * t if rng.random() < 0.5 else a ** (1 - t) * b**t)


def _places(rng: Rng, count: int) -> tuple[list[float], float]:
    pitch = W / (count + rng.uniform(0.3, 1.5))
    wide = pitch * float(rng.uniform(0.4, 0.8))
    return [W / 2 + (k - (count - 1) / 2) * pitch for k in range(count)], wide


def _solid(
    light: Array,
    x: float,
    wide: Callable[[Array], Array],
    span: tuple[int, int],
    colour: Array,
    lamp: tuple[float, float, float],
) -> None:
    """An opaque round body, lit from an angle, with an even and a shining part."""
    angle, even, shine = lamp
    y, columns = np.mgrid[span[0] : span[1], 0:W]
    half = wide((y - span[0]) / max(1, span[1] - span[0])) / 2
    u = (columns - x) / np.maximum(half, 1e-6)
    facing = np.sqrt(np.clip(1 - u**2, 0, 1))
    lit = even + (1 - even) * np.clip(u * np.sin(angle) + facing * np.cos(angle), 0, 1)
    body = (
        lit[..., None] * colour
        + shine * np.exp(-(((u - np.sin(angle / 2)) / 0.09) ** 2))[..., None]
    )
    part = light[span[0] : span[1]]
    part[:] = np.where((np.abs(u) < 1)[..., None], body, part)


def _lamp(rng: Rng) -> tuple[float, float, float]:
    return float(rng.uniform(-0.8, 0.8)), float(rng.uniform(0.3, 1.0)), float(rng.uniform(0, 0.4))


def fingers(rng: Rng) -> bytes:
    """Fingers held before the card."""
    light, count = bare(rng), int(rng.integers(3, 6))
    places, wide = _places(rng, count)
    skin = np.array([0.68, 0.38, 0.25]) * rng.uniform(0.3, 1.0)
    angle, even, _ = _lamp(rng)
    for k, x in enumerate(places):
        tip = int(H * rng.uniform(0.12, 0.22))

        def tapered(v: Array) -> Array:
            return wide * np.sqrt(np.clip(1 - (1 - np.clip(v / 0.12, 0, 1)) ** 2, 0, 1))

        shade = skin * (1 - rng.uniform(0.02, 0.2) * k / count)
        _solid(light, x, tapered, (tip, int(0.92 * H)), shade, (angle, even, 0.0))
    return taken(light, rng)


def pens(rng: Rng) -> bytes:
    """Pens, some with caps, each of one colour."""
    light, count = bare(rng), int(rng.integers(3, 8))
    places, wide = _places(rng, count)
    colours, lamp, caps = _paints(rng, count), _lamp(rng), rng.random() < 0.5
    lid = rng.uniform(0.01, 0.6, 3)
    thin = wide * float(rng.uniform(0.4, 1.0))
    for x, colour in zip(places, colours, strict=True):
        _solid(light, x, lambda v: thin + 0 * v, (int(0.15 * H), int(0.85 * H)), colour, lamp)
        if caps:
            _solid(
                light, x, lambda v: 1.05 * thin + 0 * v, (int(0.15 * H), int(0.3 * H)), lid, lamp
            )
    return taken(light, rng)


def patches(rng: Rng) -> bytes:
    """Painted patches, in the order of their colours."""
    light, count = bare(rng), int(rng.integers(3, 8))
    places, wide = _places(rng, count)
    tall = float(rng.uniform(0.3, 0.7))
    for x, colour in zip(places, _paints(rng, count), strict=True):
        rows = slice(int(H * (0.5 - tall / 2)), int(H * (0.5 + tall / 2)))
        light[rows, int(x - wide / 2) : int(x + wide / 2)] = colour
    return taken(light, rng)


def blurred(rng: Rng) -> bytes:
    """Painted patches out of focus, whose edges pass softly into the card."""
    light, count = bare(rng), int(rng.integers(3, 6))
    places, wide = _places(rng, count)
    for x, colour in zip(places, _paints(rng, count), strict=True):
        light[int(0.2 * H) : int(0.8 * H), int(x - wide / 2) : int(x + wide / 2)] = colour
    return taken(light, rng, blur=wide * float(rng.uniform(0.05, 0.2)))


def grey_bars(rng: Rng) -> bytes:
    """Grey bars, in order or in none."""
    light, count = bare(rng), int(rng.integers(3, 8))
    places, wide = _places(rng, count)
    greys = _steps(rng, count) if rng.random() < 0.5 else rng.uniform(0, 1, count)
    for x, grey in zip(places, 0.02 + 0.45 * greys, strict=True):
        light[int(0.2 * H) : int(0.8 * H), int(x - wide / 2) : int(x + wide / 2)] = grey
    return taken(light, rng)


def crayons(rng: Rng) -> bytes:
    """Crayons with tips and printed rings."""
    light, count = bare(rng), int(rng.integers(3, 8))
    places, wide = _places(rng, count)
    lamp = _lamp(rng)
    for x, colour in zip(places, _paints(rng, count), strict=True):
        _solid(light, x, lambda v: wide + 0 * v, (int(0.25 * H), int(0.85 * H)), colour, lamp)
        cone = (int(0.13 * H), int(0.25 * H))
        _solid(light, x, lambda v: wide * (0.3 + 0.5 * v), cone, 0.8 * colour, lamp)
        for at in (0.33, 0.36, 0.74, 0.77):
            ring = light[int(at * H) : int(at * H) + 3, int(x - wide / 2) : int(x + wide / 2)]
            ring *= 0.4
    return taken(light, rng)


def cups(rng: Rng) -> bytes:
    """Opaque cups with their mouths seen from above: no glass and no meniscus."""
    light, count = bare(rng), int(rng.integers(3, 5))
    places, wide = _places(rng, count)
    lamp, narrow = _lamp(rng), float(rng.uniform(0, 0.4))
    y, columns = np.mgrid[0:H, 0:W]
    for x, colour in zip(places, _paints(rng, count), strict=True):
        span = (int(0.35 * H), int(0.8 * H))
        _solid(light, x, lambda v: wide * (1 - narrow * v), span, colour, lamp)
        mouth = ((columns - x) / (wide / 2)) ** 2 + ((y - span[0]) / (0.12 * wide)) ** 2 < 1
        light[mouth] = colour * rng.choice([0.5, 1.2])
    return taken(light, rng)


def blinds(rng: Rng) -> bytes:
    """Upright blinds before a bright window."""
    light, count = bare(rng), int(rng.integers(3, 12))
    pitch = W / count
    for k, colour in enumerate(_paints(rng, count)):
        a, b = int((k + 0.5 - rng.uniform(0.2, 0.35)) * pitch), int((k + 0.8) * pitch)
        slope = np.linspace(rng.uniform(0.6, 1.0), 1.0, b - a)
        light[int(0.1 * H) : int(0.9 * H), a:b] = slope[None, :, None] * colour
    return taken(light, rng)


NONSENSE = (fingers, pens, patches, blurred, grey_bars, crayons, cups, blinds)
