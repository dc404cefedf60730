"""Vials so clear that only their rims, a highlight or a cap betray them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from scipy.ndimage import binary_erosion, gaussian_filter1d, maximum_filter1d

from sumpwright.samples.span import Line, Map, Mask, Span

__all__ = ["fill_in"]

CHUNKS = 6
MOST = 12
"""Faint vials looked for beyond each end of the row."""
CAP = 0.15
"""Absorbance from which the part above the fluids counts as a cap."""


@dataclass(frozen=True)
class _Row:
    """What is needed to look at one place of the row."""

    absorbance: Map
    inside: Mask
    known: Mask
    top: int
    bottom: int
    usual: float
    pitch: float
    spans: tuple[Span, ...]


def fill_in(
    spans: list[Span], absorbance: Map, inside: Mask, known: Mask, band: tuple[int, int]
) -> list[Span]:
    """Look for vials too faint for the first pass where the row has room for them.

    Parameters
    ----------
    spans : list of Span
        Vials found so far, from left to right.
    absorbance : numpy.ndarray, shape (h, w, 3)
        Absorbance against the card, vials upright.
    inside : numpy.ndarray of bool, shape (h, w)
        Where the card is or would be without the vials.
    known : numpy.ndarray of bool, shape (w,)
        Columns whose band lies on the card.
    band : tuple of int
        First and last row in which the fluids stand.

    Returns
    -------
    list of Span
        With the faint ones, from left to right.
    """
    if len(spans) < 2:
        return spans
    centres = np.array([s.centre for s in spans])
    steps = np.diff(centres)
    pitch = float(np.median(steps[steps < 1.5 * steps.min()]))
    usual = float(np.median([s.width for s in spans]))
    away = max(2, round(0.006 * max(inside.shape)))
    card = binary_erosion(inside, iterations=away, border_value=1)
    sure = binary_erosion(known, iterations=away, border_value=1)
    row = _Row(absorbance, card, sure, band[0], band[1], usual, pitch, tuple(spans))
    found = list(spans)
    for a, step in zip(centres[:-1], steps, strict=True):
        extra = round(step / pitch) - 1
        for k in range(extra):
            span = _look(row, a + (k + 1) * step / (extra + 1))
            if span is not None:
                found.append(span)
    for end, direction in ((centres[0], -1), (centres[-1], 1)):
        last = end
        for _ in range(MOST):
            span = _look(row, last + direction * pitch)
            if span is None or direction * (span.centre - last) < 0.5 * pitch:
                break
            found.append(span)
            row = replace(row, spans=tuple(found))
            last = span.centre
    return sorted(found, key=lambda s: s.centre)


def _look(row: _Row, place: float) -> Span | None:
    """A vial near a place, if its rims, its edges, a highlight or its cap are seen there."""
    half = row.usual / 2
    reach = half + 0.3 * max(0.0, row.pitch - row.usual)
    lo, hi = int(place - reach), int(place + reach) + 1
    for span in row.spans:
        if span.centre < place:
            lo = max(lo, int(span.right + 0.12 * row.usual) + 1)
        else:
            hi = min(hi, int(span.left - 0.12 * row.usual))
    # Where the picture ends nothing tells a vial from the smear of its last columns.
    margin = max(3, round(0.1 * row.usual))
    lo, hi = max(margin, lo), min(len(row.known) - margin, hi)
    if hi - lo < 0.75 * row.usual or row.known[lo:hi].mean() < 0.95:
        return None
    return _cap(row, lo, hi) or _outline(row, lo, hi, place)


def _cap(row: _Row, lo: int, hi: int) -> Span | None:
    """A cap like those of the other vials."""
    tall = row.bottom - row.top
    first = max(0, row.top - int(0.45 * tall))
    above = row.absorbance[first : row.top].max(axis=2) * row.inside[first : row.top]
    if above.shape[0] < 4:
        return None
    # The cap is a small part of what is above the fluids; a high value finds it.
    line = np.percentile(above, 85, axis=0)
    others = [float(np.median(line[round(s.left) : round(s.right) + 1])) for s in row.spans]
    level = float(np.median(others))
    if level < CAP or np.mean(np.array(others) > 0.5 * level) < 0.7:
        return None
    columns = lo + np.flatnonzero(line[lo:hi] > 0.5 * level)
    if len(columns) < 0.6 * row.usual or np.ptp(columns) > 1.4 * row.usual:
        return None
    centre = float(columns.mean())
    return Span(centre - row.usual / 2, centre + row.usual / 2, 0.0)


def _outline(row: _Row, lo: int, hi: int, place: float) -> Span | None:
    """Sharp upright features that run down the band and end at its foot."""
    tall = row.bottom - row.top
    limits = np.linspace(row.top + 0.12 * tall, row.bottom - 0.12 * tall, CHUNKS + 1).astype(int)
    if np.any(np.diff(limits) < 1):
        return None
    chunks = [row.absorbance[a:b].mean(axis=0) for a, b in pairwise(limits)]
    sharp = np.stack([_sharpened(c.astype(np.float64), row) for c in chunks])
    mean = sharp.mean(axis=0)
    free = _free(row)
    if free.sum() < 10:
        return None
    noise = 1.4826 * np.median(np.abs(mean[free]), axis=0)
    height = np.abs(mean) / np.maximum(noise, 6e-4)
    channel = np.argmax(height, axis=1)
    columns = np.arange(len(mean))
    signal, strength = mean[columns, channel], height[columns, channel]
    steady = (np.sign(sharp[:, columns, channel]) == np.sign(signal)).sum(axis=0) >= CHUNKS - 1
    under = _below(row)
    if under is not None:
        # A line that goes on below, such as the edge of the card, may lean on its way down.
        reach = 2 * max(2, round(0.12 * row.usual)) + 1
        beyond = maximum_filter1d(np.abs(under), reach, axis=0)
        steady &= beyond[columns, channel] < 0.5 * np.abs(signal)
    mark = steady & (np.abs(signal) > 0.0025)
    seen = lo + np.flatnonzero(mark[lo:hi] & (strength[lo:hi] > 6))
    if len(seen) == 0:
        return None
    width = float(np.ptp(seen))
    if 0.7 * row.usual < width < 1.35 * row.usual:
        return Span(float(seen[0]), float(seen[-1]), 0.0)
    if width > 0.7 * row.usual or strength[seen].max() < 10 or len(seen) < 2:
        return None
    nearest = min(max(s.left - seen[-1], seen[0] - s.right) for s in row.spans)
    if nearest < 0.3 * row.usual:
        return None
    # One feature only, such as a highlight: the place is where the row's spacing puts it.
    near = float(np.clip(place, seen[-1] - 0.45 * row.usual, seen[0] + 0.45 * row.usual))
    return Span(near - row.usual / 2, near + row.usual / 2, 0.0)


def _sharpened(line: Line, row: _Row) -> Line:
    """A line of the picture without its broad swings, the known vials taken out."""
    flat = line.copy()
    columns = np.arange(len(flat))
    free = _free(row)
    for channel in range(flat.shape[1]):
        flat[~free, channel] = np.interp(columns[~free], columns[free], flat[free, channel])
    flat = gaussian_filter1d(flat, 0.8, axis=0, mode="nearest")
    broad = gaussian_filter1d(flat, max(3.0, row.usual / 4), axis=0, mode="nearest")
    return np.asarray(flat - broad)


def _free(row: _Row) -> Mask:
    """Columns on the card and away from the known vials."""
    free = row.known.copy()
    for span in row.spans:
        margin = 0.1 * row.usual + 2
        free[max(0, int(span.left - margin)) : int(span.right + margin) + 1] = False
    return free


def _below(row: _Row) -> Line | None:
    """The same just below the feet of the vials, or None where that is off the card."""
    tall = row.bottom - row.top
    first = row.bottom + max(2, tall // 10)
    last = first + max(2, tall // 8)
    if last > row.inside.shape[0] or row.inside[first:last].mean() < 0.5:
        return None
    return _sharpened(row.absorbance[first:last].mean(axis=0).astype(np.float64), row)
