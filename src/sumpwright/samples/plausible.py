"""Whether what was found can be a row of vials at all."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from sumpwright.samples.span import Line, Map

__all__ = ["is_row"]

CHUNKS = 8
PLAIN = 0.06
"""Absorbance from which a vial is plain enough to be judged by its looks."""

SHADOW = 0.15
"""Absorbance of a vial's own shadow on the card at most."""


def is_row(absorbance: Map, quads: list[NDArray[np.float64]]) -> bool:
    """Judge a row by what every row of vials has in common.

    The vials stand on one level; those of equal fill are about equally tall; each is of one colour
    from top to foot; and bare card is seen beside them all the way down.

    Parameters
    ----------
    absorbance : numpy.ndarray, shape (h, w, 3)
        Absorbance against the card, vials upright.
    quads : list of numpy.ndarray, each of shape (4, 2)
        Corners of the fluids, clockwise from the top left, from left to right.

    Returns
    -------
    bool
        False for trees before the sky, a page of text, a bar chart and the like.
    """
    tops = np.array([q[:2, 1].mean() for q in quads])
    feet = np.array([q[2:, 1].mean() for q in quads])
    places = np.array([q[:, 0].mean() for q in quads])
    heights = feet - tops
    usual = float(np.median(heights))
    like = (heights > 0.6 * usual) & (heights < 1.5 * usual)
    if like.mean() < 0.75:
        return False
    if np.mean(np.abs(_off_the_line(places, feet)) < 0.15 * usual) < 0.75:
        return False
    if _clutter(absorbance, quads) > 0.12:
        return False
    looks = [_looks(absorbance, quads, k) for k in range(len(quads))]
    judged = [good for good in looks if good is not None]
    return len(judged) > 0 and float(np.mean(judged)) >= 0.8


def _clutter(absorbance: Map, quads: list[NDArray[np.float64]]) -> float:
    """Share of the ground between the vials that is not bare card."""
    corners = np.concatenate(quads)
    usual = float(np.median([q[1, 0] - q[0, 0] for q in quads]))
    top = float(np.median([q[:2, 1].mean() for q in quads]))
    foot = float(np.median([q[2:, 1].mean() for q in quads]))
    y0, y1 = max(0, round(top + 0.1 * (foot - top))), round(foot - 0.1 * (foot - top))
    x0 = max(0, round(float(corners[:, 0].min()) - usual))
    x1 = round(float(corners[:, 0].max()) + usual)
    ground = _beyond_shadow(absorbance[y0:y1, x0:x1])
    bare = np.ones(ground.shape, dtype=bool)
    rows = np.arange(y0, y0 + ground.shape[0])
    columns = np.arange(x0, x0 + ground.shape[1])
    for q in quads:
        share = (rows - q[0, 1]) / max(q[3, 1] - q[0, 1], 1e-9)
        left = q[0, 0] + share * (q[3, 0] - q[0, 0]) - 0.15 * usual - 2
        right = q[1, 0] + share * (q[2, 0] - q[1, 0]) + 0.15 * usual + 2
        bare &= (columns < left[:, None]) | (columns > right[:, None])
    # Beyond the ends of the row the card may end; between the vials it may not.
    bare &= (columns >= corners[:, 0].min()) & (columns <= corners[:, 0].max())
    return float((ground[bare] > 0.1).mean()) if bare.sum() > 20 else 0.0


def _off_the_line(x: Line, y: Line) -> Line:
    """Distance of points above a robust straight line."""
    i, j = np.triu_indices(len(x), 1)
    slope = float(np.median((y[j] - y[i]) / np.maximum(x[j] - x[i], 1e-9)))
    rest = y - slope * x
    return np.asarray(rest - np.median(rest))


def _looks(absorbance: Map, quads: list[NDArray[np.float64]], k: int) -> bool | None:
    """Whether one vial is of one colour with card beside it; None when too clear to say."""
    quad = quads[k]
    width = float(quad[1, 0] - quad[0, 0])
    top, foot = float(quad[:2, 1].mean()), float(quad[2:, 1].mean())
    rows = np.linspace(top + 0.06 * (foot - top), foot - 0.2 * (foot - top), CHUNKS + 1)
    height, most = absorbance.shape[:2]
    inner, left, right = [], [], []
    for a, b in pairwise(rows):
        y0, y1 = max(0, int(a)), min(height, max(int(a) + 1, int(b)))
        share = ((a + b) / 2 - top) / max(foot - top, 1e-9)
        lo = float(quad[0, 0] + share * (quad[3, 0] - quad[0, 0]))
        hi = float(quad[1, 0] + share * (quad[2, 0] - quad[1, 0]))
        strip = absorbance[y0:y1]
        inner.append(_middle(strip, lo + 0.25 * width, hi - 0.25 * width, most))
        gap_left = lo - (float(quads[k - 1][1, 0]) if k else -1e9)
        gap_right = (float(quads[k + 1][0, 0]) if k + 1 < len(quads) else 1e9) - hi
        reach_left = float(np.clip(gap_left / 2, 0.05 * width, 0.25 * width))
        reach_right = float(np.clip(gap_right / 2, 0.05 * width, 0.25 * width))
        left.append(_middle(strip, lo - reach_left - 1, lo - 0.4 * reach_left, most))
        right.append(_middle(strip, hi + 0.4 * reach_right, hi + reach_right + 1, most))
    inside, beside = np.array(inner), np.array([left, right])
    colour = np.nanmedian(inside, axis=0)
    level = float(np.max(colour))
    if not level > PLAIN:
        # Too clear for its looks to say much, but what is plain in a part of it is no clear vial.
        return False if (inside.max(axis=1) > level + 0.2).sum() > 1 else None
    even = np.abs(inside - colour).max(axis=1) < 0.25 * level + 0.03
    # Beyond the edge of the picture nothing is known, and nothing speaks against card.
    bare = _beyond_shadow(np.nan_to_num(np.abs(beside))) < 0.25 * level + 0.05
    return bool(even.mean() > 0.7 and bare.mean(axis=1).min() > 0.6)


def _beyond_shadow(absorbance: Map | Line) -> Line:
    """What a shadow on the card does not explain: colour, or more depth than it has."""
    most = absorbance.max(axis=-1)
    return np.asarray(np.maximum(most - SHADOW, most - absorbance.min(axis=-1)), dtype=np.float64)


def _middle(strip: Map, lo: float, hi: float, most: int) -> Line:
    """Median absorbance over some columns; not-a-number outside the picture."""
    a, b = max(0, round(lo)), min(most, max(round(lo) + 1, round(hi)))
    if b <= a or strip.size == 0:
        return np.full(3, np.nan)
    return np.asarray(np.median(strip[:, a:b], axis=(0, 1)), dtype=np.float64)
