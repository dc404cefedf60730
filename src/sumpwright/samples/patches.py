"""Measuring the fluid in each vial: highlights, menisci and edges left out."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from sumpwright.samples.card import FLOOR, Card, Light, Mask, agree, describe, fit_light

__all__ = ["Patch", "light_between", "measure"]

Quad = NDArray[np.float64]

ROWS, COLUMNS = 96, 40
BLOCKS = 6
BURNT = 0.985
"""Linear light from which a channel counts as burnt out (254 of 255)."""


@dataclass(frozen=True)
class Patch:
    """The fluid of one vial.

    Parameters
    ----------
    transmittance : numpy.ndarray, shape (3,)
        Light over the card's light at the same place.
    level : numpy.ndarray, shape (3,)
        Linear light, 0 to 1, for judging what is burnt out or black.
    sampling : numpy.ndarray, shape (3,)
        Standard deviation of the absorbance from the spread within the vial.
    burnt : numpy.ndarray of bool, shape (3,)
        Channels that are burnt out.
    uneven : float
        Spread of the absorbance within the vial in its best channel, in decades.
    """

    transmittance: NDArray[np.float64]
    level: NDArray[np.float64]
    sampling: NDArray[np.float64]
    burnt: NDArray[np.bool_]
    uneven: float


def light_between(light: Light, card: Card, quads: list[Quad]) -> Card:
    """Fit the light again from the bare card between and around the vials.

    Parameters
    ----------
    light : numpy.ndarray, shape (h, w, 3)
        Linear light.
    card : Card
        The first fit, for the same picture.
    quads : list of numpy.ndarray
        The vials, in pixels of `light`.

    Returns
    -------
    Card
        With vials, their necks and their nearest shadows left out, and a polynomial of third order
        where enough card is left to carry it.
    """
    height, width = light.shape[:2]
    busy = np.zeros((height, width), np.uint8)
    for quad in quads:
        across, down = quad[1] - quad[0], quad[3] - quad[0]
        grown = quad + np.array(
            [
                -0.15 * across - 0.45 * down,
                0.15 * across - 0.45 * down,
                0.15 * across + 0.06 * down,
                -0.15 * across + 0.06 * down,
            ]
        )
        cv2.fillConvexPoly(busy, np.rint(grown).astype(np.int32), 1)
    log_light = np.log10(np.maximum(cv2.blur(light, (3, 3)), FLOOR))
    mask: Mask = card.mask & (busy == 0)
    if mask.mean() < 0.03:
        return card
    order = 3 if _spread_out(mask, quads) else 2
    coefficients = card.coefficients
    close = mask
    for _ in range(2):
        close = mask & agree(log_light, coefficients, 0.02)
        if close.mean() < 0.03:
            return card
        coefficients = fit_light(log_light, close, order)
    return replace(describe(light, log_light, close, coefficients), mask=card.mask)


def _spread_out(mask: Mask, quads: list[Quad]) -> bool:
    """Whether bare card is seen on all four sides of the row, to hold a third-order fit."""
    height, width = mask.shape
    corners = np.concatenate(quads)
    left, top = corners.min(axis=0)
    right, bottom = corners.max(axis=0)
    sides = (
        mask[:, : max(1, int(left))],
        mask[:, min(width - 1, int(right)) :],
        mask[: max(1, int(top))],
        mask[min(height - 1, int(bottom)) :],
    )
    return all(side.sum() > 0.01 * mask.size for side in sides)


def measure(light: Light, card: Card, quads: list[Quad]) -> list[Patch]:
    """Measure the fluid in each vial.

    Each outline is brought to a standard rectangle. Along each of its columns the median over the
    rows passes over bubbles and menisci. Of the columns, the third that is darkest over the whole
    row of vials is kept, the same in every vial: highlights make columns lighter, and so does a
    shorter way through the fluid beside the middle, which must count alike in every vial.

    Parameters
    ----------
    light : numpy.ndarray, shape (h, w, 3)
        Linear light.
    card : Card
        The light on the card, fitted on the same picture.
    quads : list of numpy.ndarray, each of shape (4, 2)
        Corners of the fluid in pixels of `light`, clockwise from the top left.

    Returns
    -------
    list of Patch
        One for each outline.
    """
    cuts = [_cut_out(light, card, quad) for quad in quads]
    through = np.stack([np.median(t, axis=0) for t, _ in cuts])  # vial, column, channel
    depth = np.log10(np.maximum(through, FLOOR)).mean(axis=2)
    excess = (depth - np.percentile(depth, 10, axis=1, keepdims=True)).mean(axis=0)
    keep = np.sort(np.argsort(excess, kind="stable")[: max(8, COLUMNS // 3)])
    return [_patch(t, level, depth[k], keep) for k, (t, level) in enumerate(cuts)]


def _cut_out(light: Light, card: Card, quad: Quad) -> tuple[Light, Light]:
    """Transmittance and light over the middle of one vial, as a standard rectangle."""
    height, width = light.shape[:2]
    u0, u1, v0, v1 = 0.2, 0.8, 0.10, 0.88
    # Where the standard rectangle's corners would be if it spanned the whole outline.
    sx, sy = COLUMNS / (u1 - u0), ROWS / (v1 - v0)
    left, right, top, bottom = -u0 * sx, (1 - u0) * sx, -v0 * sy, (1 - v0) * sy
    frame = np.array([[left, top], [right, top], [right, bottom], [left, bottom]], dtype=np.float32)
    there = cv2.getPerspectiveTransform(frame - 0.5, quad.astype(np.float32) - 0.5)
    level = cv2.warpPerspective(
        light,
        there,
        (COLUMNS, ROWS),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    x, y = np.meshgrid(np.arange(COLUMNS, dtype=np.float32), np.arange(ROWS, dtype=np.float32))
    grid = np.stack([x, y], axis=-1)
    places = cv2.perspectiveTransform(grid, there).astype(np.float64)
    white = 10.0 ** card.log_light((places[..., 0] + 0.5) / width, (places[..., 1] + 0.5) / height)
    return (level / white).astype(np.float32), np.asarray(level, dtype=np.float32)


def _patch(t: Light, level: Light, depth: NDArray[np.float64], keep: NDArray[np.intp]) -> Patch:
    """Robust middle of one vial over the kept columns."""
    own = depth[keep]
    middle = float(np.median(own))
    width = max(0.02, 3 * 1.4826 * float(np.median(np.abs(own - middle))))
    columns = keep[np.abs(own - middle) <= width]
    rows = np.array_split(np.arange(ROWS), BLOCKS)
    halves = np.array_split(columns, 2) if len(columns) >= 4 else [columns]
    blocks = np.array([np.median(t[np.ix_(r, c)], axis=(0, 1)) for r in rows for c in halves])
    middle_t = np.median(blocks, axis=0)
    logs = np.log10(np.maximum(blocks, FLOOR))
    scatter = 1.4826 * np.median(np.abs(logs - np.median(logs, axis=0)), axis=0)
    seen = level[:, columns]
    burnt = (seen > BURNT).mean(axis=(0, 1)) > 0.15
    value = np.clip(blocks, *np.percentile(blocks, (20, 80), axis=0)).mean(axis=0)
    bright = np.median(seen, axis=(0, 1))
    usable = middle_t > 0.03
    uneven = float(scatter[usable].min()) if usable.any() else 0.0
    return Patch(
        value.astype(np.float64),
        bright.astype(np.float64),
        (scatter * 1.25 / np.sqrt(BLOCKS)).astype(np.float64),
        burnt,
        uneven,
    )
