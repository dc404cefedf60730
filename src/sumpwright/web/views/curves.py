"""The figure of a plan: fresh share against new fluid used, as lines of an SVG.

The same rows, marks, dashes and shapes as on paper, but drawn for the page itself, so
that it follows the colours of the device and answers at once when a plan is moved.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sumpwright.paper.charts import method_label, plan_rows
from sumpwright.paper.look import DASHES, SHAPES
from sumpwright.planning.methods import METHODS
from sumpwright.web.views.show import Show

_STYLE = {method.name: i for i, method in enumerate(METHODS)}
_LABEL_HEIGHT = 19.0
_LETTER = 7.6
"""Width of a letter of a label, on average and a little over [px]."""


@dataclass(frozen=True)
class Curve:
    """One method: its line, its band and its points, as paths."""

    name: str
    label: str
    style: int
    dash: str
    line: str
    band: str
    points: str
    shape: str
    main: bool


@dataclass(frozen=True)
class Tick:
    """A mark on an axis."""

    at: float
    text: str


@dataclass(frozen=True)
class Mark:
    """A point that is named: the recommended one, or where the curve goes flat."""

    x: float
    y: float
    lines: tuple[tuple[float, str], ...]
    text_x: float
    anchor: str
    ring: str

    @property
    def text(self) -> str:
        """What is written beside it, in one line."""
        return " ".join(line for _, line in self.lines)


@dataclass(frozen=True)
class Figure:
    """A figure in pixels of its own ``viewBox``."""

    width: int
    height: int
    left: float
    right: float
    top: float
    bottom: float
    curves: tuple[Curve, ...]
    across: tuple[Tick, ...]
    up: tuple[Tick, ...]
    target: float
    target_text: str
    marks: tuple[Mark, ...]
    unit: str


def figure(data: Mapping[str, Any], show: Show, width: int, height: int) -> Figure:
    """Draw a plan.

    Parameters
    ----------
    data : mapping
        As `sumpwright.planning.report.plan_json` gives it.
    show : Show
    width, height : int

    Returns
    -------
    Figure

    Examples
    --------
    >>> from sumpwright.display import Display
    >>> from sumpwright.planning.machine import Span, WetSystem
    >>> from sumpwright.planning.plan import make_plan
    >>> from sumpwright.planning.report import plan_json
    >>> box = WetSystem("box", "axle", Span(2e-3, 2e-3), Span(1.9e-3, 1.9e-3))
    >>> drawn = figure(plan_json(make_plan(box)), Show(Display()), 360, 300)
    >>> len(drawn.curves), drawn.marks[0].text.partition(":")[0]
    (2, 'recommended')
    """
    rows = plan_rows(data, show.display)
    place = _Place(width, height, max((row["new"] for row in rows), default=1.0))
    best = (data.get("recommended") or {}).get("method")
    names = list(dict.fromkeys(row["method"] for row in rows))
    # The recommended one is drawn last, above the others.
    names.sort(key=lambda name: name == best)
    curves = tuple(
        _curve(name, [row for row in rows if row["method"] == name], place, name == best)
        for name in names
    )
    target = data["target"]
    return Figure(
        width=width,
        height=height,
        left=place.left,
        right=place.right,
        top=place.top,
        bottom=place.bottom,
        curves=curves,
        across=tuple(
            Tick(place.x(v), show.number(v, 1)) for v in ticks(place.most, 4 if width < 500 else 8)
        ),
        up=tuple(Tick(place.y(v / 5), f"{20 * v} %") for v in range(6)),
        target=place.y(target),
        target_text=f"target {show.share(target)}",
        marks=tuple(_marks(data, rows, show, place)),
        unit=show.unit("volume"),
    )


class _Place:
    """From values to pixels."""

    def __init__(self, width: int, height: int, most: float) -> None:
        self.most = most
        self.left, self.right = 50.0, width - 12.0
        self.top, self.bottom = 14.0, height - 46.0

    def x(self, value: float) -> float:
        return round(self.left + (self.right - self.left) * value / self.most, 1)

    def y(self, share: float) -> float:
        return round(self.bottom - (self.bottom - self.top) * share, 1)

    def fits(self, text: str, x: float) -> bool:
        """Whether a text has room on one side of a place."""
        room = max(self.right - x, x - self.left) - 8
        return len(text) * _LETTER <= room

    def beside(self, text: str, x: float) -> tuple[float, str]:
        """Where a text stands: right of a place, left of it, or at the right edge."""
        width = len(text) * _LETTER + 8
        if x + width <= self.right:
            return x + 7, "start"
        if x - width >= self.left:
            return x - 7, "end"
        return self.right, "end"


def ticks(most: float, count: int) -> list[float]:
    """Return round values from zero to at most a value, about so many.

    Examples
    --------
    >>> ticks(17.3, 4)
    [0.0, 5.0, 10.0, 15.0]
    """
    rough = most / count
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(m * power for m in (1.0, 2.0, 5.0, 10.0) if m * power >= rough * 0.999)
    return [round(i * step, 10) for i in range(int(most / step + 1e-9) + 1)]


def _curve(name: str, rows: Sequence[Mapping[str, Any]], place: _Place, main: bool) -> Curve:
    style = _STYLE.get(name, 0)
    across = [place.x(row["new"]) for row in rows]
    middle, low, high = ([place.y(row[key]) for row in rows] for key in ("p50", "p05", "p95"))
    line = _path(across, middle)
    band = f"{_path(across, high)}L{_path(across[::-1], low[::-1])[1:]}Z"
    shape = SHAPES[style % len(SHAPES)]
    size = 5.5 if main else 4.0
    points = "".join(
        _shape(shape, x, y, size)
        for x, y, row in zip(across, middle, rows, strict=True)
        if row["cycles"]
    )
    dash = DASHES[style % len(DASHES)]
    return Curve(
        name,
        method_label(name),
        style,
        " ".join(str(d) for d in dash) if dash[1] else "none",
        line,
        band,
        points,
        _shape(shape, 22.0, 8.0, 5.0),
        main,
    )


def _path(xs: Sequence[float], ys: Sequence[float]) -> str:
    return "M" + "L".join(f"{x:g} {y:g}" for x, y in zip(xs, ys, strict=True))


def _shape(name: str, x: float, y: float, r: float) -> str:
    def at(*corners: tuple[float, float]) -> str:
        return "M" + "L".join(f"{x + r * a:.4g} {y + r * b:.4g}" for a, b in corners) + "Z"

    if name == "circle":
        return f"M{x - r:.4g} {y:.4g}a{r} {r} 0 1 0 {2 * r} 0a{r} {r} 0 1 0 {-2 * r} 0Z"
    if name == "square":
        return at((-0.9, -0.9), (0.9, -0.9), (0.9, 0.9), (-0.9, 0.9))
    if name == "triangle-up":
        return at((0, -1.2), (1.1, 0.8), (-1.1, 0.8))
    if name == "triangle-down":
        return at((0, 1.2), (1.1, -0.8), (-1.1, -0.8))
    if name == "diamond":
        return at((0, -1.3), (1.1, 0), (0, 1.3), (-1.1, 0))
    a, b = 0.4, 1.2
    return at(
        (-a, -b), (a, -b), (a, -a), (b, -a), (b, a), (a, a),
        (a, b), (-a, b), (-a, a), (-b, a), (-b, -a), (-a, -a),
    )  # fmt: skip


def _marks(
    data: Mapping[str, Any], rows: Sequence[Mapping[str, Any]], show: Show, place: _Place
) -> list[Mark]:
    named: list[tuple[str, Mapping[str, Any]]] = []
    for what, point in (
        ("recommended", data.get("recommended")),
        ("flat point", data.get("flat_point")),
    ):
        row = next(
            (
                r
                for r in rows
                if point and (r["method"], r["cycles"]) == (point["method"], point["cycles"])
            ),
            None,
        )
        if row is None:
            continue
        if named and named[0][1] == row:
            named[0] = ("recommended, and flat from here on", row)
        else:
            named.append((what, row))
    marks: list[Mark] = []
    foot = place.bottom - 10
    for i, (what, row) in enumerate(named):
        x, y = place.x(row["new"]), place.y(row["p50"])
        cycles = "1 cycle" if row["cycles"] == 1 else f"{row['cycles']} cycles"
        lines = [f"{what}:", f"{cycles}, {show.number(row['new'], 1)} {show.unit('volume')}"]
        if place.fits(" ".join(lines), x):
            lines = [" ".join(lines)]
        text_x, anchor = place.beside(max(lines, key=len), x)
        first = foot - (len(lines) - 1) * _LABEL_HEIGHT
        marks.append(
            Mark(
                x,
                y,
                tuple((first + k * _LABEL_HEIGHT, line) for k, line in enumerate(lines)),
                text_x,
                anchor,
                _shape("circle" if i == 0 else "square", x, y, 10.0),
            )
        )
        foot = first - _LABEL_HEIGHT
    return marks
