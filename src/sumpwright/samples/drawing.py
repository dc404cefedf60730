"""The shares drawn on the photograph."""

from __future__ import annotations

import io
from itertools import pairwise

from PIL import Image, ImageDraw, ImageFont

from sumpwright.samples.photograph import Photograph
from sumpwright.samples.reading import RowReading

__all__ = ["draw_shares"]

_LINE = (0, 110, 255)
_INK = (20, 20, 20)
_PAPER = (255, 255, 255)


def draw_shares(
    photo: Photograph, reading: RowReading, longest: int = 2400, kind: str = "JPEG"
) -> bytes:
    """Draw the outline and the share of each vial on the photograph.

    Parameters
    ----------
    photo : Photograph
        The photograph that was read.
    reading : RowReading
        What it says.
    longest : int
        Longest side of the drawing in pixels.
    kind : str
        "JPEG" or "PNG".

    Returns
    -------
    bytes
        The picture file; no EXIF in it.
    """
    image = Image.fromarray(photo.pixels)
    image.thumbnail((longest, longest))
    scale = image.width / reading.width
    draw = ImageDraw.Draw(image)
    corners = [[(x * scale, y * scale) for x, y in v.outline] for v in reading.vials]
    widths = [max(x for x, _ in c) - min(x for x, _ in c) for c in corners]
    pitch = min(
        (b[0][0] - a[0][0] for a, b in pairwise(corners)),
        default=max(widths),
    )
    stroke = max(2, image.width // 500)
    size = max(9.0, min(image.height / 22, 0.3 * pitch))
    font = ImageFont.load_default(size)
    for number, (corner, vial) in enumerate(zip(corners, reading.vials, strict=True), start=1):
        draw.line([*corner, corner[0]], fill=_PAPER, width=2 * stroke)
        draw.line([*corner, corner[0]], fill=_LINE, width=stroke)
        text = _label(number, vial.old_share, vial.standard_error)
        middle = sum(x for x, _ in corner) / len(corner)
        foot = max(y for _, y in corner)
        left, top, right, bottom = draw.multiline_textbbox((0, 0), text, font=font, align="center")
        x = min(max(middle - (right - left) / 2, stroke), image.width - (right - left) - stroke)
        y = min(foot + 2 * stroke, image.height - (bottom - top) - 2 * stroke)
        box = (x - stroke, y - stroke, x + right - left + stroke, y + bottom - top + stroke)
        draw.rectangle(box, fill=_PAPER)
        draw.multiline_text((x - left, y - top), text, font=font, fill=_INK, align="center")
    out = io.BytesIO()
    image.save(out, kind, **({"quality": 90} if kind == "JPEG" else {}))
    return out.getvalue()


def _label(number: int, share: float, error: float) -> str:
    tolerance = f"\n±{100 * error:.1f}" if error > 0 else ""
    return f"{number}\n{100 * share:.0f} %{tolerance}"
