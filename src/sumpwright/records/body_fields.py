"""What a number or a text of an entry may be: SI, finite, of a sensible size."""

from __future__ import annotations

import math
from datetime import date
from typing import Annotated

from pydantic import AfterValidator, Field

from sumpwright.planning.said import worded

LARGEST_VOLUME = 20.0
"""m³ beyond which a volume is taken for a slip of the unit or of the decimal point."""
SMALLEST_VOLUME = 1e-7
"""m³ (a tenth of a millilitre) below which a volume is taken for a slip."""
LARGEST_TORQUE = 10_000.0
LONGEST_TEXT = 10_000


def finite(value: float) -> float:
    """Return the number, or say that it is none."""
    if not math.isfinite(value):
        raise ValueError("is not a finite number")
    return value


def _volume(value: float) -> float:
    finite(value)
    if value <= 0.0:
        raise ValueError(worded("a volume of {v:given volume} is not above zero", v=value))
    if value > LARGEST_VOLUME:
        raise ValueError(worded("a volume of {v:given volume} is beyond any wet system", v=value))
    if value < SMALLEST_VOLUME:
        raise ValueError(
            worded("a volume of {v:volume} is too small to have been measured", v=value)
        )
    return value


def _torque(value: float) -> float:
    finite(value)
    if not 0.0 < value <= LARGEST_TORQUE:
        raise ValueError(
            worded(
                "a torque of {v:given torque} does not lie within {b:bound torque}",
                v=value,
                b=(0.0, LARGEST_TORQUE),
            )
        )
    return value


def _length(value: float) -> float:
    finite(value)
    if not 0.0 < value <= 10.0:
        raise ValueError(f"a length of {value:g} m is not between 0 and 10 m")
    return value


def temperature(value: float) -> float:
    """Return a temperature [K] that a working fluid can have."""
    finite(value)
    if not 150.0 <= value <= 800.0:
        raise ValueError(
            worded("a temperature of {v:given temperature} is beyond any working fluid", v=value)
        )
    return value


def amount(value: float) -> float:
    """Return a number at or above zero that something can count to."""
    finite(value)
    if not 0.0 <= value <= 1e12:
        raise ValueError(f"{value:g} is not a sensible amount")
    return value


def _text(value: str) -> str:
    if len(value) > LONGEST_TEXT:
        raise ValueError(f"is longer than {LONGEST_TEXT} characters")
    if any(unwelcome(c) for c in value):
        raise ValueError("holds a control character")
    return value


def unwelcome(char: str) -> bool:
    """Whether a character can be stored or shown nowhere: controls and half surrogates."""
    code = ord(char)
    return (code < 32 and char not in "\n\r\t") or code == 127 or 0xD800 <= code <= 0xDFFF


def _name(value: str) -> str:
    value = _text(value).strip()
    if not value:
        raise ValueError("is empty")
    if len(value) > 200:
        raise ValueError("is longer than 200 characters")
    return value


def _day(value: str) -> str:
    try:
        date.fromisoformat(value)
    except ValueError:
        raise ValueError(f"'{value}' is not a date such as 2025-03-31") from None
    return value


Volume = Annotated[float, AfterValidator(_volume)]
Torque = Annotated[float, AfterValidator(_torque)]
Length = Annotated[float, AfterValidator(_length)]
Temperature = Annotated[float, AfterValidator(temperature)]
Amount = Annotated[float, AfterValidator(amount)]
Share = Annotated[float, AfterValidator(finite), Field(ge=0.0, le=1.0)]
Text = Annotated[str, AfterValidator(_text)]
Name = Annotated[str, AfterValidator(_name)]
Day = Annotated[str, AfterValidator(_day)]
Count = Annotated[int, Field(ge=1, le=10_000)]
Point = Annotated[list[Amount], Field(min_length=2, max_length=2)]
