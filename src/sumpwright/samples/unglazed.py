"""Rows that show no glass: read only where their colours themselves are a row of mixes.

An even picture of fluid, filled to the brim or seen through flat glass, cannot be told from a
painted one by its looks. What paint seldom does is to lie, in every colour of light, on the line
from one end of the row to the other, with the darker end the browner.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from sumpwright.samples.card import FLOOR
from sumpwright.samples.patches import Patch

__all__ = ["are_mixes", "stand_alike"]

Array = NDArray[np.float64]

WIDTHS = 0.15
"""Largest difference of a vial's width from the usual one, over that."""
FEET = 0.08
"""Largest distance of a foot from the line of the feet, over the height of the fluid."""
CHART = 0.985
"""Correlation of height and place from which a row is a chart: nobody fills vials so."""
READABLE = 0.02
"""Light over the card's below which a channel is too dark to be compared."""
SPAN = 0.15
"""Least absorbance between the ends."""
APART = (0.02, 0.06)
"""Distance from the line between the ends that is let pass: absorbance, and over the span."""
FADED = 0.45
"""Share of the largest change by which the old fluid may be lighter in some channel."""
BLUE = 0.4
"""Least change in the blue over the largest change: age takes the blue first."""


def stand_alike(quads: Sequence[Array]) -> bool:
    """Whether outlines are alike in width and stand on one line, and are no bars of a chart.

    Parameters
    ----------
    quads : sequence of numpy.ndarray, each of shape (4, 2)
        Corners of the fluids, clockwise from the top left, from left to right.

    Returns
    -------
    bool
        True when they may be vials.

    Examples
    --------
    >>> box = np.array([[0.0, 0.0], [10.0, 0.0], [10.0, 30.0], [0.0, 30.0]])
    >>> stand_alike([box + [20.0 * k, 0.0] for k in range(5)])
    True
    >>> stand_alike([box * [1.0, 1.0 + k] + [20.0 * k, -30.0 * k] for k in range(5)])
    False
    """
    widths = np.array([(q[1, 0] - q[0, 0] + q[2, 0] - q[3, 0]) / 2 for q in quads])
    heights = np.array([(q[3, 1] - q[0, 1] + q[2, 1] - q[1, 1]) / 2 for q in quads])
    places = np.array([q[:, 0].mean() for q in quads])
    feet = np.array([q[2:, 1].mean() for q in quads])
    usual = float(np.median(widths))
    if np.abs(widths / usual - 1.0).max() > WIDTHS:
        return False
    line = np.polyfit(places, feet, 1)
    if np.abs(feet - np.polyval(line, places)).max() > FEET * float(np.median(heights)):
        return False
    stepped = len(quads) > 3 and np.ptp(heights) > 0.2 * heights.max()
    return not (stepped and abs(np.corrcoef(places, heights)[0, 1]) > CHART)


def are_mixes(patches: Sequence[Patch]) -> bool:
    """Whether the colours of a row lie between those of its ends as mixes of two fluids do.

    The absorbance of a mix is on the straight line between those of the two fluids. At least two
    channels must show it.

    Parameters
    ----------
    patches : sequence of Patch
        The vials from left to right.

    Returns
    -------
    bool
        False for paint of several hues, of one colour, of grey, or in no order.
    """
    light = np.array([p.transmittance for p in patches])
    depth = -np.log10(np.maximum(light, FLOOR))
    if depth[0].sum() < depth[-1].sum():
        light, depth = light[::-1], depth[::-1]
    clear = ~np.any([p.burnt for p in patches], axis=0)
    both = clear & (light[[0, -1]] > READABLE).all(axis=0)
    if both.sum() < 2:
        return False
    change = depth[0] - depth[-1]
    most = float(change.max())
    # In a channel that is too dark to compare the change is at least what is seen of it.
    if change.min() < -FADED * most or change[2] < BLUE * float(change[both].max()):
        return False
    if _grey(depth[0][both]) and _grey(depth[-1][both]):
        return False
    step = change[both]
    span = float(np.linalg.norm(step))
    if span < SPAN:
        return False
    from_new = depth[1:-1, both] - depth[-1, both]
    share = from_new @ step / span**2
    apart = np.linalg.norm(from_new - share[:, None] * step, axis=1)
    room = APART[0] / span + APART[1]
    strange = (apart > span * room) | (share < -room) | (share > 1.0 + room)
    steps = np.diff(np.concatenate([[1.0], share, [0.0]]))
    return bool(strange.sum() <= len(share) // 3 and np.mean(steps > room) < 0.4)


def _grey(depth: Array) -> bool:
    return bool(np.ptp(depth) < 0.1 * float(depth.max()) + 0.02)
