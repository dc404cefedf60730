"""From a photograph of a row of vials to the share of old fluid in each."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from sumpwright.errors import Complaint
from sumpwright.physics import mixing
from sumpwright.physics.colour import TOLD_APART, colour_difference, lab, srgb_decode, told_apart
from sumpwright.samples.by_hand import bare_outlines, read_outlines
from sumpwright.samples.card import Card, Light, find_card
from sumpwright.samples.finding import Quad, find_row, no_glass
from sumpwright.samples.judging import (
    check_ends,
    judge,
    of_the_bare,
    of_the_faint,
    of_the_unglazed,
    usable_channels,
)
from sumpwright.samples.patches import Patch, light_between, measure
from sumpwright.samples.photograph import Photograph, PhotoSource, Pixels, load
from sumpwright.samples.unglazed import are_mixes

__all__ = ["RowReading", "VialReading", "calibrate", "read_row"]

End = Literal["left", "right"]
Outline = tuple[tuple[float, float], ...]

_WORKING = 1600
_FINDING = 800
_LINEAR: NDArray[np.uint16] = np.rint(65535 * srgb_decode(np.arange(256, dtype=np.uint8))).astype(
    np.uint16
)


@dataclass(frozen=True)
class VialReading:
    """What one vial says.

    Parameters
    ----------
    old_share, standard_error, low, high : float
        Share of old fluid, its standard error and the ends of the 90 % interval, within 0 to 1.
        The two end vials define 1 and 0 and have no error of their own.
    delta_e_to_new, delta_e_to_previous : float
        CIEDE2000 difference from the unused fluid and from the vial to the left (none for the
        first).
    told_apart : bool or None
        Whether it can be told from the vial to its left; none for the first.
    outline : tuple of (x, y)
        Corners of the fluid in pixels of the upright photograph, clockwise from the top left.
    transmittance : tuple of float
        Red, green and blue light over the card's light.
    lab : tuple of float
        L*, a*, b* with the card as white.
    misfit : float
        About 1 for a mix of the two end fluids; far above 1 for anything else.
    """

    old_share: float
    standard_error: float
    low: float
    high: float
    delta_e_to_new: float
    delta_e_to_previous: float | None
    told_apart: bool | None
    outline: Outline
    transmittance: tuple[float, float, float]
    lab: tuple[float, float, float]
    misfit: float

    def as_dict(self) -> dict[str, Any]:
        """The fields that `sumpwright samples --json` prints."""
        return {
            "old_share": round(self.old_share, 4),
            "standard_error": round(self.standard_error, 4),
            "low": round(self.low, 4),
            "high": round(self.high, 4),
            "delta_e_to_new": round(self.delta_e_to_new, 2),
            "delta_e_to_previous": (
                None if self.delta_e_to_previous is None else round(self.delta_e_to_previous, 2)
            ),
            "told_apart": self.told_apart,
            "outline": [[round(x, 1), round(y, 1)] for x, y in self.outline],
        }


@dataclass(frozen=True)
class RowReading:
    """What a photograph of a row of vials says.

    Parameters
    ----------
    vials : tuple of VialReading
        From left to right.
    warnings : tuple of str
        What the reader should know before trusting it.
    old : str
        End at which the old fluid stands, "left" or "right".
    threshold : float
        Colour difference from which two vials are told apart.
    width, height : int
        Size of the upright photograph in pixels.
    channels : tuple of str
        Channels that were used.
    calibrated : bool
        A dilution row was used.
    """

    vials: tuple[VialReading, ...]
    warnings: tuple[str, ...]
    old: End
    threshold: float
    width: int
    height: int
    channels: tuple[str, ...]
    calibrated: bool = False

    def as_dict(self) -> dict[str, Any]:
        """Plain data: the vials from left to right and the warnings."""
        return {"vials": [v.as_dict() for v in self.vials], "warnings": list(self.warnings)}

    def to_json(self) -> str:
        """The same as JSON text."""
        return json.dumps(self.as_dict(), indent=2, ensure_ascii=False)


def read_row(
    photo: PhotoSource | Photograph,
    old: str = "left",
    *,
    outlines: Sequence[Sequence[Any]] | None = None,
    threshold: float = TOLD_APART,
    calibration: mixing.Calibration | None = None,
    noise: mixing.Noise | None = None,
) -> RowReading:
    """Read the old share of every vial in a photograph of a row.

    The drained old fluid stands at one end of the row, unused fluid at the other, before a plain
    white card.

    Parameters
    ----------
    photo : path, bytes or Photograph
        The photograph.
    old : str
        End at which the old fluid stands: "left" or "right".
    outlines : sequence, optional
        Outlines of the fluid set by hand, in pixels of the upright photograph: polygons
        ``[[x, y], ...]`` or boxes ``[x, y, width, height]``. Found automatically by default.
    threshold : float
        Colour difference (CIEDE2000) from which two vials are told apart.
    calibration : mixing.Calibration, optional
        A dilution row of the same two fluids.
    noise : mixing.Noise, optional
        Sizes of the errors; by default the project's own, with the unevenness of this light.

    Returns
    -------
    RowReading
        One reading for each vial, from left to right, and warnings.

    Raises
    ------
    Complaint
        If the photograph or the row cannot be read. No number is given then.
    """
    end = _end(old)
    if not threshold > 0 or not np.isfinite(threshold):
        raise Complaint("the colour difference must be above zero", "2 is usual", field="threshold")
    picture = photo if isinstance(photo, Photograph) else load(photo)
    row = _patches(picture, outlines)
    return _reading(picture, row, end, threshold, calibration, noise)


def calibrate(
    photo: PhotoSource | Photograph,
    shares: Sequence[float],
    *,
    outlines: Sequence[Sequence[Any]] | None = None,
) -> mixing.Calibration:
    """Read a dilution row: vials of known old share, named from left to right.

    Parameters
    ----------
    photo : path, bytes or Photograph
        The photograph of the row.
    shares : sequence of float
        Old share of each vial from left to right; 0 and 1 must be among them.
    outlines : sequence, optional
        As for `read_row`.

    Returns
    -------
    mixing.Calibration
        To be given to `read_row`.

    Raises
    ------
    Complaint
        If the row cannot be read, or the shares do not fit it.
    """
    picture = photo if isinstance(photo, Photograph) else load(photo)
    patches = _patches(picture, outlines).patches
    if len(patches) != len(shares):
        given = "one share is given" if len(shares) == 1 else f"{len(shares)} shares are given"
        raise Complaint(
            f"the photograph shows {len(patches)} vials and {given}",
            "give one share for each vial from left to right",
            picture.name,
            "shares",
        )
    try:
        return mixing.Calibration(
            np.asarray(shares, dtype=np.float64),
            np.array([p.transmittance for p in patches]),
            np.array([p.sampling for p in patches]),
        )
    except ValueError as fault:
        raise Complaint(str(fault), "check the dilution row", picture.name, "shares") from None


def _end(old: str) -> End:
    if old == "left":
        return "left"
    if old == "right":
        return "right"
    raise Complaint(f"the old fluid cannot stand at {old!r}", "say left or right", field="old")


@dataclass(frozen=True)
class _Row:
    """Measured vials, their outlines in pixels of the photograph, the card, what is doubted."""

    patches: list[Patch]
    quads: list[Quad]
    card: Card
    doubts: tuple[str, ...]
    glass: bool


def _patches(picture: Photograph, outlines: Sequence[Sequence[Any]] | None) -> _Row:
    light = linear_light(picture.pixels, _WORKING)
    finding = _shrink(light, _FINDING)
    card = find_card(finding, picture.name)
    width = picture.size[0]
    glass = True
    if outlines is None:
        found = find_row(finding, card, picture.name)
        small = found.quads
        quads = [q * (width / finding.shape[1]) for q in small]
        doubts = of_the_faint(found.faint, found.gaps)
        glass = found.glass
    else:
        quads = read_outlines(outlines, picture)
        small = [q * (finding.shape[1] / width) for q in quads]
    card = light_between(finding, card, small)
    if outlines is not None:
        doubts = of_the_bare(bare_outlines(finding, card, small))
    scale = light.shape[1] / width
    patches = measure(light, card, [q * scale for q in quads])
    if not glass and (picture.grey or not are_mixes(patches)):
        raise no_glass(picture.name)
    return _Row(patches, quads, card, doubts, glass)


def linear_light(pixels: Pixels, longest: int) -> Light:
    """Linear light of a picture, made smaller by averaging light, not code values."""
    height, width = pixels.shape[:2]
    deep = cv2.LUT(np.ascontiguousarray(pixels), _LINEAR)
    scale = min(1.0, longest / max(height, width))
    if scale < 1.0:
        size = max(1, round(width * scale)), max(1, round(height * scale))
        deep = cv2.resize(deep, size, interpolation=cv2.INTER_AREA)
    return np.asarray(deep, dtype=np.float32) / np.float32(65535)


def _shrink(light: Light, longest: int) -> Light:
    height, width = light.shape[:2]
    scale = min(1.0, longest / max(height, width))
    size = max(1, round(width * scale)), max(1, round(height * scale))
    return np.asarray(cv2.resize(light, size, interpolation=cv2.INTER_AREA), dtype=np.float32)


def _reading(
    picture: Photograph,
    row: _Row,
    end: End,
    threshold: float,
    calibration: mixing.Calibration | None,
    noise: mixing.Noise | None,
) -> RowReading:
    patches, quads, card = row.patches, row.quads, row.card
    t = np.array([p.transmittance for p in patches])
    sampling = np.array([p.sampling for p in patches])
    old, new = (0, len(t) - 1) if end == "left" else (len(t) - 1, 0)
    size = noise or mixing.Noise(grey=float(np.clip(card.unevenness, 0.003, 0.03)))
    colours = lab(np.minimum(t, 1.2))
    to_new = colour_difference(colours, colours[new])
    to_previous = colour_difference(colours[1:], colours[:-1])
    channels, dim = usable_channels(patches, old, new, picture)
    check_ends(to_new[old], picture)
    try:
        shares = (
            mixing.old_shares(t, old, new, sampling=sampling, channels=channels, noise=size)
            if calibration is None
            else calibration.read(t, old, new, sampling=sampling, channels=channels, noise=size)
        )
    except ValueError as fault:
        raise Complaint(
            f"the row cannot be measured: {fault}", "photograph it again", picture.name, "photo"
        ) from None
    doubts = row.doubts
    if not row.glass:
        doubts += of_the_unglazed(patches, old, new, picture)
    warnings = doubts + judge(shares, patches, card, old, new, picture, dim)
    apart = told_apart(to_previous, threshold)
    possible = shares.bounded()
    vials = tuple(
        VialReading(
            old_share=float(possible.share[k]),
            standard_error=float(shares.standard_error[k]),
            low=float(possible.low[k]),
            high=float(possible.high[k]),
            delta_e_to_new=float(to_new[k]),
            delta_e_to_previous=float(to_previous[k - 1]) if k else None,
            told_apart=bool(apart[k - 1]) if k else None,
            outline=tuple((float(x), float(y)) for x, y in quads[k]),
            transmittance=(float(t[k, 0]), float(t[k, 1]), float(t[k, 2])),
            lab=(float(colours[k, 0]), float(colours[k, 1]), float(colours[k, 2])),
            misfit=float(shares.misfit[k]),
        )
        for k in range(len(t))
    )
    names = tuple(np.array(["red", "green", "blue"])[shares.channels].tolist())
    width, height = picture.size
    return RowReading(
        vials, warnings, end, threshold, width, height, names, calibration is not None
    )
