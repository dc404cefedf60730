"""A row of round vials drawn as rectangles on white: the plainest photograph there can be."""

from __future__ import annotations

import io
from collections.abc import Sequence

import numpy as np
from PIL import Image

NEW = (0.03, 0.12, 0.35)
OLD = (0.45, 0.85, 1.30)


def plain_picture(
    shares: Sequence[float],
    *,
    new: Sequence[float] = NEW,
    old: Sequence[float] = OLD,
    white: float = 0.8,
    size: tuple[int, int] = (640, 480),
) -> tuple[Image.Image, list[tuple[int, int, int, int]]]:
    """Return the picture and each box as left, top, right, bottom."""
    width, height = size
    light = np.full((height, width, 3), white)
    pitch = width / (len(shares) + 0.6)
    wide = int(0.55 * pitch)
    # The bore is deepest in its middle; refraction bends the outer rays towards it.
    across = (np.arange(wide) + 0.5) / wide * 2 - 1
    path = np.sqrt(1 - (across / 1.45) ** 2)[:, None]
    top, bottom = int(0.22 * height), int(0.78 * height)
    boxes = []
    for k, share in enumerate(shares):
        left = int((k + 0.8) * pitch - wide / 2)
        depth = np.asarray(new) + share * (np.asarray(old) - np.asarray(new))
        light[top:bottom, left : left + wide] = white * 10.0 ** -(path * depth)
        boxes.append((left, top, left + wide, bottom))
    code = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    return Image.fromarray(np.rint(255 * code).astype(np.uint8)), boxes


def plain_row(shares: Sequence[float], kind: str = "PNG", **more: object) -> bytes:
    """Return the picture as a file."""
    picture, _ = plain_picture(shares, **more)  # type: ignore[arg-type]
    out = io.BytesIO()
    picture.save(out, kind)
    return out.getvalue()
