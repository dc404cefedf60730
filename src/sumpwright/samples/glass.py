"""Whether what stands before the card is fluid in glass, or paint, skin and the like."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from sumpwright.samples.span import Line, Map

__all__ = ["Glass", "glass_of", "is_even", "is_glass", "is_tint"]

ACROSS = np.linspace(-1.4, 1.4, 57)
"""Places across a vial; its sides stand at -1 and 1."""
DOWN = np.linspace(0.15, 0.80, 24)
NECK = np.linspace(-0.40, -0.03, 20)
READABLE = (0.10, 1.5)
"""Absorbance between which the depth of the fluid across the bore can be seen."""
ROUND = 0.96
"""Depth beside the middle over that in the middle, below which a vial is round and clear."""
SOLID = 1.03
"""The same from which it is a round solid."""
SHARP = 3.5
"""Change of absorbance at the sides from which even colour ends as sharply as it should."""
SLANT = 0.03
"""Difference of absorbance between the halves from which colour is not even."""
STEEP = 2.2
"""Change of absorbance at the sides, over that of the middle, for half a width: less is a blur,
which rounds the look of paint."""
RIM = 0.025
FAINT_RIM = 0.012
FAINT = 0.10
"""Absorbance below which a vial must show its glass to be believed."""
SHADOW = 0.25
"""The same for what is grey, as a shadow is."""


@dataclass(frozen=True)
class Glass:
    """What one vial shows of being glass with fluid in it.

    Parameters
    ----------
    depth : float
        Absorbance of the middle in its best readable channel, or of the deepest when none is.
    bend : float
        Absorbance beside the middle over that of the middle: below 1 in a round vial, whose bore
        is deepest there; 1 for paint; above 1 for a solid, whose sides turn away from the light.
        Not-a-number when the fluid is too clear or too dark to tell.
    rims : float
        The weaker of the two dark lines at the sides, in absorbance above the fluid and the card.
    neck : bool
        Above the fluid the sides go on, with the card seen between them.
    grey : bool
        The middle is as dark in one channel as in another.
    steep : float
        Change of absorbance at the softer side, over that of the middle, for half a width.
    slant : float
        Difference of absorbance between the left and the right half.
    """

    depth: float
    bend: float
    rims: float
    neck: bool
    grey: bool
    steep: float
    slant: float

    @property
    def unseen(self) -> bool:
        """Nothing of a vial is seen: bare card, a shadow or a stain."""
        if self.neck or self.rims > FAINT_RIM:
            return False
        return self.depth < FAINT or (self.grey and self.depth < SHADOW)


def glass_of(absorbance: Map, quad: NDArray[np.float64]) -> Glass:
    """Look for glass in one vial.

    Parameters
    ----------
    absorbance : numpy.ndarray, shape (h, w, 3)
        Absorbance against the card, vials upright.
    quad : numpy.ndarray, shape (4, 2)
        Corners of the fluid, clockwise from the top left.

    Returns
    -------
    Glass
        What is seen.
    """
    body = np.median(_sampled(absorbance, quad, DOWN), axis=0).astype(np.float64)
    # The darker of two places as far from the middle: a highlight lies on one side only.
    pair = np.maximum(body, body[::-1])
    far = np.abs(ACROSS)
    middle = np.median(pair[far < 0.25], axis=0)
    side = np.median(pair[(far > 0.58) & (far < 0.74)], axis=0)
    readable = (middle > READABLE[0]) & (middle < READABLE[1])
    bend = float(side[readable].sum() / middle[readable].sum()) if readable.any() else float("nan")
    neck = _has_neck(_sampled(absorbance, quad, NECK), middle)
    depth = float(middle.max())
    grey = bool(np.ptp(middle) < 0.1 * depth + 0.01)
    steep = np.abs(np.gradient(body.sum(axis=1), ACROSS)) / max(float(middle.sum()), 1e-6)
    sides = [float(steep[(s * ACROSS > 0.7) & (s * ACROSS < 1.3)].max()) for s in (-1, 1)]
    halves = [np.median(body[(s * ACROSS > 0.05) & (s * ACROSS < 0.7)], axis=0) for s in (-1, 1)]
    slant = float(np.abs(halves[0] - halves[1]).min())
    return Glass(depth, bend, _rims(body), neck, grey, min(sides), slant)


def is_glass(found: list[Glass]) -> bool:
    """Whether a row is one of fluid in glass.

    Parameters
    ----------
    found : list of Glass
        One for each vial of the row.

    Returns
    -------
    bool
        True when most vials are deepest in the middle of the bore, or most show an empty neck.
    """
    if not found:
        return False
    told = [g for g in found if np.isfinite(g.bend)]
    bent = bool(told) and float(np.median([g.bend for g in told])) < ROUND
    # A blur rounds the look of paint too, but it leaves no sharp sides and no dark rims.
    if bent and (max(g.steep for g in told) > STEEP or max(g.rims for g in found) > RIM):
        return True
    return bool(found) and float(np.mean([g.neck for g in found])) > 0.6


def is_even(found: list[Glass]) -> bool:
    """Whether a row is of even colour from side to side, with sharp sides.

    Fluid filled to the brim of flat glass looks so, and so does paint.

    Parameters
    ----------
    found : list of Glass
        One for each vial of the row.

    Returns
    -------
    bool
        False for round solids, whose sides turn away from the light, and for what is blurred.
    """
    told = [g.bend for g in found if np.isfinite(g.bend)]
    if told and not ROUND <= float(np.median(told)) < SOLID:
        return False
    if float(np.median([g.slant for g in found])) > SLANT:
        return False
    return float(np.median([g.steep for g in found])) > SHARP


def is_tint(faint: Glass, others: list[Glass]) -> bool:
    """Whether something faint is fluid with no glass to it, as the others of its row are.

    Parameters
    ----------
    faint : Glass
        Too faint to be believed alone.
    others : list of Glass
        The plain ones of a row without glass.

    Returns
    -------
    bool
        True for what has a colour and sides as sharp as theirs; shadows are grey or soft.
    """
    usual = float(np.median([g.steep for g in others]))
    return not faint.grey and 0.6 * usual < faint.steep < 2.5 * usual


def _sampled(absorbance: Map, quad: NDArray[np.float64], down: Line) -> Map:
    """Absorbance at shares of the fluid's height, across it; shape (down, across, 3)."""
    share, along = down[:, None], 0.5 * (ACROSS + 1.0)[None, :]
    left = quad[0] + share[..., None] * (quad[3] - quad[0])
    right = quad[1] + share[..., None] * (quad[2] - quad[1])
    places = (left + along[..., None] * (right - left)).astype(np.float32)
    return np.asarray(
        cv2.remap(
            absorbance,
            places[..., 0],
            places[..., 1],
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
    )


def _rims(line: Line) -> float:
    """The weaker of the dark lines at the two sides of a line across a vial."""
    dark = line.mean(axis=1)
    weakest = np.inf
    for sign in (-1.0, 1.0):
        at = sign * ACROSS
        edge = float(dark[(at > 0.75) & (at < 1.2)].max())
        within = float(np.median(dark[(at > 0.2) & (at < 0.65)]))
        outside = float(np.median(dark[at > 1.25]))
        weakest = min(weakest, edge - max(within, outside))
    return float(weakest)


def _has_neck(neck: Map, fluid: Line) -> bool:
    """Whether rows above the fluid show two sides with the card between them."""
    lines = neck.astype(np.float64)
    clear = np.median(lines[:, np.abs(ACROSS) < 0.5].max(axis=2), axis=1)
    bare = clear < max(0.08, min(0.15, 0.3 * float(fluid.max())))
    rims = np.array([_rims(line) for line in lines])
    return bool((bare & (rims > RIM)).sum() >= 3)
