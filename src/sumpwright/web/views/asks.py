"""What each kind of entry asks for, the same on a plain form and on the bay screen."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any, Literal

from sumpwright.errors import Complaint
from sumpwright.planning.steps import TAKEN
from sumpwright.unit_words import Dimension
from sumpwright.web.views.typed import read_clear, sure

if TYPE_CHECKING:
    from sumpwright.web.views.show import Show

Type = Literal[
    "volume",
    "temperature",
    "torque",
    "length",
    "distance",
    "share",
    "seconds",
    "minutes",
    "money",
    "count",
    "reading",
    "choice",
    "text",
    "long",
    "date",
    "tick",
]

DIMENSIONS: dict[str, Dimension] = {
    "volume": "volume",
    "temperature": "temperature",
    "torque": "torque",
    "length": "length",
    "distance": "distance",
    "share": "share",
}
READINGS: dict[str, tuple[str, Dimension, str]] = {
    "temperature": ("Temperature of the fluid", "temperature", "K"),
    "ambient": ("Temperature of the air", "temperature", "K"),
    "odometer": ("Odometer", "distance", "m"),
    "hours": ("Running hours", "time", "s"),
}
"""Readings that a form offers: label, dimension, SI unit."""


@dataclass(frozen=True)
class Ask:
    """One thing that is asked for.

    Parameters
    ----------
    name : str
        Key in the body of the entry.
    label : str
    type : str
    needed : bool
    hint : str
    choices : tuple of (str, str)
        What a choice is kept as, and in words; an empty one where nothing is said.
    """

    name: str
    label: str
    type: Type
    needed: bool = False
    hint: str = ""
    choices: tuple[tuple[str, str], ...] = ()

    def unit(self, show: Show) -> str:
        """Return the label of the unit in which it is typed."""
        if self.type in DIMENSIONS:
            return show.unit(DIMENSIONS[self.type])
        if self.type == "money":
            return show.display.currency
        return {"seconds": "s", "minutes": "min"}.get(self.type, "")


@dataclass(frozen=True)
class Form:
    """What a kind of entry asks for."""

    kind: str
    title: str
    button: str
    asks: tuple[Ask, ...]

    @property
    def labels(self) -> dict[str, str]:
        """What each field is called."""
        return {ask.name: ask.label for ask in self.asks} | {"value": "Value"}


PLACES = (
    ("", "as the log suggests"),
    ("out", TAKEN["out"]),
    ("stream", TAKEN["stream"]),
    ("sump", f"{TAKEN['sump']}: dipstick, level opening"),
)
"""Where a sample may be taken from."""

_VOLUME = Ask("volume", "Volume", "volume", needed=True)
_PUT_IN = (
    _VOLUME,
    Ask("fluid", "Fluid", "text", needed=True),
    Ask("lot", "Lot", "text", hint="As on the container."),
    Ask("price", "Price", "money"),
)

FORMS: dict[str, Form] = {
    form.kind: form
    for form in (
        Form(
            "drained",
            "Drained at the plug",
            "Enter what came out",
            (
                _VOLUME,
                Ask("temperature", "Temperature of the fluid", "temperature"),
                Ask("leaned", "The machine was leaned over the plug", "tick"),
            ),
        ),
        Form("filled", "Filled", "Enter what went in", _PUT_IN),
        Form(
            "discharged",
            "Discharged through the line",
            "Enter what came out",
            (
                _VOLUME,
                Ask(
                    "seconds",
                    "Seconds",
                    "seconds",
                    hint="From the start of the engine to the call to stop.",
                ),
            ),
        ),
        Form("exchanged", "Pumped in as the old ran out", "Enter what went through", _PUT_IN),
        Form(
            "purged",
            "Line blown out with air",
            "Enter",
            (
                Ask("share", "Share of the line blown out", "share", needed=True),
                Ask("volume", "Volume caught", "volume"),
            ),
        ),
        Form(
            "worked",
            "Selector worked through",
            "Enter",
            (Ask("sweeps", "Sweeps there and back", "count", needed=True),),
        ),
        Form(
            "drove",
            "Driven",
            "Enter the drive",
            (Ask("distance", "Distance", "distance"), Ask("seconds", "Minutes", "minutes")),
        ),
        Form("lost", "Run out or spilt", "Enter what was lost", (_VOLUME,)),
        Form(
            "read",
            "Reading",
            "Enter the reading",
            (Ask("what", "What was read", "reading", needed=True),),
        ),
        Form(
            "tightened",
            "Tightened",
            "Enter",
            (
                Ask("plug", "Plug", "text", needed=True),
                Ask("torque", "Torque applied", "torque", needed=True),
                Ask("target", "Value of the service manual", "torque"),
                Ask("as_found", "Found at", "torque"),
                Ask(
                    "wrench_length",
                    "Length of the wrench",
                    "length",
                    hint="From its square to the middle of the grip; only with an extension.",
                ),
                Ask("extension", "Length of the extension", "length", hint="In line with it."),
                Ask("tool", "Which wrench", "text"),
                Ask("calibrated", "Calibrated on", "date"),
                Ask("new_seal", "A new seal was fitted", "tick"),
                Ask("marked", "A paint mark was set", "tick"),
            ),
        ),
        Form(
            "sampled",
            "Sample",
            "Enter the vial",
            (
                Ask("vial", "Label of the vial", "text", needed=True),
                Ask("taken_from", "Taken from", "choice", choices=PLACES),
                Ask("note", "What it looks like", "text"),
            ),
        ),
        Form("noted", "Note", "Keep the note", (Ask("text", "Note", "long", needed=True),)),
    )
}
"""Forms by kind of entry."""


def ask_json(ask: Ask, show: Show) -> dict[str, Any]:
    """Return an ask as the bay screen takes it."""
    return {
        "name": ask.name,
        "label": ask.label,
        "type": ask.type,
        "needed": ask.needed,
        "hint": ask.hint,
        "unit": ask.unit(show),
        "choices": [list(choice) for choice in ask.choices],
    }


def with_unit(text: str, dimension: Dimension, show: Show) -> str:
    """Add the device's unit to a bare number; what has a unit of its own keeps it.

    Raises
    ------
    Complaint
        When the digits can mean two numbers.

    Examples
    --------
    >>> from sumpwright.display import Display
    >>> from sumpwright.web.views.show import Show
    >>> with_unit("4,1", "volume", Show(Display())), with_unit("4.3 qt", "volume", Show(Display()))
    ('4,1 L', '4.3 qt')
    """
    bare = sure(text.strip(), dimension, show.comma)
    if any(c.isalpha() or c in "°%½¼¾" for c in bare):
        return bare
    return f"{bare} {show.unit(dimension)}"


def body_of(form: Form, typed: Mapping[str, str], show: Show) -> dict[str, Any]:
    """Return the body of an entry from what was typed.

    Parameters
    ----------
    form : Form
    typed : mapping
        Texts by name; a bare number is in the device's unit, and either decimal sign will do.
    show : Show

    Returns
    -------
    dict
        SI numbers, without what was left empty.

    Raises
    ------
    Complaint
        Names the field that is missing or cannot be read.
    """
    body: dict[str, Any] = {}
    for ask in form.asks:
        text = typed.get(ask.name, "").strip()
        if not text:
            if ask.needed:
                raise Complaint(f"{ask.label.lower()} is missing", "fill it in", field=ask.name)
            continue
        body |= dict(_read(ask, text, typed, show))
    if form.kind == "tightened":
        _set_wrench(body)
    return body


def _read(ask: Ask, text: str, typed: Mapping[str, str], show: Show) -> Iterator[tuple[str, Any]]:
    if ask.type in DIMENSIONS:
        yield ask.name, _quantity(text, DIMENSIONS[ask.type], ask.name, show)
    elif ask.type in ("seconds", "minutes", "money"):
        scale = 60.0 if ask.type == "minutes" else 1.0
        yield ask.name, _number(text, ask.name, show.comma) * scale
    elif ask.type == "count":
        yield ask.name, _count(text, ask.name)
    elif ask.type == "tick":
        yield ask.name, True
    elif ask.type == "date":
        yield ask.name, _day(text, ask.name)
    elif ask.type == "reading":
        yield from _reading(text, typed.get("value", ""), show)
    elif ask.type == "choice":
        if text not in dict(ask.choices):
            raise Complaint(
                f"{ask.label.lower()} is none of the list", "choose one", field=ask.name
            )
        yield ask.name, text
    else:
        yield ask.name, text


def _reading(what: str, value: str, show: Show) -> Iterator[tuple[str, Any]]:
    if what not in READINGS:
        raise Complaint("say what was read", "choose one of the list", field="what")
    if not value.strip():
        raise Complaint("the value is missing", "fill it in", field="value")
    _, dimension, unit = READINGS[what]
    yield "what", what
    yield "value", _quantity(value, dimension, "value", show)
    yield "unit", unit


def _quantity(text: str, dimension: Dimension, field: str, show: Show) -> float:
    try:
        return read_clear(with_unit(text, dimension, show), dimension, show.display)
    except Complaint as complaint:
        raise Complaint(complaint.what, complaint.do, field=field) from None


def _number(text: str, field: str, comma: bool) -> float:
    try:
        text = sure(text, None, comma)
    except Complaint as complaint:
        raise Complaint(complaint.what, complaint.do, field=field) from None
    try:
        return float(text.replace(",", ".").replace(" ", ""))
    except ValueError:
        raise Complaint(f"'{text[:40]}' is not a number", "write a number", field=field) from None


def _count(text: str, field: str) -> int:
    if not text.isascii() or not text.isdigit() or len(text) > 6:
        raise Complaint(f"'{text[:40]}' is not a whole number", "write one", field=field)
    return int(text)


def _day(text: str, field: str) -> str:
    try:
        return date.fromisoformat(text).isoformat()
    except ValueError:
        raise Complaint(
            f"'{text[:40]}' is not a date", "write it as 2025-03-31", field=field
        ) from None


def _set_wrench(body: dict[str, Any]) -> None:
    """Work out what the wrench is to be set to, where there is an extension."""
    from sumpwright.physics.torque import wrench_setting

    extension, length = body.get("extension"), body.get("wrench_length")
    if extension is None and length is None:
        return
    if extension is None or length is None:
        raise Complaint(
            "an extension needs both lengths",
            "give the length of the wrench and that of the extension, or neither",
            field="wrench_length" if length is None else "extension",
        )
    try:
        body["wrench_set"] = float(wrench_setting(body["torque"], length, extension))
    except ValueError as error:
        raise Complaint(str(error), "correct it", field="torque") from None
