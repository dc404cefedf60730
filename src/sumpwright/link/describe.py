"""How a source is written down: one line of text, or the same as a table.

    kind:place?key=value&key=value

``hand``, ``replay:soak.csv?speed=60``, ``legislated:socketcan:can0?pid=05``,
``adapter:/dev/ttyUSB0?pid=05``. The place runs to the first question mark; a ``?``,
``&`` or ``%`` inside a value is written as ``%3F``, ``%26`` or ``%25``. As a table
(TOML, JSON) the same reads ``{kind = "replay", place = "soak.csv", speed = "60"}``.
"""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal
from urllib.parse import quote, unquote

from sumpwright.errors import Complaint
from sumpwright.link.decode import Scaling, plain_number

Form = Literal["hex", "whole", "number", "flag", "choice", "text"]


@dataclass(frozen=True)
class Option:
    """One setting of a source: enough to read it, explain it and draw a form.

    Parameters
    ----------
    key, means : str
        Name of the setting and one line of explanation.
    form : {'hex', 'whole', 'number', 'flag', 'choice', 'text'}
        How its value is written; hexadecimal with or without ``0x``.
    default : str or None
        Value when it is left out; None when it has to be given.
    low, high : float
        Ends of the allowed range.
    choices : tuple of str
        What a choice may be.
    """

    key: str
    means: str
    form: Form = "text"
    default: str | None = ""
    low: float = -math.inf
    high: float = math.inf
    choices: tuple[str, ...] = ()

    def read(self, text: str) -> int | float | bool | str:
        """Turn the written value into a number, a flag or a word.

        Raises
        ------
        Complaint
            When it cannot be read or lies outside its range.

        Examples
        --------
        >>> Option("did", "identifier", "hex").read("0x1940")
        6464
        """
        text = text.strip()
        if self.form == "text":
            return text
        if self.form == "choice":
            for choice in self.choices:
                if text.lower() == choice.lower():
                    return choice
            raise self._complain(text, f"give one of {', '.join(self.choices)}")
        if self.form == "flag":
            if text.lower() in {"yes", "true", "1", "on"}:
                return True
            if text.lower() in {"no", "false", "0", "off", ""}:
                return False
            raise self._complain(text, "give yes or no")
        value: int | float
        try:
            if self.form == "hex":
                if not re.fullmatch(r"(0[xX])?[0-9A-Fa-f]{1,8}", text):
                    raise ValueError(text)
                value = int(text, 16)
            elif self.form == "whole":
                if not re.fullmatch(r"[+-]?\d{1,12}", text):
                    raise ValueError(text)
                value = int(text)
            else:
                value = plain_number(text)
        except ValueError:
            kind = {"hex": "a hexadecimal number", "whole": "a whole number"}.get(
                self.form, "a number"
            )
            raise self._complain(text, f"give {kind}") from None
        if not self.low <= value <= self.high:
            shown = "{:X} to {:X}" if self.form == "hex" else "{:g} to {:g}"
            ends = (int(self.low), int(self.high)) if self.form == "hex" else (self.low, self.high)
            raise self._complain(text, f"give a value from {shown.format(*ends)}")
        return value

    def _complain(self, text: str, do: str) -> Complaint:
        return Complaint(f"{self.key} = {text!r} ({self.means})", do, field=self.key)


@dataclass(frozen=True)
class Kind:
    """One kind of source.

    Parameters
    ----------
    name, means : str
        Word before the colon, and one line of explanation.
    place : str
        What stands for the place; empty when there is none.
    example : str
        A complete description.
    options : tuple of Option
        Its settings.
    """

    name: str
    means: str
    place: str
    example: str
    options: tuple[Option, ...] = ()

    def option(self, key: str) -> Option | None:
        """The setting called `key`, if there is one."""
        return next((option for option in self.options if option.key == key), None)


NAME = Option("name", "what you call this source", "text", "")
STALE = Option(
    "stale", "seconds after which a reading is no longer current", "number", "", 0.2, 600
)
PERIOD = Option("period", "seconds between two questions", "number", "0.5", 0.1, 60)
COMMON = (NAME, STALE)

SCALE_OPTIONS = (
    Option("start", "first byte within the record, from 0", "whole", "0", 0, 4000),
    Option("length", "number of bytes", "whole", "2", 1, 8),
    Option("order", "byte order", "choice", "big", choices=("big", "little")),
    Option("signed", "whether the number has a sign", "flag", "no"),
    Option("scale", "degrees per count", "number", "1"),
    Option("offset", "degrees at a count of 0", "number", "0"),
    Option("unit", "unit of the scaled value", "choice", "C", choices=("C", "F", "K")),
    Option("low", "least value that can be true, in that unit", "number", "-60"),
    Option("high", "greatest value that can be true, in that unit", "number", "250"),
)
PID = Option("pid", "05 engine coolant, 5C engine oil", "choice", "05", choices=("05", "5C"))


@dataclass(frozen=True)
class Description:
    """A source as it is stored and typed.

    Parameters
    ----------
    kind : str
        Which kind of source.
    place : str
        Where it is: a port, an interface and channel, a file; empty for some.
    options : dict of str to str
        Settings as written.

    Examples
    --------
    >>> d = Description.parse("replay:soak.csv?speed=60")
    >>> d.kind, d.place, d.options
    ('replay', 'soak.csv', {'speed': '60'})
    >>> str(d)
    'replay:soak.csv?speed=60'
    >>> Description.from_table(d.table()) == d
    True
    """

    kind: str
    place: str = ""
    options: Mapping[str, str] = field(default_factory=dict)

    @classmethod
    def parse(cls, text: str) -> Description:
        """Read the one-line form.

        Raises
        ------
        Complaint
            When it is empty, or a setting has no value or is given twice.
        """
        head, _, tail = text.strip().partition("?")
        kind, _, place = head.partition(":")
        kind = kind.strip().lower()
        if not kind:
            raise Complaint("no source is named", "write for example hand or replay:soak.csv")
        options: dict[str, str] = {}
        for part in filter(None, tail.split("&")):
            key, equals, value = part.partition("=")
            key = unquote(key).strip().lower()
            if not equals or not key:
                raise Complaint(
                    f"{part!r} in {text!r}", "write settings as key=value", field="text"
                )
            if key in options:
                raise Complaint(f"{key} is given twice in {text!r}", "give it once", field=key)
            options[key] = unquote(value)
        return cls(kind, unquote(place.strip()), options)

    @classmethod
    def from_table(cls, table: Mapping[str, Any]) -> Description:
        """Read the table form: ``kind``, ``place`` and the settings side by side."""
        rest = {
            str(key).lower(): ("yes" if value is True else "no" if value is False else str(value))
            for key, value in table.items()
            if key not in {"kind", "place"}
        }
        kind = str(table.get("kind", "")).strip().lower()
        if not kind:
            raise Complaint("no kind of source is given", "give kind", field="kind")
        return cls(kind, str(table.get("place", "")), rest)

    def table(self) -> dict[str, str]:
        """The table form."""
        return {"kind": self.kind, "place": self.place, **self.options}

    def __str__(self) -> str:
        place = f":{quote(self.place, safe=_SAFE)}" if self.place else ""
        settings = "&".join(
            f"{quote(key, safe=_SAFE)}={quote(value, safe=_SAFE + '=')}"
            for key, value in self.options.items()
        )
        return f"{self.kind}{place}{'?' + settings if settings else ''}"

    def values(self, kind: Kind) -> Values:
        """Check every setting against `kind`.

        Raises
        ------
        Complaint
            For a missing place, an unknown setting (with the nearest known one), or a
            value that cannot be read.
        """
        if kind.place and not self.place:
            raise Complaint(
                f"{self.kind} needs {kind.place}", f"write it like {kind.example}", field="place"
            )
        if self.place and not kind.place:
            raise Complaint(f"{self.kind} takes no place", f"write {kind.example}", field="place")
        known = {option.key: option for option in (*COMMON, *kind.options)}
        found: dict[str, int | float | bool | str] = {}
        extra: dict[str, int | float | bool | str] = {}
        for key, text in self.options.items():
            if key.startswith("bus.") and "bus.*" in known:
                extra[key[4:]] = _literal(text)
            elif key not in known or key == "bus.*":
                near = difflib.get_close_matches(key, known, 1)
                hint = f"did you mean {near[0]}?" if near else f"known are {', '.join(known)}"
                raise Complaint(f"{self.kind} knows no {key}", hint, field=key)
            elif text.strip() or known[key].default is None:
                found[key] = known[key].read(text)
        for key, option in known.items():
            if key in found or key == "bus.*":
                continue
            if option.default is None:
                raise Complaint(
                    f"{self.kind} needs {key} ({option.means})",
                    f"write it like {kind.example}",
                    field=key,
                )
            if option.default:
                found[key] = option.read(option.default)
        return Values(self, found, extra)


_SAFE = ":/\\,. +()[]@~*-_"


def _literal(text: str) -> int | float | bool | str:
    lowered = text.strip().lower()
    if lowered in {"yes", "true"}:
        return True
    if lowered in {"no", "false"}:
        return False
    for make in (int, float):
        try:
            return make(lowered)
        except ValueError:
            continue
    return text


@dataclass(frozen=True)
class Values:
    """The checked settings of one description.

    Parameters
    ----------
    description : Description
        Where they come from.
    found : dict
        Value by key; keys that were left out and have no default are missing.
    bus : dict
        What is handed on to the driver of a CAN interface.
    """

    description: Description
    found: Mapping[str, int | float | bool | str]
    bus: Mapping[str, int | float | bool | str]

    def has(self, key: str) -> bool:
        """Whether `key` was given or has a default."""
        return key in self.found

    def whole(self, key: str) -> int:
        """An integer setting."""
        return int(self.found[key])

    def number(self, key: str) -> float:
        """A real setting."""
        return float(self.found[key])

    def flag(self, key: str) -> bool:
        """A yes-or-no setting."""
        return bool(self.found.get(key, False))

    def text(self, key: str) -> str:
        """A word; empty when left out."""
        return str(self.found.get(key, ""))

    def stale(self, default: float) -> float:
        """Age in s at which a reading stops being current."""
        return self.number("stale") if self.has("stale") else default

    def name(self, default: str) -> str:
        """What the user calls the source."""
        return self.text("name") or default

    def scaling(self) -> Scaling:
        """The scaling described by the settings of `SCALE_OPTIONS`.

        Raises
        ------
        Complaint
            When the range is upside down or the scale is nought.
        """
        if self.number("scale") == 0.0:
            raise Complaint("scale = 0", "give the degrees per count", field="scale")
        if not self.number("low") < self.number("high"):
            raise Complaint("low is not below high", "give a range", field="low")
        unit = self.text("unit")
        return Scaling(
            start=self.whole("start"),
            length=self.whole("length"),
            order="little" if self.text("order") == "little" else "big",
            signed=self.flag("signed"),
            scale=self.number("scale"),
            offset=self.number("offset"),
            unit="F" if unit == "F" else "K" if unit == "K" else "C",
            low=self.number("low"),
            high=self.number("high"),
        )
