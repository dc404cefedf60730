"""Reading the row along and across: which columns are vials, which rows of them are fluid."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_erosion, gaussian_filter1d, grey_opening
from scipy.signal import find_peaks

from sumpwright.samples.faint import fill_in
from sumpwright.samples.necks import beyond, complete, pitch_of, plain_ones
from sumpwright.samples.span import Line, Map, Mask, Span

__all__ = ["columns_to_spans", "fluid_rows"]

FAINT = 0.05
"""Absorbance below which a vial must show its foot or its sides to be believed."""


def columns_to_spans(
    absorbance: Map, inside: Mask, band: tuple[int, int], wide: float, roughness: float
) -> tuple[list[Span], tuple[str, ...]]:
    """Find the vials in the band by the profile of absorbance across the row.

    Parameters
    ----------
    absorbance : numpy.ndarray, shape (h, w, 3)
        Absorbance against the card, vials upright.
    inside : numpy.ndarray of bool, shape (h, w)
        Where the card is or would be without the vials.
    band : tuple of int
        First and last row in which the fluids stand.
    wide : float
        First guess of a vial's width in columns.
    roughness : float
        Standard deviation of a card pixel, in absorbance.

    Returns
    -------
    spans : list of Span
        From left to right; empty when nothing looks like a row.
    doubted : tuple of str
        Ends, "left" or "right", beyond which something stands that may be a vial.
    """
    profile, known = _profile(absorbance, inside, band)
    if known.sum() < 10:
        return [], ()
    # The very edge of the card is blurred with what lies beyond it.
    known = binary_erosion(known, iterations=max(2, round(0.006 * len(known))), border_value=1)
    rise, excess, noise = _edges(profile, known, wide, roughness, band)
    spans = _runs(rise, excess, known, noise, wide)
    if not spans:
        return [], ()

    def looks_whole(span: Span) -> bool:
        return _ends_in_band(span, absorbance, inside, band)

    last = len(known) - 3
    spans = [
        s for s in spans if s.strength > FAINT or (s.left > 2 and s.right < last and looks_whole(s))
    ]
    if not spans:
        return [], ()
    spans = _same_width(spans, rise, wide)
    spans = [_straighten(span, absorbance, band) for span in spans]
    fluid = _fluid_band(absorbance, inside, band, spans, roughness)
    plain = plain_ones(spans, absorbance, fluid, roughness)
    above = _above(absorbance, inside, band, plain, roughness)
    seen = complete(spans, plain, absorbance, known, above, fluid, roughness)
    doubted: tuple[str, ...] = ()
    if seen is None:
        faint = [s for s in fill_in(spans, absorbance, inside, known, fluid) if s not in spans]
        spans += [_straighten(span, absorbance, fluid) for span in faint]
        spans.sort(key=lambda s: s.centre)
        if len(spans) > 1:
            doubted = beyond(spans, pitch_of(spans), absorbance, known, fluid, roughness)
    else:
        whole, doubted = seen
        spans = [s if s in spans else _nearly(s, absorbance, fluid) for s in whole]
    return _spaced(sorted(spans, key=lambda s: s.centre)), doubted


def _above(
    absorbance: Map, inside: Mask, band: tuple[int, int], spans: list[Span], roughness: float
) -> tuple[int, int]:
    """Rows just above the highest fluid, by the half of the spans that is the plainest."""
    plainest = sorted(spans, key=lambda s: -s.strength)[: max(2, (len(spans) + 1) // 2)]
    limits = [_fluid(absorbance, inside, band, span, roughness) for span in plainest]
    sure = [lim for lim in limits if lim is not None]
    top = min((lim[0] for lim in sure), default=float(band[0]))
    tall = float(np.median([b - a for a, b in sure])) if sure else float(band[1] - band[0])
    return max(0, int(top - 0.35 * tall)), max(0, int(top - 0.05 * tall))


def _nearly(span: Span, absorbance: Map, band: tuple[int, int]) -> Span:
    """Follow the sides as far as they lie about where the span is: shadows have sides too."""
    found = _straighten(span, absorbance, band)
    room = 0.12 * span.width
    near = abs(found.left - span.left) < room and abs(found.right - span.right) < room
    return found if near else span


def _profile(absorbance: Map, inside: Mask, band: tuple[int, int]) -> tuple[Line, Mask]:
    """Typical absorbance of each column over the band, and where it is known."""
    top, bottom = band
    edge = max(1, (bottom - top) // 8)
    rows = slice(top + edge, max(top + edge + 1, bottom - edge))
    part = absorbance[rows].astype(np.float64)
    covered = inside[rows]
    known = covered.mean(axis=0) > 0.7
    # Fluid fills most of the band: a high middle value sees it past glare, and the same on bare
    # card only shifts the level, which is taken off later.
    profile = np.percentile(part, 60, axis=0)
    places = np.flatnonzero(known)
    if len(places):  # carry the ends outwards, so that the end of the card makes no step
        nearest = np.clip(np.arange(len(known)), places[0], places[-1])
        profile = profile[nearest]
    return profile, np.asarray(known)


def _edges(
    profile: Line, known: Mask, wide: float, roughness: float, band: tuple[int, int]
) -> tuple[Line, Line, float]:
    """Signed steepness of the profile, its height above the card and the noise of that height."""
    size = min(len(profile), max(5, int(1.7 * wide)) | 1)
    # Smoothed first: the opening follows the lowest values, which in a noisy line lie too low.
    calm = gaussian_filter1d(profile, max(1.0, wide / 20), axis=0, mode="nearest")
    card = np.stack([grey_opening(calm[:, c], size) for c in range(3)], axis=1)
    card = gaussian_filter1d(np.clip(card, -0.03, 0.03), size / 4, axis=0, mode="nearest")
    above = profile - card
    excess = np.maximum(above.max(axis=1), 0.7 * (above.max(axis=1) - above.min(axis=1)))
    # A highlight is lighter than the card: it too belongs to the vial that it lies on.
    excess = np.maximum(excess, 0.5 * np.maximum(-above.min(axis=1), 0.0))
    excess[~known] = 0.0
    rows = max(1, band[1] - band[0])
    jitter = 1.4826 * float(np.median(np.abs(np.diff(profile[known], axis=0)))) / np.sqrt(2)
    noise = max(0.0015, jitter, 2.0 * roughness / np.sqrt(rows))
    steep = _steepness(profile)
    steep[~known] = 0.0
    return steep, excess, noise


def _runs(rise: Line, excess: Line, known: Mask, noise: float, wide: float) -> list[Span]:
    """Stretches of columns that stand out from the card, each about as wide as a vial.

    A stretch that is too wide, because a shadow joins two vials, is looked at again with a higher
    threshold until it falls apart.
    """
    spans: list[Span] = []
    waiting = [(0, len(excess), max(0.008, 5 * noise))]
    while waiting:
        lo, hi, threshold = waiting.pop()
        for start, end in _stretches((excess[lo:hi] > threshold) & known[lo:hi], 0.05 * wide):
            a, b = lo + start, lo + end + 1
            if b - a > 1.45 * wide and threshold < 0.7 * np.percentile(excess[a:b], 90):
                waiting.append((a, b, 1.3 * threshold))
            else:
                spans.append(_cut(a, b - 1, rise, excess))
    spans.sort(key=lambda s: s.centre)
    spans = _without_shoulders(spans, wide)
    return [s for s in _pair(spans, wide) if s.width >= max(4.0, 0.5 * wide)]


def _stretches(over: Mask, gap: float) -> list[tuple[int, int]]:
    """First and last index of each stretch, bridging gaps up to a width."""
    marks = np.flatnonzero(over)
    if len(marks) == 0:
        return []
    breaks = np.flatnonzero(np.diff(marks) > max(1.0, gap))
    starts = np.concatenate([[marks[0]], marks[breaks + 1]])
    ends = np.concatenate([marks[breaks], [marks[-1]]])
    return [(int(a), int(b)) for a, b in zip(starts, ends, strict=True)]


def _cut(start: int, end: int, rise: Line, excess: Line) -> Span:
    """Sides of the vial within one stretch: the outermost steep places."""
    lo, hi = max(0, start - 3), min(len(rise), end + 4)
    local = rise[lo:hi]
    steepest = float(np.abs(local).max())
    up, _ = find_peaks(np.concatenate([[0], local, [0]]), height=0.2 * steepest)
    down, _ = find_peaks(np.concatenate([[0], -local, [0]]), height=0.2 * steepest)
    left = lo + int(up[0]) - 1 if len(up) else start
    right = lo + int(down[-1]) - 1 if len(down) else end
    if right - left < 3:
        left, right = start, end
    return _span(left, right, excess)


def _span(left: float, right: float, excess: Line) -> Span:
    core = excess[round(left + 0.25 * (right - left)) : round(right - 0.25 * (right - left)) + 1]
    return Span(float(left), float(right), float(np.median(core)) if len(core) else 0.0)


def _without_shoulders(spans: list[Span], wide: float) -> list[Span]:
    """Leave out thin stretches that lie close beside a far stronger vial: blur and JPEG."""
    broad = [s for s in spans if s.width >= 0.5 * wide]

    def shoulder(span: Span) -> bool:
        return any(
            other.strength > 5 * span.strength
            and max(other.left - span.right, span.left - other.right) < 0.25 * wide
            for other in broad
        )

    return [s for s in spans if s.width >= 0.5 * wide or not shoulder(s)]


def _spaced(spans: list[Span]) -> list[Span]:
    """Leave out faint spans that crowd their neighbours; vials of a row stand about evenly."""
    if len(spans) < 4:
        return spans
    clear = [s.centre for s in spans if s.strength > FAINT]
    if len(clear) < 3:
        return spans
    steps = np.diff(clear)
    pitch = float(np.median(steps[steps < 1.5 * steps.min()]))
    kept: list[Span] = []
    for span in sorted(spans, key=lambda s: -s.strength):
        crowded = any(abs(span.centre - other.centre) < 0.7 * pitch for other in kept)
        if span.strength > FAINT or not crowded:
            kept.append(span)
    return sorted(kept, key=lambda s: s.centre)


def _pair(spans: list[Span], wide: float) -> list[Span]:
    """Join two parts of one vial: the rims of clear glass, or what a highlight has cut in two."""
    out: list[Span] = []
    k = 0
    while k < len(spans):
        here = spans[k]
        if k + 1 < len(spans):
            after = spans[k + 1]
            whole = (after.right - here.left) / wide
            gap = (after.left - here.right) / wide
            alike = max(here.strength, after.strength) < 4 * min(here.strength, after.strength)
            rims = alike and max(here.width, after.width) < 0.4 * wide and 0.7 < whole < 1.35
            halves = max(here.width, after.width) < 0.85 * wide and gap < 0.2 and whole < 1.15
            if rims or halves:
                out.append(Span(here.left, after.right, min(here.strength, after.strength)))
                k += 2
                continue
        out.append(here)
        k += 1
    return out


def _same_width(spans: list[Span], rise: Line, wide: float) -> list[Span]:
    """Keep the spans of one width; divide those that hold several vials side by side."""
    widths = np.array([s.width for s in spans])
    fitting = widths[(widths > 0.6 * wide) & (widths < 1.5 * wide)]
    usual = float(np.median(fitting)) if len(fitting) else float(np.median(widths))
    out: list[Span] = []
    for span in spans:
        ratio = span.width / usual
        if 0.65 <= ratio <= 1.45:
            out.append(span)
        elif ratio > 1.45:
            out += _divide(span, rise, usual)
    return out


def _divide(span: Span, rise: Line, usual: float) -> list[Span]:
    """Divide a run of touching vials at the steps nearest to equal widths."""
    count = round(span.width / usual)
    if count < 2 or abs(span.width / count / usual - 1) > 0.3:
        return []
    cuts = [span.left]
    for k in range(1, count):
        guess = span.left + k * span.width / count
        lo, hi = int(guess - 0.2 * usual), int(guess + 0.2 * usual) + 1
        cuts.append(float(lo + np.argmax(np.abs(rise[lo:hi]))))
    cuts.append(span.right)
    return [Span(a, b, span.strength) for a, b in pairwise(cuts)]


def _ends_in_band(span: Span, absorbance: Map, inside: Mask, band: tuple[int, int]) -> bool:
    """Whether what stands out in the band stops below it, as a vial does and a line does not."""
    top, bottom = band
    tall = bottom - top
    columns = slice(round(span.left), round(span.right) + 1)
    below = slice(bottom + tall // 8, bottom + tall // 8 + max(2, tall // 10))
    card = inside[below, columns]
    if card.size == 0 or card.mean() < 0.9:
        return True
    within = absorbance[top + tall // 8 : bottom - tall // 8, columns].max(axis=2).mean()
    under = absorbance[below, columns].max(axis=2).mean()
    return bool(within - under > 0.4 * within)


def _straighten(span: Span, absorbance: Map, band: tuple[int, int]) -> Span:
    """Follow the sides of a vial down the band, so that a leaning vial gets leaning sides."""
    top, bottom = band
    middle = (top + bottom) / 2
    reach = max(3, int(0.12 * span.width))
    limits = np.linspace(top, bottom, 10).astype(int)
    slices = [(a, b) for a, b in pairwise(limits) if b - a >= 2]
    half = len(slices) // 2
    places: list[tuple[float, float, float]] = []
    # From the middle outwards, each slice looks near the sides that the one before it found: a
    # highlight on the glass is often steeper than the side, but never so near to it.
    for run in (slices[half:], slices[:half][::-1]):
        sides = [span.left, span.right]
        for a, b in run:
            row = np.median(absorbance[a:b], axis=0).astype(np.float64)
            steep = _steepness(row)
            for k, sign in ((0, 1.0), (1, -1.0)):
                lo = max(0, round(sides[k]) - reach)
                near = sign * steep[lo : round(sides[k]) + reach + 1]
                if len(near):
                    sides[k] = lo + float(np.argmax(near))
            places.append(((a + b) / 2 - middle, sides[0], sides[1]))
    if len(places) < 5:
        return span
    y, left, right = np.array(sorted(places)).T
    pairs = [(i, j) for i in range(len(y)) for j in range(i + 3, len(y))]
    slopes = [(s[j] - s[i]) / (y[j] - y[i]) for s in (left, right) for i, j in pairs]
    lean = float(np.clip(np.median(slopes), -0.2, 0.2))
    new_left, new_right = float(np.median(left - lean * y)), float(np.median(right - lean * y))
    if not 0.7 < (new_right - new_left) / span.width < 1.4:
        return span
    return replace(span, left=new_left, right=new_right, lean=lean)


def _steepness(row: Line) -> Line:
    """How fast absorbance rises (above zero) or falls along a row of columns, all channels."""
    slope = gaussian_filter1d(np.clip(row, 0.0, 1.0), 0.8, axis=0, order=1, mode="nearest")
    return np.asarray(np.sqrt((slope**2).sum(axis=1)) * np.sign(slope.sum(axis=1)))


def _fluid_band(
    absorbance: Map, inside: Mask, band: tuple[int, int], spans: list[Span], roughness: float
) -> tuple[int, int]:
    """The band without caps and necks, from the vials whose fluid is plain to see."""
    limits = [_fluid(absorbance, inside, band, span, roughness) for span in spans]
    sure = np.array([lim for lim in limits if lim is not None])
    if len(sure) == 0:
        return band
    top, bottom = np.median(sure, axis=0)
    return int(top), int(bottom)


def fluid_rows(
    absorbance: Map, inside: Mask, band: tuple[int, int], spans: list[Span], roughness: float
) -> list[NDArray[np.float64]]:
    """Rows of each vial that hold fluid, as corners.

    Parameters
    ----------
    absorbance, inside, band, roughness
        As for `columns_to_spans`.
    spans : list of Span
        The vials.

    Returns
    -------
    list of numpy.ndarray, each of shape (4, 2)
        Top left, top right, bottom right, bottom left; in columns and rows of `absorbance`.
    """
    if not spans:
        return []
    limits = [_fluid(absorbance, inside, band, span, roughness) for span in spans]
    sure = [lim for lim in limits if lim is not None]
    if sure:
        top = float(np.median([lim[0] for lim in sure]))
        bottom = float(np.median([lim[1] for lim in sure]))
    else:
        top, bottom = float(band[0]), float(band[1])
    middle = (band[0] + band[1]) / 2
    quads = []
    for span, lim in zip(spans, limits, strict=True):
        a, b = lim if lim is not None else (top, bottom)
        da, db = span.lean * (a - middle), span.lean * (b - middle)
        quads.append(
            np.array(
                [
                    [span.left + da, a],
                    [span.right + da, a],
                    [span.right + db, b],
                    [span.left + db, b],
                ]
            )
        )
    return quads


def _fluid(
    absorbance: Map, inside: Mask, band: tuple[int, int], span: Span, roughness: float
) -> tuple[float, float] | None:
    """First and last row of the fluid in one vial, or None when the vial is too faint to tell."""
    height, width = inside.shape
    tall = band[1] - band[0]
    first, last = max(0, band[0] - tall), min(height, band[1] + tall // 3)
    rows = np.arange(first, last)
    middle = span.centre + span.lean * (rows - (band[0] + band[1]) / 2)
    offsets = np.linspace(-0.22, 0.22, 9) * span.width
    columns = np.clip(np.rint(middle[:, None] + offsets), 0, width - 1).astype(int)
    line = np.median(absorbance[rows[:, None], columns], axis=1).astype(np.float64)
    ok = inside[rows, np.clip(np.rint(middle), 0, width - 1).astype(int)]
    line = gaussian_filter1d(line, 1.0, axis=0, mode="nearest")
    core = slice(band[0] - first + tall // 4, band[1] - first - tall // 4)
    level = np.median(line[core], axis=0)
    excess = float(np.max(level))
    if excess < max(0.06, 6 * roughness):
        return None
    # Rows belong to the fluid while they are nearer to its level than to bare card or glass, and
    # not much darker than it, as a cap or a thick foot is.
    scale = float(np.sqrt((level**2).sum()))
    distance = np.sqrt(((line - level) ** 2).sum(axis=1))
    like = (distance < 0.4 * scale + 0.02) & ok
    start = (band[0] + band[1]) // 2 - first
    tolerance = max(2, tall // 25)
    top, bottom = _grow(like, start, -1, tolerance), _grow(like, start, 1, tolerance)
    if bottom - top < 0.25 * tall:
        return None
    return float(first + top), float(first + bottom + 1)


def _grow(like: Mask, start: int, step: int, tolerance: int) -> int:
    """Walk from a row while the rows are alike, over gaps up to the tolerance."""
    at, last, missed = start, start, 0
    while 0 <= at < len(like) and missed <= tolerance:
        if like[at]:
            last, missed = at, 0
        else:
            missed += 1
        at += step
    return last
