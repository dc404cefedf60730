"""Sentences that keep their numbers in SI until somebody reads them.

A reason is decided in planning, where no unit but SI is known, and read on a page,
a card or a terminal in the reader's own units. `Said` carries both parts.
"""

from __future__ import annotations

import string
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import date
from typing import Literal, cast

from sumpwright.display import Display, significant
from sumpwright.planning.clock import DAY, YEAR, day
from sumpwright.unit_words import Dimension
from sumpwright.worded import Worded

Kind = Literal[
    "distance",
    "hours",
    "thermal",
    "time",
    "volume",
    "share",
    "content",
    "temperature",
    "temperature_from",
    "temperature_to",
    "viscosity",
    "torque",
    "money",
    "wear_distance",
    "wear_hours",
    "date",
    "number",
    "text",
    "given",
    "bound",
    "example",
]
Value = float | str | date | None | tuple[float, float]


@dataclass(frozen=True)
class Said:
    """A sentence with named gaps, and the SI values that fill them.

    Parameters
    ----------
    text : str
        The sentence; ``{name:kind}`` is a gap, its kind one of `Kind`.
    values : tuple of (str, value)
        What goes into each gap: SI numbers, dates or words.

    Examples
    --------
    >>> half = said("{share:share} is older than {limit:distance}", share=0.55, limit=6e7)
    >>> print(half)
    55 % is older than 60 000 km
    >>> half.say(Display("us"))
    '55 % is older than 37 282 mi'
    """

    text: str
    values: tuple[tuple[str, Value], ...] = ()

    def say(self, display: Display | None = None) -> str:
        """Return the sentence in the reader's units; metric when none is given."""
        shown = display or Display()
        values = dict(self.values)
        out: list[str] = []
        for literal, name, kind, _ in string.Formatter().parse(self.text):
            out.append(literal)
            if name is not None:
                out.append(show(values[name], kind or "text", shown))
        return "".join(out)

    def __str__(self) -> str:
        return self.say()


def said(text: str, **values: Value) -> Said:
    """Make a `Said` from its gaps by name."""
    return Said(text, tuple(values.items()))


def worded(text: str, **values: Value) -> Worded:
    """Make a text for a complaint that a page says in its reader's units.

    A gap of kind ``given <dimension>`` shows a quantity or a range as it was given, to six
    figures; ``bound <dimension>`` one that bounds what is accepted, to three; ``example
    <dimension>`` one that somebody might write, to two.

    Examples
    --------
    >>> drain = worded("a drain of {v:given volume}; give {b:bound volume}", v=0.013, b=(5e-4, 3.0))
    >>> print(drain)
    a drain of 13 L; give 0.5 to 3000 L
    >>> drain.say(Display("us"))
    'a drain of 13.7369 US qt; give 0.528 to 3170 US qt'
    """
    sentence = said(text, **values)
    return Worded(str(sentence), sentence.say)


def say_all(sentences: Iterable[Said], display: Display | None = None) -> tuple[str, ...]:
    """Return every sentence as text."""
    return tuple(sentence.say(display) for sentence in sentences)


def show(value: Value, kind: str, display: Display) -> str:
    """Write one value in the reader's units.

    Examples
    --------
    >>> show(3600.0 * 500, "hours", Display()), show(2.5 * YEAR, "time", Display())
    ('500 h', '2.5 years')
    """
    if value is None:
        return "unknown"
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, str):
        return value
    if kind == "date" and not isinstance(value, tuple):
        when = day(value)
        return "never" if when is None else when.isoformat()
    how, _, dimension = kind.partition(" ")
    if how in _FIGURES:
        return _plain(value, cast(Dimension, dimension), display, _FIGURES[how])
    if isinstance(value, tuple) and kind == "torque":
        return " to ".join(dict.fromkeys(_QUANTITIES[kind](display, end) for end in value))
    if isinstance(value, tuple):
        raise TypeError(f"a gap of kind '{kind}' takes one number")
    if kind == "time":
        return _span(value)
    return _QUANTITIES[kind](display, value)


_FIGURES = {"given": 6, "bound": 3, "example": 2}


def _plain(
    value: float | tuple[float, float], dimension: Dimension, display: Display, figures: int
) -> str:
    ends = value if isinstance(value, tuple) else (value, value)
    low, high = (_rounded(display.number(end, dimension), figures) for end in ends)
    numbers = low if low == high else f"{low} to {high}"
    return f"{numbers} {display.unit(dimension)}"


def _rounded(value: float, figures: int) -> str:
    if abs(value) >= 1e9:
        return f"{value:.{figures}g}"
    number = f"{float(f'{value:.{figures}g}') + 0.0:.9f}".rstrip("0").rstrip(".")
    return _grouped(number)


def _grouped(text: str) -> str:
    """Set a narrow gap between thousands, the same in every language."""
    number, _, unit = text.partition(" ")
    whole, point, rest = number.partition(".")
    sign, digits = ("-", whole[1:]) if whole.startswith("-") else ("", whole)
    if len(digits) > 4:
        digits = f"{int(digits):,}".replace(",", " ")
    return f"{sign}{digits}{point}{rest} {unit}".strip()


def _wear_by_distance(display: Display, value: float) -> str:
    per_thousand = value * 1000 / display.number(1.0, "distance")
    return f"{significant(per_thousand, 3)} mg/kg per 1000 {display.unit('distance')}"


def _span(value: float) -> str:
    days = value / DAY
    if abs(value) >= 1.995 * YEAR:
        return f"{value / YEAR:.1f}".removesuffix(".0") + " years"
    if abs(days) >= 99.5:
        return f"{value / YEAR * 12:.0f} months"
    count = round(days)
    return f"{count} day" if abs(count) == 1 else f"{count} days"


_QUANTITIES: dict[str, Callable[[Display, float], str]] = {
    "distance": lambda display, value: _grouped(display.distance(value)),
    "hours": lambda _, value: _grouped(f"{value / 3600:.0f} h"),
    "thermal": lambda _, value: _grouped(f"{value / 3600:.0f} h") + " at the reference temperature",
    "volume": lambda display, value: display.volume(value),
    "share": lambda display, value: display.share(value),
    "content": lambda display, value: display.content(value),
    "temperature": lambda display, value: display.temperature(value),
    "temperature_from": lambda display, value: display.temperature_from(value),
    "temperature_to": lambda display, value: display.temperature_to(value),
    "viscosity": lambda display, value: display.viscosity(value),
    "torque": lambda display, value: display.torque(value).replace(".0 ", " "),
    "money": lambda display, value: display.money(value),
    "wear_distance": lambda display, value: _wear_by_distance(display, value),
    "wear_hours": lambda _, value: f"{significant(value * 3600 * 100, 3)} mg/kg per 100 h",
    "number": lambda _, value: significant(value, 3),
    "text": lambda _, value: str(value),
}
