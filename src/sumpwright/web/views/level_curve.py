"""The live curve of the level screen: temperature against the window, drawn for the page.

The window is a channel across the figure; the curve runs into it, dotted where it is
forecast, and the 90 % interval of each edge lies on that edge.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from sumpwright.physics.warmup import Arrival, WarmupForecast
    from sumpwright.web.views.show import Show

Floats = NDArray[np.float64]

WIDTH, HEIGHT = 420, 250
LEFT, RIGHT, TOP, BOTTOM = 40.0, 408.0, 12.0, 222.0
BUCKETS = 180
LONGEST_AHEAD = 3000.0


@dataclass(frozen=True)
class Tick:
    """A mark on an axis."""

    at: float
    text: str


@dataclass(frozen=True)
class Whisker:
    """The 90 % interval of an edge of the window; ``open_end`` when it may never be reached."""

    y: float
    left: float
    middle: float
    right: float
    open_end: bool


@dataclass(frozen=True)
class LevelFigure:
    """The figure in the pixels of its own ``viewBox``; paths are empty where there is nothing."""

    line: str
    ahead: str
    now_x: float
    now_y: float | None
    band_top: float | None
    band_bottom: float | None
    opens: Tick | None
    closes: Tick | None
    whiskers: tuple[Whisker, ...]
    across: tuple[Tick, ...]
    up: tuple[Tick, ...]
    unit: str
    words: str


def level_figure(
    seconds: Floats,
    kelvin: Floats,
    window: tuple[float, float] | None,
    forecast: WarmupForecast | None,
    show: Show,
    *,
    now: float | None = None,
) -> LevelFigure:
    """Draw readings against the window.

    Parameters
    ----------
    seconds, kelvin : ndarray, shape (n,)
        Readings, oldest first.
    window : tuple of float or None
        K.
    forecast : WarmupForecast or None
    show : Show
    now : float, optional
        The present on the axis of `seconds`; the last reading if left out.
    """
    from sumpwright.link.thin import thin

    last = float(seconds[-1]) if seconds.size else 0.0
    present = max(now if now is not None else last, last)
    future = _span_ahead(forecast)
    begin = min(float(seconds[0]) if seconds.size else present, present - 60.0)
    x_of = _Scale(begin, present + future, LEFT, RIGHT)
    low, high = _range(kelvin, window)
    y_of = _Scale(low, high, BOTTOM, TOP)

    few = thin(seconds, kelvin, BUCKETS) if seconds.size else (seconds, kelvin)
    longest = _longest_step(seconds)
    line = _path(few[0], few[1], x_of, y_of, longest)
    ahead = ""
    if forecast is not None and not forecast.reason and future > 0.0:
        grid = np.linspace(0.0, future, 40)
        temps = forecast.course(grid)
        inside = temps <= high
        ahead = _path(present + grid[inside], temps[inside], x_of, y_of, math.inf)
    whiskers = []
    if forecast is not None and window is not None:
        for edge, arrival in zip(window, (forecast.to_open, forecast.to_close), strict=True):
            if arrival is not None and arrival.high > 0.0 and math.isfinite(arrival.low):
                whiskers.append(_whisker(y_of(edge), arrival, present, future, x_of))
    ends = [
        Tick(y_of(edge), text) for edge, text in zip(window or (), _ends(window, show), strict=True)
    ]
    return LevelFigure(
        line=line,
        ahead=ahead,
        now_x=x_of(present),
        now_y=y_of(float(kelvin[-1])) if kelvin.size else None,
        band_top=y_of(window[1]) if window else None,
        band_bottom=y_of(window[0]) if window else None,
        opens=ends[0] if ends else None,
        closes=ends[1] if ends else None,
        whiskers=tuple(whiskers),
        across=_minutes(begin, present, present + future, x_of),
        up=_degrees(low, high, show, y_of, [tick.at for tick in ends]),
        unit=show.unit("temperature"),
        words=_words(seconds, kelvin, window, show),
    )


def _ends(window: tuple[float, float] | None, show: Show) -> tuple[str, ...]:
    if window is None:
        return ()
    display = show.display
    return (
        show.text(display.temperature_from(window[0])),
        show.text(display.temperature_to(window[1])),
    )


class _Scale:
    """Straight mapping of a range of values onto pixels."""

    def __init__(self, low: float, high: float, first: float, last: float) -> None:
        self.low, self.first = low, first
        self.slope = (last - first) / max(high - low, 1e-9)

    def __call__(self, value: float) -> float:
        return round(self.first + (value - self.low) * self.slope, 1)


def _span_ahead(forecast: WarmupForecast | None) -> float:
    if forecast is None or forecast.to_close is None or forecast.to_open is None:
        return 0.0
    wanted = [t for t in (forecast.to_open.high, forecast.to_close.median) if math.isfinite(t)]
    return min(max([*wanted, 60.0]) * 1.1, LONGEST_AHEAD)


def _range(kelvin: Floats, window: tuple[float, float] | None) -> tuple[float, float]:
    marks = [float(v) for v in (kelvin.min(), kelvin.max())] if kelvin.size else []
    if window is not None:
        marks += [window[0] - 4.0, window[1] + 4.0]
    if not marks:
        return 273.15, 373.15
    low, high = min(marks), max(marks)
    middle, half = 0.5 * (low + high), max(0.5 * (high - low), 4.0)
    return middle - 1.06 * half, middle + 1.06 * half


def _longest_step(seconds: Floats) -> float:
    """Longest step over which a line is drawn: nothing is drawn over what was not measured."""
    if seconds.size < 3:
        return math.inf
    return max(10.0 * float(np.median(np.diff(seconds))), 30.0)


def _path(seconds: Floats, kelvin: Floats, x_of: _Scale, y_of: _Scale, longest: float) -> str:
    parts: list[str] = []
    before = -math.inf
    for when, value in zip(seconds.tolist(), kelvin.tolist(), strict=True):
        letter = "L" if parts and when - before <= longest else "M"
        parts.append(f"{letter}{x_of(when):g} {y_of(value):g}")
        before = when
    return "".join(parts)


def _whisker(y: float, arrival: Arrival, present: float, future: float, x_of: _Scale) -> Whisker:
    def at(seconds: float) -> float:
        return x_of(present + min(seconds, future))

    return Whisker(
        y, at(arrival.low), at(arrival.median), at(arrival.high), not arrival.high <= future
    )


def _minutes(begin: float, present: float, end: float, x_of: _Scale) -> tuple[Tick, ...]:
    span = (end - begin) / 60.0
    step = next((s for s in (1, 2, 5, 10, 15, 30, 60) if span / s <= 6.0), 120)
    first = math.ceil((begin - present) / 60.0 / step)
    last = math.floor((end - present) / 60.0 / step)
    ticks = []
    for n in range(first, last + 1):
        at = x_of(present + n * step * 60.0)
        if n == 0 and at > RIGHT - 14.0:
            ticks.append(Tick(RIGHT - 10.0, "now"))
        elif n == 0:
            ticks.append(Tick(at, "now"))
        elif abs(at - x_of(present)) > 34.0 and LEFT + 8.0 <= at <= RIGHT - 16.0:
            ticks.append(Tick(at, f"{n * step:+d} min".replace("-", "−")))
    return tuple(ticks)


def _degrees(
    low: float, high: float, show: Show, y_of: _Scale, taken: list[float]
) -> tuple[Tick, ...]:
    bottom, top = (show.display.number(k, "temperature") for k in (low, high))
    step = next((s for s in (1, 2, 5, 10, 20) if (top - bottom) / s <= 6.0), 50)
    zero = show.display.number(0.0, "temperature")
    scale = show.display.number(1.0, "temperature") - zero
    ticks = []
    for n in range(math.ceil(bottom / step), math.floor(top / step) + 1):
        at = y_of((n * step - zero) / scale)
        if all(abs(at - other) > 13.0 for other in taken):
            ticks.append(Tick(at, f"{n * step}"))
    return tuple(ticks)


def _words(seconds: Floats, kelvin: Floats, window: tuple[float, float] | None, show: Show) -> str:
    if not kelvin.size:
        return "No reading yet."
    text = f"Temperature from {show.temperature_fine(float(kelvin[0]))} to "
    text += f"{show.temperature_fine(float(kelvin[-1]))} within "
    text += show.duration(float(seconds[-1] - seconds[0]))
    if window is not None:
        text += "; window {} to {}".format(*_ends(window, show))
    return f"{text}."


@dataclass(frozen=True)
class LogFigure:
    """A whole log in the pixels of its own ``viewBox``."""

    line: str
    band_top: float | None
    band_bottom: float | None
    across: tuple[Tick, ...]
    up: tuple[Tick, ...]
    unit: str
    words: str


LOG_WIDTH, LOG_RIGHT = 760, 748.0


def log_figure(
    seconds: Floats, kelvin: Floats, window: tuple[float, float] | None, show: Show
) -> LogFigure:
    """Draw a whole log; a peak of a single reading stays, whatever the length."""
    from sumpwright.link.thin import thin

    low, high = _range(kelvin, window)
    begin, end = float(seconds[0]), max(float(seconds[-1]), float(seconds[0]) + 60.0)
    x_of, y_of = _Scale(begin, end, LEFT, LOG_RIGHT), _Scale(low, high, BOTTOM, TOP)
    few = thin(seconds, kelvin, 700)
    ends = [y_of(edge) for edge in window or ()]
    return LogFigure(
        line=_path(few[0], few[1], x_of, y_of, max(_longest_step(seconds), (end - begin) / 350.0)),
        band_top=ends[1] if ends else None,
        band_bottom=ends[0] if ends else None,
        across=_since(begin, end, x_of),
        up=_degrees(low, high, show, y_of, []),
        unit=show.unit("temperature"),
        words=_words(seconds, kelvin, window, show),
    )


def _since(begin: float, end: float, x_of: _Scale) -> tuple[Tick, ...]:
    span = end - begin
    steps = ((60, "min"), (300, "min"), (900, "min"), (3600, "h"), (6 * 3600, "h"), (86400, "d"))
    weeks = max(1, math.ceil(span / (8 * 7 * 86400)))
    size, unit = next((s for s in steps if span / s[0] <= 8.0), (weeks * 7 * 86400, "d"))
    per = {"min": 60.0, "h": 3600.0, "d": 86400.0}[unit]
    count = int(span // size)
    return tuple(
        Tick(x_of(begin + n * size), f"{n * size / per:g} {unit}" if n else "0")
        for n in range(count + 1)
    )
