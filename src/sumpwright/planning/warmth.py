"""How long a fluid was how warm: many histograms as one, in bands that people read."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from sumpwright.display import Display
from sumpwright.planning.use import Histogram

BAND = {"metric": (10.0, 273.0), "us": (20.0 / 1.8, 255.3722222222222)}
"""K of one band, and an edge: tens of degrees Celsius, scores of degrees Fahrenheit.

Logs are kept in bands of whole kelvins; an edge at 273.15 K would cut each that holds a
round number of degrees, and put a part of 100 °C below it.
"""


def gather(histograms: Sequence[Histogram], display: Display | None = None) -> Histogram | None:
    """Add histograms up in bands of round degrees.

    Within a band every temperature is taken as equally likely, so a band that lies
    across an edge is shared out by its width.

    Parameters
    ----------
    histograms : sequence of Histogram
    display : Display, optional
        Whose degrees are to be round; Celsius when left out.

    Returns
    -------
    Histogram or None
        Without empty bands at its ends; ``None`` where nothing was logged but for a moment.

    Examples
    --------
    >>> found = gather([Histogram((323.0, 343.0), (600.0,)), Histogram((338.0, 340.0), (60.0,))])
    >>> [round(edge - 273.15) for edge in found.edges], [round(d) for d in found.durations]
    ([50, 60, 70], [300, 360])
    """
    width, edge = BAND["us" if display is not None and display.system == "us" else "metric"]
    used = [h for h in histograms if sum(h.durations) > 1e-3]
    if not used:
        return None
    # The nudge keeps an edge that is meant to be round, and is stored in kelvins, on its side.
    low = math.floor((min(h.edges[0] for h in used) - edge) / width + 1e-6)
    high = max(math.ceil((max(h.edges[-1] for h in used) - edge) / width - 1e-6), low + 1)
    edges = edge + width * np.arange(low, high + 1)
    spent = np.zeros(len(edges) - 1)
    for histogram in used:
        at = np.asarray(histogram.edges)
        total = np.concatenate([[0.0], np.cumsum(histogram.durations)])
        spent += np.diff(np.interp(edges, at, total))
        # What lies beyond the outermost edge by the nudge alone.
        spent[0] += float(np.interp(edges[0], at, total))
        spent[-1] += float(total[-1] - np.interp(edges[-1], at, total))
    held = np.flatnonzero(spent > 1e-9 * spent.sum())
    first, last = int(held[0]), int(held[-1]) + 1
    return Histogram(tuple(edges[first : last + 1].tolist()), tuple(spent[first:last].tolist()))


def mean_temperature(histogram: Histogram) -> float:
    """Mean temperature over time, K, from the middles of the bands.

    Examples
    --------
    >>> mean_temperature(Histogram((350.0, 352.0, 354.0), (30.0, 10.0)))
    351.5
    """
    edges, spent = np.asarray(histogram.edges), np.asarray(histogram.durations)
    return float(np.average((edges[1:] + edges[:-1]) / 2, weights=spent))
