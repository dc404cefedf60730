"""Photographs made ready for print: turned upright, made small, or left out."""

from __future__ import annotations

import base64
import io
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any
from xml.sax.saxutils import escape

import numpy as np

from sumpwright.display import Display
from sumpwright.paper.typeset import printable, short
from sumpwright.physics.colour import srgb_encode

_LARGEST = 1400
_QUALITY = 80


def prepare(
    rows: Sequence[Mapping[str, Any]],
    data: Mapping[str, bytes],
    clock: Callable[[str], str],
    vials: Mapping[str, Sequence[Vial]] | None = None,
) -> tuple[dict[str, bytes], list[dict[str, str | bool]]]:
    """Make photographs ready for a record.

    Parameters
    ----------
    rows : sequence of mapping
        ``sha256``, ``caption``, ``at`` and ``by`` of each.
    data : mapping
        Bytes by sha256.
    clock : callable
        Writes a time for people.
    vials : mapping, optional
        Vials that were read on a photograph by its sha256, to be drawn on it.

    Returns
    -------
    files : dict
        SVG by file name, each with a small JPEG in it: the typesetter takes text only.
    pictures : list of dict
        ``file`` (empty when there is no picture), ``caption``, and whether it is ``wide``
        because vials are drawn on it.

    Examples
    --------
    >>> row = {"sha256": "ab" * 32, "caption": "plug", "at": "x", "by": "Ines"}
    >>> prepare([row], {}, str)[1][0]["caption"]
    'plug (x, Ines); the picture is kept apart under abababababab'
    """
    files: dict[str, bytes] = {}
    pictures: list[dict[str, str | bool]] = []
    for number, row in enumerate(rows, start=1):
        when = ", ".join(filter(None, (clock(row["at"]), row["by"])))
        caption = f"{row['caption'] or 'photograph'} ({when})"
        read = (vials or {}).get(row["sha256"], ())
        small = upright(data.get(row["sha256"], b""), read)
        name = f"photo-{number}.svg"
        if small is None:
            caption += f"; the picture is kept apart under {row['sha256'][:12]}"
            name = ""
        else:
            files[name] = small
        pictures.append({"file": name, "caption": caption, "wide": bool(read and small)})
    return files, pictures


def upright(data: bytes, vials: Sequence[Vial] = ()) -> bytes | None:
    """Return a picture as SVG with a small upright JPEG in it; None when it cannot be read.

    Vials are drawn on it: the outline, a patch of the colour that was read, label and share.
    """
    if not data:
        return None
    from PIL import Image, ImageOps, UnidentifiedImageError

    try:
        import pi_heif

        pi_heif.register_heif_opener()
        with Image.open(io.BytesIO(data)) as image:
            turned = ImageOps.exif_transpose(image).convert("RGB")
    except (UnidentifiedImageError, OSError, ValueError, SyntaxError, Image.DecompressionBombError):
        return None
    whole = turned.width
    turned.thumbnail((_LARGEST, _LARGEST))
    out = io.BytesIO()
    turned.save(out, "JPEG", quality=_QUALITY)
    width, height = turned.size
    text = base64.b64encode(out.getvalue()).decode()
    marks = _marks(vials, width / whole, width, height)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}" '
        f'viewBox="0 0 {width} {height}">'
        f'<image width="{width}" height="{height}" href="data:image/jpeg;base64,{text}"/>'
        f"{marks}</svg>"
    ).encode()


@dataclass(frozen=True)
class Vial:
    """A vial as it is drawn on its photograph.

    Parameters
    ----------
    label, share : str
        What is written below it.
    outline : sequence of (x, y)
        Corners in pixels of the kept photograph.
    colour : str
        Of the fluid as it was read, ``#rrggbb``; empty when it was not kept.
    counts : bool
        Whether it enters the estimate; else it is dashed, and so said.
    """

    label: str
    share: str
    outline: Sequence[Sequence[float]]
    colour: str = ""
    counts: bool = True


def vials_on(data: Mapping[str, Any], units: Display) -> dict[str, list[Vial]]:
    """Return the vials of a record by the sha256 of the photograph on which they were read.

    Parameters
    ----------
    data : mapping
        As `sumpwright.paper.record_data.record_json` gives it.
    units : Display

    Examples
    --------
    >>> corners = [[0, 0], [9, 0], [9, 9], [0, 9]]
    >>> row = {"vial": "B", "old_share": 0.09, "standard_error": 0.03, "photograph": "ab",
    ...        "outline": corners, "patch": [1.0, 0.5, 0.0]}
    >>> vials_on({"samples": [row]}, Display())["ab"][0].share, _colour([1.0, 0.5, 0.0])
    ('9.0 % ± 3.0 %', '#ffbc00')
    """
    found: dict[str, list[Vial]] = {}
    for sample in data["samples"]:
        if not sample["photograph"] or not sample["outline"]:
            continue
        share = "no mix" if sample["old_share"] is None else units.share(sample["old_share"])
        if sample["standard_error"] is not None:
            share += f" ± {units.share(sample['standard_error'])}"
        vial = Vial(
            sample["vial"],
            share,
            sample["outline"],
            _colour(sample["patch"]),
            not sample.get("left_out"),
        )
        found.setdefault(sample["photograph"], []).append(vial)
    return found


def _colour(patch: Sequence[float] | None) -> str:
    """Light over the card's light as a colour of the screen."""
    if patch is None:
        return ""
    codes = np.rint(255 * srgb_encode(np.clip(patch, 0.0, 1.0))).astype(int)
    return "#" + "".join(f"{code:02x}" for code in codes)


def _marks(vials: Sequence[Vial], scale: float, width: int, height: int) -> str:
    if not vials:
        return ""
    corners = [[(x * scale, y * scale) for x, y in v.outline] for v in vials]
    middles = [sum(x for x, _ in c) / len(c) for c in corners]
    apart = min((abs(b - a) for a, b in pairwise(sorted(middles))), default=width / 3)
    longest = max(len(part) for v in vials for part in _lines(v))
    size = min(max(min(1.6 * apart / longest, height / 16), height / 70), 1.9 * width / longest)
    thick = max(width / 500, 1.0)
    out = []
    for vial, corner, middle in zip(vials, corners, middles, strict=True):
        points = " ".join(f"{x:.1f},{y:.1f}" for x, y in corner)
        lines = _lines(vial)
        foot = max(y for _, y in corner) + 0.5 * size
        tall = (len(lines) + 0.6) * 1.15 * size
        y = min(foot, height - tall - (size if vial.colour else 0.0))
        dash = "none" if vial.counts else f"{6 * thick:.1f}"
        out += [
            f'<polygon points="{points}" fill="none" stroke="{ink}" stroke-width="{wide:.1f}"'
            f' stroke-dasharray="{dash}"/>'
            for ink, wide in (("#fff", 2.4 * thick), ("#0f4c5c", thick))
        ]
        wide = 0.62 * size * max(len(line) for line in lines)
        left = min(max(middle - wide / 2, 0.0), max(width - wide, 0.0))
        out.append(
            f'<rect x="{left:.1f}" y="{y:.1f}" width="{wide:.1f}" height="{tall:.1f}" '
            'fill="#fff" fill-opacity="0.88"/>'
        )
        if vial.colour:
            out.append(
                f'<rect x="{left:.1f}" y="{y + tall:.1f}" width="{wide:.1f}" '
                f'height="{0.8 * size:.1f}" fill="{vial.colour}" stroke="#16191a" '
                f'stroke-width="{thick / 2:.1f}"/>'
            )
        for place, line in enumerate(lines, start=1):
            out.append(
                f'<text x="{left + wide / 2:.1f}" y="{y + 1.15 * place * size:.1f}" '
                f'font-size="{size:.1f}" text-anchor="middle" fill="#16191a" '
                f'font-family="Libertinus Serif, sans-serif">{escape(printable(line))}</text>'
            )
    return "".join(out)


def _lines(vial: Vial) -> list[str]:
    share, sign, error = vial.share.partition(" ± ")
    out = [] if vial.counts else ["left out"]
    return [short(vial.label, 12), share, *([f"± {error}"] if sign else []), *out]
