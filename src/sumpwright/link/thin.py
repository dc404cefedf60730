"""Fewer points of a long curve, without losing its peaks."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def thin(x: Floats, y: Floats, buckets: int) -> tuple[Floats, Floats]:
    """Keep the least and the greatest value in each of `buckets` equal stretches of `x`.

    First and last point are kept too, so that the curve spans the same range. What is
    drawn has the same outline as the whole curve at that width: a peak of a single
    reading stays, whatever the length.

    Parameters
    ----------
    x, y : ndarray of shape (n,)
        A curve; `x` does not decrease. Points whose `y` is not finite are left out.
    buckets : int
        Stretches, at least 1; about the width of the figure in pixels.

    Returns
    -------
    x, y : ndarray of shape (m,)
        At most ``2 * buckets + 2`` of the points, in their order.

    Raises
    ------
    ValueError
        When the shapes differ or there is no bucket.

    References
    ----------
    U. Jugel, Z. Jerzak, G. Hackenbroich and V. Markl, "M4: a visualization-oriented time
    series data aggregation", Proc. VLDB Endowment 7(10), 2014: least, greatest, first and
    last value of a pixel column suffice to draw a line without error; here first and last
    are kept for the curve as a whole.

    Examples
    --------
    >>> x = np.arange(1000.0)
    >>> y = np.zeros(1000)
    >>> y[417] = 9.0
    >>> few = thin(x, y, 10)
    >>> few[0].size <= 22, few[1].max()
    (True, np.float64(9.0))
    """
    x, y = np.asarray(x, float), np.asarray(y, float)
    if x.shape != y.shape or x.ndim != 1:
        raise ValueError("x and y are not of one length")
    if buckets < 1:
        raise ValueError("at least one bucket is needed")
    sound = np.isfinite(x) & np.isfinite(y)
    x, y = x[sound], y[sound]
    if x.size <= 2 * buckets + 2:
        return x, y
    edges = np.linspace(x[0], x[-1], buckets + 1)[1:-1]
    bucket = np.searchsorted(edges, x, side="right")
    starts = np.flatnonzero(np.diff(bucket, prepend=-1))
    counts = np.diff(starts, append=x.size)
    keep = np.zeros(x.size, bool)
    keep[[0, -1]] = True
    for extreme in (np.minimum, np.maximum):
        peaks = np.flatnonzero(y == np.repeat(extreme.reduceat(y, starts), counts))
        _, first = np.unique(bucket[peaks], return_index=True)
        keep[peaks[first]] = True
    return x[keep], y[keep]
