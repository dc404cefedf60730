"""Vials found by what stands above their fluid: glass, a surface or a cap, whatever the colour.

The plain vials of a row show what all of them look like above the fluid. A clear one looks the
same there, and a shadow does not.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from sumpwright.samples.span import Line, Map, Mask, Span

__all__ = ["beyond", "complete", "pitch_of", "plain_ones"]

REACH = 0.72
"""Half of the columns that are compared, in widths of a vial: the rims and a little beside them."""
CHUNKS = 4
SURE = 0.6
"""Correlation of the plain necks with each other from which they may vouch for others."""
ALIKE = 0.7
"""Correlation with them from which something is a neck."""
DOUBTED = 0.5
"""Correlation from which it may be one."""
BESIDE = 0.15
"""Farthest that the middle of a vial lies from that of its outline, in widths of a vial."""
LEANING = 0.25
"""Farthest that a fluid stands from under its neck, in widths of a vial."""
CLOSE = 0.7
"""Over the distance of two vials: the gap between two also has a rim at either side."""
COLOURED = (0.10, 0.05)
"""Depth and difference of the channels from which a vial is plain to see and no shadow."""
DARK = 0.40
"""Depth from which it is so whatever its colour."""
TINTED = 0.02
"""Difference of the channels from which something beyond the row is no shadow."""


@dataclass(frozen=True)
class Necks:
    """How much each column looks like the middle of a neck.

    Parameters
    ----------
    score : numpy.ndarray, shape (columns,)
        Correlation with the necks of the plain vials, -1 to 1.
    body : numpy.ndarray, shape (columns,)
        The same in the rows of the fluid.
    up : float
        Rows from the middle of the fluids to the middle of the necks, below zero.
    lean : numpy.ndarray, shape (2,)
        How much vials lean, as a line over the columns.
    """

    score: Line
    body: Line
    up: float
    lean: Line

    def above(self, span: Span) -> float:
        """Column of the neck that belongs to a fluid."""
        return span.centre + span.lean * self.up

    def below(self, place: float, usual: float) -> Span:
        """The vial under a neck: a clear one shows the same glass in its fluid as above it."""
        lean = float(np.polyval(self.lean, place))
        at = round(place - lean * self.up)
        reach = round(LEANING * usual)
        lo, hi = max(0, at - reach), min(len(self.body), at + reach + 1)
        if hi > lo and self.body[lo:hi].max() > DOUBTED:
            at = lo + int(np.argmax(self.body[lo:hi]))
        return Span(at - usual / 2, at + usual / 2, 0.0, lean, sure=True)


def plain_ones(
    spans: list[Span], absorbance: Map, band: tuple[int, int], roughness: float
) -> list[Span]:
    """Spans that are vials beyond doubt: coloured, as shadows are not, or dark.

    Parameters
    ----------
    spans : list of Span
        What stands out in the band.
    absorbance : numpy.ndarray, shape (h, w, 3)
        Absorbance against the card, vials upright.
    band : tuple of int
        First and last row in which the fluids stand.
    roughness : float
        Standard deviation of a card pixel, in absorbance.

    Returns
    -------
    list of Span
        Some of the spans.
    """
    return [s for s in spans if _is_plain(_colour(absorbance, band, s.centre, s.width), roughness)]


def complete(
    spans: list[Span],
    plain: list[Span],
    absorbance: Map,
    known: Mask,
    above: tuple[int, int],
    band: tuple[int, int],
    roughness: float,
) -> tuple[list[Span], tuple[str, ...]] | None:
    """Find the vials that look above their fluid as the plain ones do, and leave out shadows.

    Parameters
    ----------
    spans, plain : list of Span
        What stands out in the band, from left to right; those of them that are plain to see.
    absorbance : numpy.ndarray, shape (h, w, 3)
        Absorbance against the card, vials upright.
    known : numpy.ndarray of bool, shape (w,)
        Columns that lie on the card.
    above : tuple of int
        First and last row just above all the plain fluids.
    band : tuple of int
        First and last row in which the fluids stand.
    roughness : float
        Standard deviation of a card pixel, in absorbance.

    Returns
    -------
    spans : list of Span
        From left to right; those that were not among the given ones have no strength.
    doubted : tuple of str
        Ends, "left" or "right", beyond which something stands that may be a vial.

    None when the plain vials have nothing in common above their fluid.
    """
    necks = _see(plain, absorbance, known, above, band)
    if necks is None:
        return None
    usual = float(np.median([s.width for s in plain]))
    pitch = pitch_of(plain)
    peaks = _peaks(necks, usual)
    off = [np.abs(np.array(peaks) - necks.above(s)) for s in plain]
    kept = [
        s
        for s, far in zip(plain, off, strict=True)
        if not (far < CLOSE * pitch).any() or far.min() < BESIDE * usual
    ]
    for peak in peaks:
        if any(abs(peak - necks.above(s)) < max(CLOSE * pitch, 0.9 * usual) for s in kept):
            continue
        new = necks.below(peak, usual)
        near = [
            s
            for s in spans
            if abs(s.centre - new.centre) < BESIDE * usual and abs(s.width - usual) < 0.2 * usual
        ]
        kept.append(replace(near[0], sure=True) if near else new)
    # What is no neck but stands clear of them all is for others to judge.
    kept += [s for s in spans if all(abs(s.centre - o.centre) >= CLOSE * pitch for o in kept)]
    kept.sort(key=lambda s: s.centre)
    near_necks = np.array([CLOSE, 1.5]) * pitch
    doubted = []
    for end, outer, way in (("left", kept[0], -1), ("right", kept[-1], 1)):
        lo, hi = np.clip(np.sort(outer.centre + way * near_necks), 0, len(known)).astype(int)
        shift = round(necks.above(outer) - outer.centre)
        places = np.clip(np.flatnonzero(known[lo:hi]) + lo + shift, 0, len(known) - 1)
        if len(places) and necks.score[places].max() > DOUBTED + 0.1:
            doubted.append(end)
    tinted = beyond(kept, pitch, absorbance, known, band, roughness, np.inf)
    return kept, tuple(e for e in ("left", "right") if e in doubted or e in tinted)


def beyond(
    spans: list[Span],
    pitch: float,
    absorbance: Map,
    known: Mask,
    band: tuple[int, int],
    roughness: float,
    depth: float = 0.05,
) -> tuple[str, ...]:
    """Ends of a row beyond which something stands where the next vial would.

    Parameters
    ----------
    spans : list of Span
        The row, from left to right.
    pitch : float
        Distance of two vials in columns.
    absorbance, known, band, roughness
        As for `complete`.
    depth : float
        Absorbance from which something counts whatever its colour; shadows have some.

    Returns
    -------
    tuple of str
        "left", "right", both or none.
    """
    out = []
    for end, outer, way in (("left", spans[0], -1), ("right", spans[-1], 1)):
        at = outer.centre + way * pitch
        lo, hi = round(at - 0.5 * outer.width), round(at + 0.5 * outer.width)
        if lo < 0 or hi > len(known) or not known[lo:hi].all():
            continue
        colour = _colour(absorbance, band, at, outer.width)
        if np.ptp(colour) > max(TINTED, 4 * roughness) or colour.max() > max(depth, 6 * roughness):
            out.append(end)
    return tuple(out)


def _colour(absorbance: Map, band: tuple[int, int], centre: float, width: float) -> Line:
    """Typical absorbance in the middle of one vial."""
    tall = band[1] - band[0]
    most = absorbance.shape[1]
    lo = int(np.clip(centre - 0.22 * width, 0, most - 1))
    hi = int(np.clip(centre + 0.22 * width, lo + 1, most))
    core = absorbance[band[0] + tall // 4 : max(band[0] + tall // 4 + 1, band[1] - tall // 4)]
    return np.asarray(np.median(core[:, lo:hi], axis=(0, 1)), dtype=np.float64)


def _is_plain(colour: Line, roughness: float) -> bool:
    depth, hue = float(colour.max()), float(np.ptp(colour))
    return depth > DARK or (depth > COLOURED[0] and hue > max(COLOURED[1], 5 * roughness))


def pitch_of(spans: list[Span]) -> float:
    """Distance of two neighbours in a row that may have holes."""
    steps = np.diff([s.centre for s in spans])
    return float(np.median(steps[steps < 1.5 * steps.min()]))


def _peaks(necks: Necks, usual: float) -> list[float]:
    """Columns of the necks, the likeliest first."""
    out: list[float] = []
    for column in np.argsort(-necks.score):
        if necks.score[column] < ALIKE:
            break
        if all(abs(column - other) > 0.5 * usual for other in out):
            out.append(float(column))
    return out


def _see(
    plain: list[Span], absorbance: Map, known: Mask, above: tuple[int, int], band: tuple[int, int]
) -> Necks | None:
    """Learn the look of the necks from the plain vials, and compare every column with it."""
    columns = np.flatnonzero(known)
    if len(plain) < 2 or above[1] - above[0] < CHUNKS or len(columns) < 10:
        return None
    usual = float(np.median([s.width for s in plain]))
    half = max(3, round(REACH * usual))
    lines = _lines(absorbance, above, columns, usual, half)
    up = (above[0] + above[1] - band[0] - band[1]) / 2
    looks = []
    for span in plain:
        at = round(span.centre + span.lean * up)
        if 0 <= at < len(known):
            looks.append(lines[:, at : at + 2 * half + 1])
    if len(looks) < 2:
        return None
    # Each is compared with the others, so that one odd neck does not vouch for itself.
    own = [_alike(look, np.median([o for o in looks if o is not look], axis=0)) for look in looks]
    if float(np.median(own)) < SURE:
        return None
    typical = np.median(looks, axis=0).astype(np.float32)
    tall = band[1] - band[0]
    fluid = (band[0] + tall // 8, band[1] - tall // 4)
    body = _lines(absorbance, fluid, columns, usual, half)
    scores = [cv2.matchTemplate(p, typical, cv2.TM_CCOEFF_NORMED)[0] for p in (lines, body)]
    score, under = (np.nan_to_num(np.where(known, s, 0.0)).astype(np.float64) for s in scores)
    leans = [s.lean for s in plain]
    # The vials of a picture taken from above or below lean to or from each other.
    line = (
        np.polyfit([s.centre for s in plain], leans, 1)
        if len(plain) > 3
        else np.array([0.0, np.median(leans)])
    )
    return Necks(score, under, up, line)


def _lines(
    absorbance: Map, rows: tuple[int, int], columns: NDArray[np.intp], usual: float, half: int
) -> Map:
    """Some lines across the row without their broad swings, with a margin at either end."""
    strips = np.array_split(np.arange(rows[0], max(rows[1], rows[0] + CHUNKS)), CHUNKS)
    lines = np.stack([absorbance[s].mean(axis=(0, 2)) for s in strips]).astype(np.float64)
    # Carried outwards, so that the end of the card makes no edge.
    lines = lines[:, np.clip(np.arange(lines.shape[1]), columns[0], columns[-1])]
    lines -= gaussian_filter1d(lines, usual / 3, axis=1, mode="nearest")
    lines = gaussian_filter1d(lines, max(0.8, usual / 40), axis=1, mode="nearest")
    return np.pad(lines, ((0, 0), (half, half))).astype(np.float32)


def _alike(one: Map, other: Map) -> float:
    a, b = one - one.mean(), other - other.mean()
    size = float(np.sqrt((a**2).sum() * (b**2).sum()))
    return float((a * b).sum()) / size if size > 0 else 0.0
