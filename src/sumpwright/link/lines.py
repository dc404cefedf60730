"""Thermometers on a serial or USB port, or a TCP socket, that print numbers line by line."""

from __future__ import annotations

import math
import re
import time
from typing import Any, Final

from sumpwright.link.decode import (
    Unit,
    degrees,
    plain_number,
    to_kelvin,
    unit_after_number,
    unit_in_words,
)
from sumpwright.link.describe import Kind, Option, Values
from sumpwright.link.port import open_port
from sumpwright.link.source import STALE_AFTER, Decoded, LinkDown, Reading, Silence, clock

_LONGEST = 1024
# thousands that are set apart by commas are taken as one, so that they can be refused
_COMMA: Final = re.compile(r"[+\-−]?\d+(?:,\d+)?(?:[eE][+-]?\d+)?")
_POINT: Final = re.compile(r"[+\-−]?(?:\d{1,3}(?:,\d{3})+\.\d+|\d+(?:\.\d+)?(?:[eE][+-]?\d+)?)")
_GLUED: Final = re.compile(r"\d[.,]\d+\s*[°º]?\s*[CFKcfk][+\-−]?\d")

LINES_KIND = Kind(
    "lines",
    "a thermometer that prints one line per reading (serial, USB, TCP)",
    "a port (/dev/ttyACM0, COM4, socket://192.0.2.7:5000)",
    "lines:/dev/ttyACM0?baud=9600",
    (
        Option("baud", "speed of the serial port", "whole", "9600", 300, 3_000_000),
        Option("number", "which number of the line, from 1", "whole", "1", 1, 50),
        Option(
            "unit",
            "unit of the printed number; what the line says itself goes first, C if neither does",
            "choice",
            "",
            choices=("C", "F", "K"),
        ),
    ),
)


def _runs_on(number: str, before: str, after: str) -> bool:
    """Whether a number may be a part of another: 41.041.0, 21,5,22,5, or 21,5 C beside 3.3 V."""
    if re.match(r"\.\d", after) or (re.match(r",\d", after) and "," in number):
        return True
    if not number.lstrip("+-−").isdigit():
        return False
    return bool(re.match(r",\d+(?![.\d])", after) or re.search(r"(?<![.\d])\d+,$", before))


def line_temperature(line: str, number: int, unit: Unit | None = None) -> Decoded:
    """Take the temperature out of a printed line.

    Parameters
    ----------
    line : str
        One whole line.
    number : int
        Which of its numbers, from 1.
    unit : {'C', 'F', 'K'}, optional
        Unit of that number, as the user set it. What the line says beside the number or before
        it goes first; where both speak they have to agree.

    Returns
    -------
    Decoded
        With a doubt when there is no such number, or it can be read in two ways.

    Examples
    --------
    >>> line_temperature("probe 1: 37,2 C", 2).workings
    '37.2 °C'
    >>> line_temperature("oil 105.8 °F", 1).workings
    '105.8 °F'
    >>> line_temperature("oil 105.8 °F", 1, "C").doubt
    'the line says °F where °C is set'
    """
    shown = line[:200]
    # where one number has a decimal point, commas part numbers
    found = list((_POINT if re.search(r"\d\.\d", line) else _COMMA).finditer(line))
    if len(found) < number:
        return Decoded(math.nan, shown, "", f"the line holds no number {number}")
    chosen = found[number - 1]
    after = line[chosen.end() :]
    before = line[found[number - 2].end() if number > 1 else 0 : chosen.start()]
    if _GLUED.search(line) or _runs_on(chosen[0], line[: chosen.start()], after):
        return Decoded(math.nan, shown, "", "two numbers ran together")
    try:
        value = plain_number(chosen[0])
    except ValueError as error:
        return Decoded(math.nan, shown, "", str(error))
    told = unit_after_number(after) or unit_in_words(before)
    if told and unit and told != unit:
        doubt = f"the line says {degrees(told)} where {degrees(unit)} is set"
        return Decoded(math.nan, shown, f"{value:g} {degrees(told)}", doubt)
    used: Unit = told or unit or "C"
    return Decoded(to_kelvin(value, used), shown, f"{value:g} {degrees(used)}")


class Lines:
    """A port that is only listened to.

    A line counts only once its end has come, and from when it began. The first one after
    opening is thrown away, and so is one that stopped midway: they may have been cut.

    Parameters
    ----------
    values : Values
        Checked settings: port, speed, which number, unit.
    """

    direct = False
    period = 0.0
    caution = ""

    def __init__(self, values: Values) -> None:
        self._place = values.description.place
        self._baud = values.whole("baud")
        self._number = values.whole("number")
        unit = values.text("unit")
        self._unit: Unit | None = None
        if unit:
            self._unit = "F" if unit == "F" else "K" if unit == "K" else "C"
        self.name = values.name(self._place)
        self.stale_after = values.stale(STALE_AFTER)
        self._port: Any = None
        self._buffer = bytearray()
        self._began = self._heard = 0.0
        self._whole = False

    def open(self) -> None:
        """Open the port."""
        self.close()
        self._port = open_port(self._place, self._baud)
        self._buffer.clear()
        self._whole = False

    def close(self) -> None:
        """Close the port."""
        port, self._port = self._port, None
        if port is not None:
            try:
                port.close()
            except Exception:
                # a device that is gone may fail here in any way
                return

    def read(self, timeout: float) -> Reading:
        """Wait at most `timeout` s for a line; of a backlog only the newest counts."""
        if self._port is None:
            raise Silence("the source is not open")
        until = time.monotonic() + timeout
        newest: tuple[str, float] | None = None
        while True:
            more = self._more()
            newest = self._line() or newest
            if newest and (not more or time.monotonic() >= until):
                text, began = newest
                found = line_temperature(text, self._number, self._unit)
                return found.reading(self.name, clock() - began)
            if time.monotonic() >= until:
                raise Silence(
                    f"no line within {timeout:g} s", "check the plug and the speed (baud)"
                )

    def _more(self) -> bool:
        try:
            got = self._port.read(max(1, min(self._port.in_waiting, 4096)))
        except Exception as error:
            raise LinkDown(f"the thermometer is gone: {error}", "plug it in again") from error
        now = clock()
        if got and self._buffer and now - self._heard > min(self.stale_after, STALE_AFTER):
            # what comes now may belong to another line, or be the end of this one
            self._buffer.clear()
            self._whole = False
        if got:
            self._heard = now
            self._began = self._began if self._buffer else now
            self._buffer += got
        return bool(got)

    def _line(self) -> tuple[str, float] | None:
        """Take the whole lines out of what came; the newest of them, and when it began."""
        *ended, rest = re.split(rb"[\r\n]+", bytes(self._buffer))
        self._buffer[:] = rest
        if not ended:
            if len(rest) > _LONGEST:
                self._buffer.clear()
                self._whole = False
            return None
        began, now = self._began, clock()
        self._began = now
        if not self._whole:
            self._whole = True
            began, ended = now, ended[1:]
        texts = [part.decode("utf-8", "replace").strip() for part in ended]
        newest = next((place for place in reversed(range(len(texts))) if texts[place]), None)
        if newest is None:
            return None
        return texts[newest], began if newest == 0 else now
