"""The plainest drawing of a row: rectangles of even colour on a card, nothing of glass about them.

Knows nothing of the reader, and shares no code with the other generators.
"""

from __future__ import annotations

import io
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

Colour = tuple[float, float, float]

NEW: dict[str, Colour] = {
    "red": (0.03, 0.50, 0.30),
    "amber": (0.02, 0.10, 0.40),
    "green": (0.35, 0.06, 0.20),
    "blue": (0.40, 0.20, 0.04),
    "clear": (0.01, 0.02, 0.06),
}
OLD: dict[str, Colour] = {
    "brown": (0.30, 0.70, 1.30),
    "dark": (0.80, 1.20, 1.90),
    "weak": (0.15, 0.40, 0.70),
}


@dataclass(frozen=True)
class Drawn:
    """A picture, the shares in it from left to right and the end at which the old fluid is."""

    data: bytes
    shares: NDArray[np.float64]
    old: str
    boxes: list[tuple[int, int, int, int]]


def flat_row(
    shares: NDArray[np.float64] | list[float],
    *,
    new: Colour = NEW["red"],
    old: Colour = OLD["brown"],
    size: tuple[int, int] = (800, 600),
    wide: float = 0.55,
    fills: list[float] | None = None,
    round_by: float = 0.0,
    white: float = 0.8,
    fall: float = 0.0,
    balance: Colour = (1.0, 1.0, 1.0),
    noise: float = 0.003,
    margin: float = 0.0,
    quality: int | None = 88,
    seed: int = 0,
) -> Drawn:
    """Draw rectangles of the mixes of two fluids.

    `wide` is their width over their distance, `fills` their heights, `round_by` how round their
    corners are; `margin` leaves grey beside the card, `fall` is how much darker its right is.
    """
    rng = np.random.default_rng(seed)
    width, height = size
    light = np.full((height, width, 3), 0.2)
    edge = int(margin * width)
    light[edge : height - edge, edge : width - edge] = 1.0
    parts = np.asarray(shares, dtype=np.float64)
    pitch = (width - 2 * edge) / (len(parts) + 0.5)
    half = wide * pitch / 2
    foot = int(0.8 * height)
    boxes = []
    for k, part in enumerate(parts):
        middle = edge + (k + 0.75) * pitch
        tall = 0.55 * height * (fills[k] if fills else 1.0)
        box = (int(middle - half), int(foot - tall), int(middle + half), foot)
        mask = Image.new("L", size)
        ImageDraw.Draw(mask).rounded_rectangle(box, round_by * half, 255)
        depth = np.asarray(new) + part * (np.asarray(old) - np.asarray(new))
        light[np.asarray(mask) > 0] = 10.0**-depth
        boxes.append(box)
    light *= white * (1 - fall * np.arange(width)[None, :, None] / width) * np.asarray(balance)
    light += noise * rng.normal(size=light.shape)
    light = np.clip(light, 0, 1)
    code = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    out = io.BytesIO()
    picture = Image.fromarray(np.rint(255 * code).astype(np.uint8))
    if quality is None:
        picture.save(out, "PNG")
    else:
        picture.save(out, "JPEG", quality=quality)
    return Drawn(out.getvalue(), parts, "left" if parts[0] > parts[-1] else "right", boxes)


def any_flat_row(seed: int) -> Drawn:
    """Draw one at random, from three to nine."""
    rng = np.random.default_rng([seed, 12])
    between = np.sort(rng.uniform(0.03, 0.9, int(rng.integers(1, 8))))[::-1]
    shares = np.array([1.0, *between, 0.0])
    if rng.random() < 0.5:
        shares = shares[::-1]
    return flat_row(
        shares,
        new=NEW[str(rng.choice(list(NEW)))],
        old=OLD[str(rng.choice(list(OLD)))],
        size=[(800, 600), (1200, 900), (640, 480), (1600, 900)][int(rng.integers(4))],
        wide=rng.uniform(0.35, 0.8),
        fills=list(rng.uniform(0.7, 1.1, len(shares))) if rng.random() < 0.4 else None,
        round_by=float(rng.choice([0.0, 0.2, 0.5])),
        white=rng.uniform(0.55, 1.0),
        fall=rng.uniform(0.0, 0.3),
        balance=tuple(1 - rng.uniform(0, 0.12, 3)),
        noise=rng.uniform(0.0, 0.01),
        margin=float(rng.choice([0.0, 0.05])),
        quality=int(rng.integers(60, 96)) if rng.random() < 0.8 else None,
        seed=seed,
    )
