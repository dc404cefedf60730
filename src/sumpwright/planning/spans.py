"""Spans of time after a moment: whole months and years by the calendar."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sumpwright.planning.clock import DAY, MONTH

Array = NDArray[np.float64]


def later(since: ArrayLike, span: ArrayLike) -> Array:
    """Moments that lie a span of time after others; whole months go by the calendar.

    Six months from 28 February is 28 August, whatever the months between them count. A day
    that the month does not have is its last; any other span is so many seconds.

    Parameters
    ----------
    since : array_like
        s since 1970; NaN where it is not known.
    span : array_like
        s; whole multiples of `MONTH` are counted in months. They broadcast.

    Returns
    -------
    ndarray
        s since 1970, broadcast shape; the time of day stays.

    Examples
    --------
    >>> from datetime import date
    >>> from sumpwright.planning.clock import day, seconds
    >>> [day(float(later(seconds(since), count * MONTH)))
    ...  for since, count in [(date(2025, 2, 28), 6), (date(2024, 2, 29), 12)]]
    [datetime.date(2025, 8, 28), datetime.date(2025, 2, 28)]
    >>> float(later(0.0, 90.0 * DAY)) / DAY
    90.0
    """
    start, gap = np.broadcast_arrays(
        np.asarray(since, dtype=np.float64), np.asarray(span, dtype=np.float64)
    )
    out = np.array(start + gap)
    months = np.rint(gap / MONTH)
    whole = np.isfinite(out) & (np.abs(gap - months * MONTH) <= 1.0)
    days = np.floor(start[whole] / DAY)
    born = days.astype("datetime64[D]")
    first = born.astype("datetime64[M]")
    then = first + months[whole].astype("timedelta64[M]")
    place = (born - first).astype(np.float64)
    last = ((then + 1).astype("datetime64[D]") - then.astype("datetime64[D]")).astype(
        np.float64
    ) - 1
    there = then.astype("datetime64[D]").astype(np.float64) + np.minimum(place, last)
    out[whole] = there * DAY + (start[whole] - days * DAY)
    return out
