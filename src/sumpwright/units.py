"""The edge where the trade's units become SI, and SI becomes text again.

Nothing inside the product knows any unit but SI. Conversion is done by pint in
exact fractions, so that ``"9.2 L"`` is the same float as ``0.0092``. pint is only
imported when a quantity is read or shown, so that importing this module is cheap.

References
----------
A. Thompson and B. N. Taylor, *Guide for the Use of the International System of
Units (SI)*, NIST Special Publication 811, 2008 edition, appendix B.
"""

from __future__ import annotations

import difflib
import math
import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import get_args

from sumpwright.display import Display, significant
from sumpwright.errors import Complaint
from sumpwright.unit_words import (
    EXAMPLE,
    EXAMPLE_US,
    NOUN,
    Dimension,
    Unit,
    affine,
    squeeze,
    units_of,
)
from sumpwright.worded import Worded

__all__ = [
    "Dimension",
    "Display",
    "Reading",
    "exact_text",
    "parse_pieces",
    "parse_quantity",
    "read_quantity",
]


@dataclass(frozen=True)
class Reading:
    """A quantity as read: its SI value, its unit and what to warn about."""

    si: float
    unit: str
    warnings: tuple[str, ...] = ()


_NUMBER = re.compile(
    r"""(?P<sign>[+\-]?)\s*
    (?: (?P<word>inf(?:inity)?|nan)\b
      | (?:(?P<whole>[0-9]+)\s+)? (?P<top>[0-9]+)\s*/\s*(?P<bottom>[0-9]+)
      | (?P<body>[.,]?[0-9]+(?:[.,'’\s][0-9]+)*) [.,]?
        (?:e(?P<power>[+\-]?[0-9]+))? )""",
    re.VERBOSE | re.IGNORECASE,
)
_SPACED = re.compile(r"([0-9]{1,3})((?:[\s'’][0-9]{3})+)([.,][0-9]+)?")
_THOUSANDS = re.compile(r"[0-9]{1,3}(?:,[0-9]{3}){2,}|[0-9]{1,3}(?:\.[0-9]{3}){2,}")
_BOTH = re.compile(r"([0-9]{1,3}(?:,[0-9]{3})+)(\.[0-9]+)|([0-9]{1,3}(?:\.[0-9]{3})+)(,[0-9]+)")
_LONGEST = 80


def _quote(text: str) -> str:
    """Show a user's text on one line and no longer than a line."""
    clean = "".join(c if c.isprintable() else " " for c in text)
    clean = " ".join(clean.split())
    return f"'{clean[:40]}…'" if len(clean) > 40 else f"'{clean}'"


def _such(do: str, dimension: Dimension) -> Worded:
    """Say what to write, with an example in the reader's units."""

    def say(display: Display) -> str:
        examples = EXAMPLE_US if display.system == "us" else EXAMPLE
        return f'{do} "{examples[dimension]}"'

    return Worded(say(Display()), say)


def _digits(body: str) -> str:
    """Rewrite digits with a decimal comma or grouped thousands as a plain decimal."""
    spaced = _SPACED.fullmatch(body)
    if spaced:
        body = re.sub(r"[\s'’]", "", body)
    if (both := _BOTH.fullmatch(body)) is not None:
        groups, tail = (both[1], both[2]) if both[1] else (both[3], both[4])
        return re.sub("[.,]", "", groups) + "." + tail[1:]
    if _THOUSANDS.fullmatch(body):
        return re.sub("[.,]", "", body)
    if len(re.findall(r"[.,'’\s]", body)) > 1 or re.search(r"['’\s]", body):
        raise Complaint(f"'{body}' is not one number", "write one number with one decimal sign")
    if not spaced and re.fullmatch(r"[1-9][0-9]{0,2},[0-9]{3}", body):
        raise Complaint(
            f"'{body}' can mean {body.replace(',', '.')} or {body.replace(',', '')}",
            f"write {body.replace(',', '.')} with a point or {body.replace(',', '')} without comma",
        )
    return body.replace(",", ".")


def _number(match: re.Match[str]) -> Fraction:
    sign = -1 if match["sign"] == "-" else 1
    if match["word"]:
        raise Complaint(f"{match[0].strip()} is not a finite number", "write a finite number")
    if match["top"]:
        if int(match["bottom"]) == 0:
            raise Complaint(f"'{match[0]}' divides by zero", "write the value as a decimal number")
        return sign * (int(match["whole"] or 0) + Fraction(int(match["top"]), int(match["bottom"])))
    text = _digits(match["body"]) + (f"e{match['power']}" if match["power"] else "")
    if not math.isfinite(float(text)):
        raise Complaint(f"{text} is not a finite number", "write a finite number")
    # An exponent such as e-999999999 would make a fraction of that many digits.
    return sign * Fraction(text) if float(text) else Fraction(0)


def _parse(text: str, dimension: Dimension) -> Reading:
    noun = NOUN.get(dimension, dimension)
    if len(text) > _LONGEST:
        raise Complaint(f"{_quote(text)} is too long for a {noun}", _such("write e.g.", dimension))
    tidy = "".join(
        f" {c}" if unicodedata.decomposition(c).startswith("<fraction>") else c for c in text
    )
    tidy = tidy.replace("½", "1/2").replace("¼", "1/4").replace("¾", "3/4")
    tidy = " ".join(tidy.replace("−", "-").replace("–", "-").split())
    match = _NUMBER.match(tidy)
    if match is None:
        raise Complaint(f"{_quote(text)} has no number", _such(f"write a {noun}, e.g.", dimension))
    try:
        number = _number(match)
    except (ValueError, OverflowError):
        raise Complaint(
            f"{_quote(text)} is not a number", _such(f"write a {noun}, e.g.", dimension)
        ) from None
    written = tidy[match.end() :].strip()
    if re.match(r"(?:-+|to\b|until\b|\.\.+|…|~)\s*[0-9]", written, re.IGNORECASE):
        raise Complaint(
            f"{_quote(text)} is a range, and one value is wanted here",
            'in a sheet a range is two values, e.g. ["9.0 L", "9.6 L"]',
        )
    if not written:
        if dimension != "share":
            raise Complaint(f"{_quote(text)} has no unit", _such("write e.g.", dimension))
        return Reading(float(number), "")
    unit = _find(written, dimension)
    value = _to_si(number, unit.pint, dimension)
    warnings: tuple[str, ...] = ()
    if unit.nouns and number:
        ours, theirs = (_as_metric(number, p, dimension) for p in (unit.pint, unit.rival))
        warnings = (
            f"{_quote(text)} is read as {unit.nouns[0]}, {ours}; {unit.nouns[1]} would make it "
            f"{theirs}: write '{unit.clear[0]}' or '{unit.clear[1]}'",
        )
    return Reading(value, unit.label, warnings)


def _to_si(number: Fraction, expression: str, dimension: Dimension) -> float:
    factor, offset = affine(expression, dimension)
    try:
        value = float(number * factor + offset)
    except OverflowError:
        value = math.inf
    if not math.isfinite(value):
        raise Complaint("the value is not finite in SI", "write a finite number")
    return value


def _as_metric(number: Fraction, expression: str, dimension: Dimension) -> str:
    value = _to_si(number, expression, dimension)
    shown = {"volume": (1e3, "L"), "flow": (6e4, "L/min"), "density": (1.0, "kg/m3")}
    scale, label = shown[dimension]
    return f"{significant(value * scale, 3)} {label}"


def _find(written: str, dimension: Dimension) -> Unit:
    known = units_of(dimension)
    key = squeeze(written)
    if key in known:
        return known[key]
    noun, example = NOUN.get(dimension, dimension), EXAMPLE[dimension]
    for other in get_args(Dimension):
        if key in units_of(other):
            raise Complaint(
                f"{_quote(written)} is a unit of {NOUN.get(other, other)}, "
                f"and a {noun} is wanted here",
                _such("write e.g.", dimension),
            )
    near = difflib.get_close_matches(key, list(known), n=1, cutoff=0.5)
    nearest = known[near[0]].label if near else example.split(" ", 1)[1]
    labels = list(dict.fromkeys(unit.label for unit in known.values()))
    choices = ", ".join(labels[:12]) + (", …" if len(labels) > 12 else "")
    raise Complaint(
        f"unit {_quote(written)} is not known",
        f"the nearest known unit is '{nearest}' (known for a {noun}: {choices})",
    )


def read_quantity(text: object, dimension: Dimension, where: str = "") -> Reading:
    """Read a quantity written with its unit, and say what is doubtful about it.

    Parameters
    ----------
    text : str or float
        ``"9.2 L"``, ``"9,2 L"``, ``"38 °C"``, ``"27 N·m"`` …; a bare number is
        accepted for a share only.
    dimension : str
        What the quantity must be, e.g. ``"volume"``.
    where : str
        Place for a complaint: file, line and key, or the name of a field.

    Returns
    -------
    Reading
        The value in SI, the unit's label, and warnings when the unit can mean
        two things (US and imperial).

    Raises
    ------
    Complaint
        No number, no unit, an unknown unit, or a value that is not finite.

    Examples
    --------
    >>> read_quantity("4,1 L", "volume").si
    0.0041
    >>> read_quantity("4.3 qt", "volume").warnings[0].partition(":")[0]
    "'4.3 qt' is read as US quarts, 4.07 L; an imperial quart would make it 4.89 L"
    """
    if isinstance(text, bool) or not isinstance(text, str | int | float):
        raise Complaint(
            f"a {type(text).__name__} is not a quantity",
            _such(f"write a {NOUN.get(dimension, dimension)}, e.g.", dimension),
            where,
        )
    try:
        return _parse(text if isinstance(text, str) else repr(text), dimension)
    except Complaint as complaint:
        raise Complaint(complaint.what, complaint.do, where, complaint.field) from None


def parse_quantity(
    text: object,
    dimension: Dimension,
    where: str = "",
    warnings: list[str] | None = None,
) -> float:
    """Read a quantity written with its unit as a float in SI.

    Parameters
    ----------
    text : str or float
        The quantity, as for `read_quantity`.
    dimension : str
        What the quantity must be.
    where : str
        Place for a complaint and for a warning.
    warnings : list of str, optional
        Receives a line when the unit can mean two things.

    Returns
    -------
    float
        m³, K, N·m, kg/m³, m²/s, m³/s, m², m, s, kg, Pa, rad or a share.

    Raises
    ------
    Complaint
        As `read_quantity`.

    Examples
    --------
    >>> parse_quantity("95 F", "temperature")
    308.15
    >>> parse_quantity("10 %", "share")
    0.1
    """
    reading = read_quantity(text, dimension, where)
    if warnings is not None:
        head = f"{where}: " if where else ""
        warnings.extend(head + line for line in reading.warnings)
    return reading.si


def parse_pieces(
    pieces: Sequence[str],
    dimension: Dimension,
    where: str = "",
    warnings: list[str] | None = None,
) -> float:
    """Read a quantity given as one or several words of a command line.

    Examples
    --------
    >>> parse_pieces(["4.1", "L"], "volume") == parse_pieces(["4.1 L"], "volume")
    True
    """
    return parse_quantity(" ".join(pieces), dimension, where, warnings)


_DUMP: dict[Dimension, tuple[str, str]] = {
    "volume": ("L", "liter"),
    "temperature": ("C", "degC"),
    "temperature_difference": ("K", "kelvin"),
    "torque": ("N.m", "newton*meter"),
    "density": ("kg/m3", "kilogram/meter**3"),
    "viscosity": ("mm2/s", "millimeter**2/second"),
    "flow": ("L/min", "liter/minute"),
    "area": ("cm2", "centimeter**2"),
    "length": ("mm", "millimeter"),
    "distance": ("km", "kilometer"),
    "time": ("h", "hour"),
    "period": ("months", "calendar_month"),
    "mass": ("kg", "kilogram"),
    "pressure": ("bar", "bar"),
    "angle": ("deg", "degree"),
    "share": ("", "dimensionless"),
}


def exact_text(si: float, dimension: Dimension) -> str:
    """Write an SI value as the shortest text that reads back to the same float.

    Examples
    --------
    >>> exact_text(0.0092, "volume"), exact_text(311.15, "temperature")
    ('9.2 L', '38 C')
    """
    label, expression = _DUMP[dimension]
    factor, offset = affine(expression, dimension)
    # str of a Decimal gives the shortest decimal of the float, without its binary tail.
    value = (Fraction(Decimal(repr(si))) - offset) / factor
    number = ""
    for digits in range(1, 60):
        number = _plain_decimal(value, digits)
        if float(Fraction(number) * factor + offset) == si:
            break
    return f"{number} {label}".strip()


def _plain_decimal(value: Fraction, digits: int) -> str:
    """Round to so many significant digits; an exponent only where the zeros would run on."""
    if not value:
        return "0"
    exponent = math.floor(math.log10(abs(value.numerator)) - math.log10(value.denominator))
    places = digits - 1 - exponent
    scaled = round(value * Fraction(10) ** places)
    text = format(Decimal(scaled).scaleb(-places), "f")
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return text if len(text) <= 30 else f"{scaled}e{-places}"
