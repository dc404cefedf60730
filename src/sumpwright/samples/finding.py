"""Finding a row of vials against a white card."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from sumpwright.errors import Complaint
from sumpwright.samples.card import FLOOR, Card, Light, Mask
from sumpwright.samples.glass import glass_of, is_even, is_glass, is_tint
from sumpwright.samples.plausible import is_row
from sumpwright.samples.profile import columns_to_spans, fluid_rows
from sumpwright.samples.unglazed import stand_alike

__all__ = ["Found", "Quad", "find_row", "no_glass"]

Quad = NDArray[np.float64]
"""Corners of the fluid in one vial, shape (4, 2), clockwise from the top left."""

LARGEST_TILT = 25.0
MOST_VIALS = 24
THINNEST = 14.0
"""Height over width from which an upright shape is a line and no vial."""


@dataclass(frozen=True)
class _Scene:
    """The picture turned so that the vials stand upright, as absorbance against the card."""

    absorbance: NDArray[np.float32]
    inside: Mask
    back: NDArray[np.float64]


@dataclass(frozen=True)
class Found:
    """A row of vials.

    Parameters
    ----------
    quads : list of numpy.ndarray, each of shape (4, 2)
        The fluid in each vial, from left to right.
    faint : tuple of str
        Ends, "left" or "right", beyond which something faint stands that shows no glass: a
        shadow, or a vial too clear to be seen.
    gaps : tuple of int
        Vials, counted from 0 at the left, right of which such a thing stands in the row.
    glass : bool
        Glass is seen. Otherwise only the colours can tell whether it is a row of mixes.
    """

    quads: list[Quad]
    faint: tuple[str, ...] = ()
    gaps: tuple[int, ...] = ()
    glass: bool = True


def find_row(light: Light, card: Card, name: str = "") -> Found:
    """Find the fluid in each vial of a row, from left to right.

    Parameters
    ----------
    light : numpy.ndarray, shape (h, w, 3)
        Linear light, upright.
    card : Card
        The light on the card, from `find_card` on the same picture.
    name : str
        File name for complaints.

    Returns
    -------
    Found
        Corners in pixels of `light`, from left to right.

    Raises
    ------
    Complaint
        If there is no row of at least three vials.
    """
    height, width = light.shape[:2]
    log_light = np.log10(np.maximum(cv2.blur(light, (3, 3)), FLOOR))
    absorbance = card.log_map(height, width) - log_light
    inside = _surroundings(card.mask)
    excess = _excess(absorbance)
    tilt = _tilt(excess, inside)
    scene = _turned(absorbance, inside, tilt)
    excess = _excess(scene.absorbance)
    band, wide = _band(excess, scene.inside, card.roughness, name)
    spans, doubted = columns_to_spans(scene.absorbance, scene.inside, band, wide, card.roughness)
    quads = fluid_rows(scene.absorbance, scene.inside, band, spans, card.roughness)
    looks = [glass_of(scene.absorbance, quad) for quad in quads]
    seen = [k for k, look in enumerate(looks) if spans[k].sure or not look.unseen]
    glass = is_glass([looks[k] for k in seen])
    if not glass and len(seen) > 1:
        plain = [looks[k] for k in seen]
        seen = [
            k for k, look in enumerate(looks) if k in seen or (look.unseen and is_tint(look, plain))
        ]
    if len(seen) < 3:
        raise _too_few(len(seen), name)
    faint = tuple(
        end
        for end, lost in (("left", seen[0] > 0), ("right", seen[-1] < len(quads) - 1))
        if lost or end in doubted
    )
    gaps = tuple(k for k in range(len(seen) - 1) if _left_out(quads, seen[k], seen[k + 1]))
    quads = [quads[k] for k in seen]
    if len(quads) > MOST_VIALS or not is_row(scene.absorbance, quads):
        raise _none(name)
    if not glass and not (is_even([looks[k] for k in seen]) and stand_alike(quads)):
        raise no_glass(name)
    back = [cv2.transform(quad[None].astype(np.float64), scene.back)[0] for quad in quads]
    return Found(back, faint, gaps, glass)


def _left_out(quads: list[Quad], before: int, after: int) -> bool:
    """Whether something between two neighbours was left out that stands clear of both."""
    places = [float(q[:, 0].mean()) for q in quads]
    width = float(quads[before][1, 0] - quads[before][0, 0])
    between = places[before + 1 : after]
    return any(min(p - places[before], places[after] - p) > 1.2 * width for p in between)


def no_glass(name: str) -> Complaint:
    """Say that what stands there is no row of vials.

    Parameters
    ----------
    name : str
        File name.

    Returns
    -------
    Complaint
        To be raised.
    """
    return Complaint(
        "what stands in the row does not look like fluid in glass",
        "fill round clear vials so that some empty glass is seen above the fluid",
        name,
        "photo",
    )


def _none(name: str) -> Complaint:
    return Complaint(
        "no row of vials is found",
        "stand the vials upright in a row, with gaps between them, before a plain white card",
        name,
        "photo",
    )


def _too_few(count: int, name: str) -> Complaint:
    if count == 0:
        return _none(name)
    number = "one vial" if count == 1 else "two vials"
    return Complaint(
        f"only {number} can be found",
        "show the old fluid at one end, unused fluid at the other and at least one sample between",
        name,
        "photo",
    )


def _excess(absorbance: NDArray[np.float32]) -> NDArray[np.float32]:
    """One number a pixel: how far it is from bare card, darker or more coloured."""
    r, g, b = absorbance[..., 0], absorbance[..., 1], absorbance[..., 2]
    most = np.maximum(np.maximum(r, g), b)
    return np.asarray(np.maximum(most, 0.7 * (most - np.minimum(np.minimum(r, g), b))))


def _surroundings(card: Mask) -> Mask:
    """The card with the holes that the vials leave in it: a convex outline."""
    height, width = card.shape
    speckless = cv2.morphologyEx(card.astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    across, down = max(3, width // 3) | 1, max(3, height // 30) | 1
    bridged = cv2.morphologyEx(
        cv2.copyMakeBorder(speckless, down, down, across, across, cv2.BORDER_CONSTANT, value=0),
        cv2.MORPH_CLOSE,
        np.ones((down, across), np.uint8),
    )[down:-down, across:-across]
    _, labels, stats, _ = cv2.connectedComponentsWithStats(bridged, connectivity=4)
    if len(stats) < 2:
        return np.zeros_like(card)
    largest = 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA]))
    found = (labels == largest) & (speckless > 0)
    rows = np.flatnonzero(found.any(axis=1))
    first = found[rows].argmax(axis=1)
    last = width - 1 - found[rows, ::-1].argmax(axis=1)
    points = np.concatenate([np.stack([e, rows], axis=1) for e in (first, last)]).astype(np.int32)
    outline = np.zeros((height, width), np.uint8)
    if len(points) >= 3:
        cv2.fillConvexPoly(outline, cv2.convexHull(points), 1)
    return outline > 0


def _tilt(excess: NDArray[np.float32], inside: Mask) -> float:
    """Degrees by which the vials lean from upright, from the direction of their long edges."""
    margin = max(3, min(inside.shape) // 40)
    core = cv2.erode(
        inside.astype(np.uint8),
        np.ones((margin, margin), np.uint8),
        borderType=cv2.BORDER_CONSTANT,
        borderValue=1,
    )
    smooth = cv2.GaussianBlur(np.clip(excess, 0, 0.5), (0, 0), 1.5)
    gx = cv2.Sobel(smooth, cv2.CV_32F, 1, 0)
    gy = cv2.Sobel(smooth, cv2.CV_32F, 0, 1)
    strength = np.hypot(gx, gy) * core
    angle = np.degrees(np.arctan(gy / np.where(np.abs(gx) < 1e-9, 1e-9, gx)))
    strong = (strength > 0.25 * np.percentile(strength, 99.5)) & (np.abs(angle) < LARGEST_TILT)
    if strong.sum() < 20:
        return 0.0
    bins = np.arange(-LARGEST_TILT, LARGEST_TILT + 0.5, 0.5)
    counts, _ = np.histogram(angle[strong], bins=bins, weights=strength[strong])
    counts = np.convolve(counts, np.ones(5) / 5, mode="same")
    peak = bins[int(np.argmax(counts))] + 0.25
    near = strong & (np.abs(angle - peak) < 2.5)
    return float(np.average(angle[near], weights=strength[near]))


def _turned(absorbance: NDArray[np.float32], inside: Mask, tilt: float) -> _Scene:
    """Turn the picture so that the vials stand upright; bare card fills the corners."""
    height, width = inside.shape
    if abs(tilt) < 0.3:
        return _Scene(absorbance, inside, np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]]))
    turn = cv2.getRotationMatrix2D((width / 2, height / 2), tilt, 1.0)
    c, s = abs(turn[0, 0]), abs(turn[0, 1])
    wide, tall = int(height * s + width * c), int(height * c + width * s)
    turn[:, 2] += (wide - width) / 2, (tall - height) / 2
    upright = cv2.warpAffine(absorbance, turn, (wide, tall), flags=cv2.INTER_LINEAR, borderValue=0)
    kept = cv2.warpAffine(inside.astype(np.uint8), turn, (wide, tall), flags=cv2.INTER_NEAREST)
    return _Scene(
        np.asarray(upright, dtype=np.float32),
        kept > 0,
        np.asarray(cv2.invertAffineTransform(turn), dtype=np.float64),
    )


def _band(
    excess: NDArray[np.float32], inside: Mask, roughness: float, name: str
) -> tuple[tuple[int, int], float]:
    """Rows between which the fluids stand, and a first guess of a vial's width."""
    height, width = excess.shape
    seen = excess[inside]
    if seen.size < 100:
        raise _none(name)
    clear = max(5 * roughness, 0.02)
    threshold = float(np.clip(0.3 * np.percentile(seen, 99), clear, max(0.15, clear)))
    strong = ((excess > threshold) & inside).astype(np.uint8)
    opened = cv2.morphologyEx(strong, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    bridge = max(3, height // 60) | 1
    closed = cv2.morphologyEx(opened, cv2.MORPH_CLOSE, np.ones((bridge, 1), np.uint8))
    _, _, stats, _ = cv2.connectedComponentsWithStats(closed, connectivity=8)
    blobs = []
    for x, y, w, h, area in stats[1:]:
        if h < 0.08 * height or w < max(4, 0.008 * width) or h < 0.45 * w:
            continue
        if area < 0.45 * w * h or w > 0.6 * width:
            continue
        blobs.append((x, y, w, h))
    if not blobs:
        raise _none(name)
    shapes = np.array(blobs, dtype=np.float64)
    # The glass of a clear vial shows as two thin lines, which say nothing about its width.
    stout = shapes[shapes[:, 2] > shapes[:, 3] / THINNEST]
    shapes = stout if len(stout) else shapes
    tall = shapes[shapes[:, 3] >= 0.55 * shapes[:, 3].max()]
    # The row is where most of the tall shapes overlap.
    votes = np.zeros(height + 1)
    for _, y, w, h in tall:
        votes[int(y) : int(y + h)] += w * h
    best = votes >= 0.5 * votes.max()
    middle = int(np.mean(np.flatnonzero(votes == votes.max())))
    crossing = tall[(tall[:, 1] <= middle) & (tall[:, 1] + tall[:, 3] >= middle)]
    if len(crossing) == 0 or not best.any():
        raise _none(name)
    top = float(np.median(crossing[:, 1]))
    bottom = float(np.median(crossing[:, 1] + crossing[:, 3]))
    narrow = crossing[crossing[:, 2] <= 1.5 * np.median(crossing[:, 2])]
    return (int(top), int(bottom)), float(np.median(narrow[:, 2]))
