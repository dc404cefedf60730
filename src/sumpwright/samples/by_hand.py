"""Outlines of the fluids set by hand: their form, and whether they can be right."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from sumpwright.errors import Complaint
from sumpwright.samples.card import FLOOR, Card, Light
from sumpwright.samples.photograph import Photograph

__all__ = ["Quad", "bare_outlines", "read_outlines"]

Quad = NDArray[np.float64]

OVERLAP = 0.05
"""Share of the smaller of two outlines that both may cover; fingers are not exact."""
PLAIN = 0.10
"""Absorbance from which part of an outline is plainly fluid."""
ON_CARD = 0.25
"""Share of bare card from which an outline of plain fluid does not lie on its vial."""


def read_outlines(outlines: Sequence[Sequence[Any]], picture: Photograph) -> list[Quad]:
    """Read outlines as corners clockwise from the top left, ordered from left to right.

    Parameters
    ----------
    outlines : sequence
        Polygons ``[[x, y], ...]`` or boxes ``[x, y, width, height]``, in pixels.
    picture : Photograph
        The photograph on which they lie.

    Returns
    -------
    list of numpy.ndarray, each of shape (4, 2)
        The corners.

    Raises
    ------
    Complaint
        If one is no outline, is too small or outside the picture, two overlap, or there are fewer
        than three.
    """
    numbered = [
        (number, _outline(outline, number, picture))
        for number, outline in enumerate(outlines, start=1)
    ]
    if len(numbered) < 3:
        given = (
            "one outline is given" if len(numbered) == 1 else f"{len(numbered)} outlines are given"
        )
        raise Complaint(
            given,
            "outline the old fluid, the unused fluid and at least one sample between",
            field="outlines",
        )
    for (a, first), (b, second) in combinations(numbered, 2):
        shared, _ = cv2.intersectConvexConvex(_hull(first), _hull(second))
        if shared > OVERLAP * min(_area(first), _area(second)):
            raise Complaint(
                f"outlines {a} and {b} overlap",
                "draw each around the fluid of one vial alone",
                field="outlines",
            )
    return sorted((quad for _, quad in numbered), key=lambda q: float(q[:, 0].mean()))


def bare_outlines(light: Light, card: Card, quads: Sequence[Quad]) -> tuple[int, ...]:
    """Check outlines against the picture.

    Parameters
    ----------
    light : numpy.ndarray, shape (h, w, 3)
        Linear light.
    card : Card
        The light on the card, for the same picture.
    quads : sequence of numpy.ndarray, each of shape (4, 2)
        Outlines in pixels of `light`, from left to right.

    Returns
    -------
    tuple of int
        Those in which nothing but card is seen, counted from 0: a vial of clear fluid looks so,
        and a place without a vial.

    Raises
    ------
    Complaint
        If one holds fluid and much bare card as well.
    """
    height, width = light.shape[:2]
    logs = np.log10(np.maximum(cv2.blur(light, (3, 3)), FLOOR))
    depth = np.abs(card.log_map(height, width) - logs).max(axis=2)
    bare = max(0.03, 3 * card.roughness)
    empty = []
    for k, quad in enumerate(quads):
        mask = np.zeros((height, width), np.uint8)
        cv2.fillConvexPoly(mask, np.rint(_hull(quad)).astype(np.int32), 1)
        inside = depth[mask > 0]
        share = float((inside < bare).mean()) if inside.size else 1.0
        if share > 0.9:
            empty.append(k)
        elif share > ON_CARD and float(np.percentile(inside, 100 * (1 + share) / 2)) > PLAIN:
            raise Complaint(
                f"outline {k + 1} from the left lies partly on bare card",
                "draw it around the fluid of one vial alone",
                field="outlines",
            )
    return tuple(empty)


def _outline(outline: Sequence[Any], number: int, picture: Photograph) -> Quad:
    width, height = picture.size
    try:
        points = np.asarray(outline, dtype=np.float64)
    except (TypeError, ValueError):
        points = np.zeros(0)
    if points.shape == (4,):
        x, y, w, h = points
        points = np.array([[x, y], [x + w, y], [x + w, y + h], [x, y + h]])
    bad = points.ndim != 2 or points.shape[-1] != 2 or len(points) < 3
    if bad or not np.all(np.isfinite(points)):
        raise Complaint(
            f"outline {number} is not a polygon or a box",
            "give [[x, y], ...] or [x, y, width, height] in pixels",
            field="outlines",
        )
    quad = _corners(points)
    inside = np.all((quad >= -2) & (quad <= np.array([width, height]) + 2))
    if abs(cv2.contourArea(quad.astype(np.float32))) < 60 or not inside:
        raise Complaint(
            f"outline {number} is too small or outside the picture",
            "draw it around the fluid of one vial",
            field="outlines",
        )
    return quad


def _corners(points: NDArray[np.float64]) -> Quad:
    """Four corners of a polygon, clockwise from the top left."""
    if len(points) != 4:
        box = cv2.minAreaRect(points.astype(np.float32))
        points = cv2.boxPoints(box).astype(np.float64)
    by_height = points[np.argsort(points[:, 1], kind="stable")]
    top = by_height[:2][np.argsort(by_height[:2, 0])]
    bottom = by_height[2:][np.argsort(by_height[2:, 0])]
    return np.array([top[0], top[1], bottom[1], bottom[0]])


def _hull(quad: Quad) -> NDArray[np.float32]:
    return np.asarray(cv2.convexHull(quad.astype(np.float32))[:, 0], dtype=np.float32)


def _area(quad: Quad) -> float:
    return abs(float(cv2.contourArea(_hull(quad))))
