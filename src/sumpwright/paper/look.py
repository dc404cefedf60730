"""How figures look: colours, dashes and shapes, the same on the page and on paper.

Colour is never the only sign: every line also has its own dash and its own shape,
and the colours differ in lightness, so that a grey print stays readable.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class Look:
    """Colours and typeface of a figure.

    Parameters
    ----------
    name : str
        ``light``, ``dark`` or ``paper``.
    ink, quiet, grid : str
        Text and marks, secondary text, grid lines.
    accent : str
        What the reader should look at first.
    colours : tuple of str
        One per line, in order.
    font : str
    """

    name: str
    ink: str
    quiet: str
    grid: str
    accent: str
    colours: tuple[str, ...]
    font: str


_SCREEN_FONT = "system-ui, -apple-system, 'Segoe UI', Roboto, sans-serif"
_ON_WHITE = ("#0f4c5c", "#5f8a9a", "#9a4f1c", "#6b2d5c", "#b98b2f", "#4f6f2b")
_ON_BLACK = ("#7cc6d6", "#a9bfc7", "#f0a36b", "#dba1cf", "#e6c66e", "#a9d07c")

LIGHT = Look("light", "#1b2a2e", "#56666b", "#e1e7e6", "#0f4c5c", _ON_WHITE, _SCREEN_FONT)
DARK = Look("dark", "#e8eeec", "#a7b5b5", "#334144", "#7cc6d6", _ON_BLACK, _SCREEN_FONT)
PAPER = Look("paper", "#16191a", "#4d5759", "#dde2e1", "#0f4c5c", _ON_WHITE, "Libertinus Serif")

LOOKS = {look.name: look for look in (LIGHT, DARK, PAPER)}

DASHES = ((1, 0), (7, 3), (2, 2), (9, 3, 2, 3), (5, 2), (12, 4))
SHAPES = ("circle", "square", "triangle-up", "diamond", "cross", "triangle-down")


def configured(chart: Any, look: Look) -> Any:
    """Return a chart with axes, text and background of a look."""
    axis = {
        "labelColor": look.ink,
        "titleColor": look.ink,
        "gridColor": look.grid,
        "domainColor": look.quiet,
        "tickColor": look.quiet,
        "labelFontSize": 12,
        "titleFontSize": 12.5,
        "titleFontWeight": "normal",
        "titlePadding": 8,
        "labelPadding": 4,
        "tickSize": 4,
    }
    return chart.configure(
        background="transparent",
        font=look.font,
        axis=axis,
        view={"stroke": None},
        text={"color": look.ink, "fontSize": 12},
        legend={
            "labelColor": look.ink,
            "labelFontSize": 12,
            "labelLimit": 320,
            "symbolStrokeWidth": 2,
            "titleColor": look.ink,
        },
        padding=4,
    )
