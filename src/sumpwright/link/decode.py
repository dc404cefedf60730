"""From bytes to a temperature: published scalings, and one that the user sets."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Final, Literal

from sumpwright.link.source import ZERO_CELSIUS, Decoded

Unit = Literal["C", "F", "K"]

LEGISLATED: Final[dict[int, str]] = {0x05: "engine coolant", 0x5C: "engine oil"}

# Upper ends of the published ranges; the lower end of both is -40 °C.
_LEGISLATED_MAX: Final = {0x05: 215, 0x5C: 210}

SPN_177_SCALE: Final = 0.03125
SPN_177_OFFSET: Final = -273.0
_SPN_LAST_VALID: Final = 0xFAFF


def to_kelvin(value: float, unit: Unit) -> float:
    """Turn a temperature in °C, °F or K into K.

    Examples
    --------
    >>> to_kelvin(100.0, "F")
    310.92777777777775
    """
    if unit == "K":
        return value
    if unit == "C":
        return value + ZERO_CELSIUS
    return (value - 32.0) * 5.0 / 9.0 + ZERO_CELSIUS


def hexed(data: bytes) -> str:
    """Bytes as spaced upper-case hexadecimal.

    Examples
    --------
    >>> hexed(b"\\x01\\xab")
    '01 AB'
    """
    return bytes(data).hex(" ").upper()


def refused(data: bytes, why: str) -> Decoded:
    """What a decoder returns for bytes that hold no temperature."""
    return Decoded(math.nan, hexed(data), "", why)


@dataclass(frozen=True)
class Scaling:
    """A user-set scaling of a few bytes within a record.

    The temperature is ``value × scale + offset`` in `unit`.

    Parameters
    ----------
    start : int
        First byte within the record, counted from 0.
    length : int
        Number of bytes, 1 to 8.
    order : {'big', 'little'}
        Byte order.
    signed : bool
        Whether the bytes are a two's complement number.
    scale, offset : float
        Slope and intercept.
    unit : {'C', 'F', 'K'}
        Unit of the scaled value.
    low, high : float
        Range in `unit` outside which the value is refused.

    Examples
    --------
    >>> tenths = Scaling(length=2, scale=0.1, offset=-40.0)
    >>> found = tenths.decode(bytes.fromhex("0304"))
    >>> round(found.kelvin - 273.15, 2), found.workings
    (37.2, '772 × 0.1 − 40 = 37.2 °C')
    """

    start: int = 0
    length: int = 2
    order: Literal["big", "little"] = "big"
    signed: bool = False
    scale: float = 1.0
    offset: float = 0.0
    unit: Unit = "C"
    low: float = -60.0
    high: float = 250.0

    def decode(self, record: bytes) -> Decoded:
        """Decode one record.

        Parameters
        ----------
        record : bytes
            The data behind the identifier.

        Returns
        -------
        Decoded
            With a doubt when the record is too short or the value out of range.
        """
        end = self.start + self.length
        if len(record) < end:
            return refused(record, f"{len(record)} bytes came where {end} were expected")
        value = int.from_bytes(record[self.start : end], self.order, signed=self.signed)
        scaled = value * self.scale + self.offset
        degree = degrees(self.unit)
        sign = "−" if self.offset < 0 else "+"
        workings = f"{value} × {self.scale:g} {sign} {abs(self.offset):g} = {scaled:.6g} {degree}"
        if not self.low <= scaled <= self.high:
            doubt = f"{scaled:.6g} {degree} lies outside {self.low:g} to {self.high:g} {degree}"
            return Decoded(math.nan, hexed(record), workings, doubt)
        return Decoded(to_kelvin(scaled, self.unit), hexed(record), workings)


def legislated(pid: int, payload: bytes) -> Decoded:
    """Decode the answer to a service 01 request for a temperature.

    The temperature in °C is A − 40.

    Parameters
    ----------
    pid : int
        Parameter asked for: 05 (engine coolant) or 5C (engine oil).
    payload : bytes
        The whole answer, ``41 pid A``.

    Returns
    -------
    Decoded
        With a doubt when it is not exactly that answer.

    References
    ----------
    SAE J1979 / ISO 15031-5: PID 05, −40 to +215 °C; PID 5C, −40 to +210 °C, 1 °C per bit.

    Examples
    --------
    >>> legislated(0x05, bytes.fromhex("41057B")).workings
    '123 − 40 = 83 °C'
    """
    if len(payload) >= 3 and payload[0] == 0x7F and payload[1] == 0x01:
        return refused(payload, f"the control unit refuses (code {payload[2]:02X})")
    if len(payload) != 3 or payload[0] != 0x41 or payload[1] != pid:
        return refused(payload, f"not the answer to 01 {pid:02X}")
    celsius = payload[2] - 40
    workings = f"{payload[2]} − 40 = {celsius} °C"
    if celsius > _LEGISLATED_MAX[pid]:
        doubt = f"{celsius} °C lies above the published {_LEGISLATED_MAX[pid]} °C"
        return Decoded(math.nan, hexed(payload), workings, doubt)
    return Decoded(celsius + ZERO_CELSIUS, hexed(payload), workings)


def identified(did: int, payload: bytes, scaling: Scaling) -> Decoded:
    """Decode the answer to a service 22 request.

    Parameters
    ----------
    did : int
        Identifier asked for.
    payload : bytes
        The whole answer, ``62 dd dd record``.
    scaling : Scaling
        How the record holds the temperature.

    References
    ----------
    ISO 14229-1, ReadDataByIdentifier; negative response ``7F 22 code``.

    Examples
    --------
    >>> identified(0x1940, bytes.fromhex("621940 54"), Scaling(length=1, offset=-40)).workings
    '84 × 1 − 40 = 44 °C'
    """
    if len(payload) >= 3 and payload[0] == 0x7F and payload[1] == 0x22:
        return refused(payload, f"the control unit refuses (code {payload[2]:02X})")
    if len(payload) < 4 or payload[0] != 0x62 or payload[1:3] != did.to_bytes(2, "big"):
        return refused(payload, f"not the answer to 22 {did:04X}")
    found = scaling.decode(payload[3:])
    return Decoded(found.kelvin, hexed(payload), found.workings, found.doubt)


def parameter_group(identifier: int) -> int:
    """The parameter group number in a 29-bit J1939 identifier.

    References
    ----------
    SAE J1939-21: data page, PDU format and, for formats from 240, the group extension.

    Examples
    --------
    >>> parameter_group(0x18FEF803)
    65272
    """
    page = (identifier >> 24) & 0x03
    pdu_format = (identifier >> 16) & 0xFF
    specific = (identifier >> 8) & 0xFF
    return (page << 16) | (pdu_format << 8) | (specific if pdu_format >= 240 else 0)


def spn_177(data: bytes) -> Decoded:
    """Transmission oil temperature from a J1939 transmission fluids message.

    Bytes 5 and 6, least significant first: 0.03125 °C per bit, offset −273 °C.
    From FB00 upwards the field carries no temperature (FExx error, FFxx not available).

    Parameters
    ----------
    data : bytes
        The 8 data bytes of PGN 65272.

    References
    ----------
    SAE J1939-71, PGN 65272 (TF1), SPN 177; transmitted ranges of two-byte signals in
    the same document: 0000 to FAFF valid, FE00 to FEFF error, FF00 to FFFF not available.

    Examples
    --------
    >>> spn_177(bytes.fromhex("FFFFFFFF 4027FFFF")).workings
    '10048 × 0.03125 − 273 = 41 °C'
    """
    if len(data) != 8:
        return refused(data, f"{len(data)} bytes came where 8 were expected")
    value = data[4] | data[5] << 8
    if value > _SPN_LAST_VALID:
        if value >= 0xFF00:
            return refused(data, "the gearbox says that no temperature is available")
        if value >= 0xFE00:
            return refused(data, "the gearbox reports a fault of its temperature sensor")
        return refused(data, f"{value:04X} is no temperature")
    celsius = value * SPN_177_SCALE + SPN_177_OFFSET
    return Decoded(
        celsius + ZERO_CELSIUS, hexed(data), f"{value} × 0.03125 − 273 = {celsius:.7g} °C"
    )


_DEGREE = r"(?:°|º|deg(?:rees?)?[\s._]*)\s*"
_UNIT_WORDS: Final[tuple[tuple[Unit, str], ...]] = (
    ("F", rf"fahrenheit|℉|{_DEGREE}f(?![a-z0-9])"),
    ("K", rf"kelvin|{_DEGREE}k(?![a-z0-9])"),
    ("C", rf"celsius|℃|{_DEGREE}c(?![a-z0-9])"),
)
_LONE_LETTER: Final = re.compile(
    r"[\[(]\s*([cfk])\s*[\])]|(?:^|[\s_/.,:=-])([cfk])[\"']?\s*[:=]?\s*$"
)
_WARM_WORD: Final = re.compile(r"temp|^t$|^t[\s_/\[(]|oil|öl|getriebe|trans|gear|atf|fluid|coolant")
_AFTER: Final = re.compile(
    rf"\s*(?:{_DEGREE})?([cfk])(?![\w-]|\s*type)|\s*(fahrenheit|celsius|kelvin|℉|℃)",
    re.IGNORECASE,
)


def unit_in_words(text: str) -> Unit | None:
    """The unit of temperature that a label or a heading names, if it names one.

    Examples
    --------
    >>> [unit_in_words(t) for t in ("Oil Temperature (F)", "temp K", "Getriebe °C", "zone f")]
    ['F', 'K', 'C', None]
    """
    low = text.strip().strip("\"'").lower()
    for unit, pattern in _UNIT_WORDS:
        if re.search(pattern, low):
            return unit
    lone = _LONE_LETTER.search(low)
    if lone is None or (lone[2] and low != lone[2] and not _WARM_WORD.search(low)):
        return None
    return _letter(lone[1] or lone[2])


def unit_after_number(text: str) -> Unit | None:
    """The unit of temperature that stands at the beginning of what follows a number.

    Examples
    --------
    >>> [unit_after_number(text) for text in (" °F", "K\\r", " C, 12 V", " km", " K-type")]
    ['F', 'K', 'C', None, None]
    """
    found = _AFTER.match(text)
    if found is None:
        return None
    return _letter({"℉": "f", "℃": "c"}.get(found[2] or "", found[1] or found[2]))


def _letter(text: str) -> Unit:
    first = text[0].upper()
    return "F" if first == "F" else "K" if first == "K" else "C"


def degrees(unit: Unit) -> str:
    """How a unit of temperature is written.

    Examples
    --------
    >>> degrees("F"), degrees("K")
    ('°F', 'K')
    """
    return "K" if unit == "K" else f"°{unit}"


def plain_number(text: str) -> float:
    """A number with decimal point or comma.

    Raises
    ------
    ValueError
        When it is not one finite number.

    Examples
    --------
    >>> plain_number("37,2"), plain_number(" -4.5e1 ")
    (37.2, -45.0)
    """
    cleaned = text.strip().replace("−", "-")
    if not re.fullmatch(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?", cleaned):
        raise ValueError(f"{text.strip()!r} is not a number")
    value = float(cleaned.replace(",", "."))
    if not math.isfinite(value):
        raise ValueError(f"{text.strip()!r} is not finite")
    return value
