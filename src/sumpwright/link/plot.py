"""A curve of temperature in a terminal, drawn with Braille dots."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

# Dot of a Braille cell by column (0, 1) and row (0 at the top): Unicode block 2800.
_DOTS = ((0x01, 0x02, 0x04, 0x40), (0x08, 0x10, 0x20, 0x80))


def curve(
    seconds: Sequence[float],
    values: Sequence[float],
    width: int = 60,
    height: int = 12,
    window: tuple[float, float] | None = None,
) -> list[str]:
    """Draw a curve as lines of text.

    Parameters
    ----------
    seconds, values : sequence of float
        The curve, oldest first.
    width, height : int
        Size in characters without the scale on the left.
    window : tuple of float, optional
        Two values marked by dotted lines.

    Returns
    -------
    list of str
        `height` lines with the scale, then one with the span of time.

    Examples
    --------
    >>> drawing = curve([0.0, 60.0], [20.0, 40.0], width=10, height=4, window=(30.0, 35.0))
    >>> len(drawing), drawing[0].startswith("  40"), drawing[-1].strip()
    (5, True, 'the last 1 min')
    """
    points = [
        (x, y)
        for x, y in zip(seconds, values, strict=True)
        if math.isfinite(x) and math.isfinite(y)
    ]
    if not points:
        return ["" for _ in range(height)] + ["no reading yet"]
    marks = list(window or ())
    low = min([y for _, y in points] + marks)
    high = max([y for _, y in points] + marks)
    middle, half = 0.5 * (low + high), max(0.5 * (high - low), 0.5)
    low, high = middle - half, middle + half
    begin, end = points[0][0], points[-1][0]
    span = max(end - begin, 1e-9)
    cells = [[0] * width for _ in range(height)]
    rows = 4 * height - 1

    def row_of(value: float) -> int:
        return round((high - value) / (high - low) * rows)

    def column_of(second: float) -> int:
        return round((second - begin) / span * (2 * width - 1))

    # a stretch without readings stays empty: no line is drawn over what was not measured
    steps = sorted(after[0] - before[0] for before, after in pairwise(points))
    longest = 10.0 * steps[len(steps) // 2] if steps else 0.0
    for before, after in pairwise([points[0], *points]):
        if after[0] - before[0] > longest:
            before = after
        left, right = column_of(before[0]), column_of(after[0])
        start, end_row = row_of(before[1]), row_of(after[1])
        at = start
        for column in range(left, right + 1):
            share = (column - left) / (right - left) if right > left else 1.0
            to = round(start + share * (end_row - start))
            for dot in range(min(at, to), max(at, to) + 1):
                cells[dot // 4][column // 2] |= _DOTS[column % 2][dot % 4]
            at = to
    dashed = {row_of(mark) // 4 for mark in marks}
    labels = {row_of(value) // 4: f"{value:6.1f}" for value in (low, high, *marks)}
    drawing = []
    for index, line in enumerate(cells):
        empty = "┄" if index in dashed else " "
        text = "".join(chr(0x2800 + cell) if cell else empty for cell in line)
        drawing.append(f"{labels.get(index, ''):>6} │{text}")
    return [*drawing, f"{'':>6}  {_span(end - begin)}"]


def _span(seconds: float) -> str:
    if seconds < 90.0:
        return f"the last {seconds:.0f} s" if seconds < 59.5 else "the last 1 min"
    if seconds < 5400.0:
        return f"the last {seconds / 60.0:.0f} min"
    return f"the last {seconds / 3600.0:.1f} h"
