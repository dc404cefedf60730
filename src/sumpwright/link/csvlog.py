"""CSV logs of time and temperature: our own, and those that others wrote.

Understood are comma, semicolon and tab between the fields, decimal point or comma,
a heading or none, time as seconds, clock time, date and time (in one field or two),
or seconds since 1970.
"""

from __future__ import annotations

import csv
import itertools
import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TextIO

from sumpwright.errors import Complaint
from sumpwright.link.csvcolumns import Chosen, choose
from sumpwright.link.decode import Unit, degrees, plain_number, to_kelvin, unit_after_number
from sumpwright.link.source import Reading

HEADING = ("time_utc", "seconds", "celsius", "raw", "source", "doubt")

_CLOCK = re.compile(r"(\d{1,3}):([0-5]?\d)(?::([0-5]?\d(?:[.,]\d+)?))?")
_DATES = ("%d.%m.%Y", "%Y/%m/%d", "%Y.%m.%d")
_DAY = 86_400.0
_LONGEST_LINE = 4096


@dataclass(frozen=True)
class Columns:
    """Which column is which; empty words are found from the heading.

    Parameters
    ----------
    time, temperature : str
        Name or number from 1.
    unit : str
        C, F or K: of the temperature. The file has to agree where it says so itself.
    time_unit : str
        us, ms, s, min or h, where the heading does not say.
    """

    time: str = ""
    temperature: str = ""
    unit: str = ""
    time_unit: str = ""


@dataclass(frozen=True, slots=True)
class Row:
    """One line of a log: seconds on its own axis, K, and what is wrong with it."""

    seconds: float
    kelvin: float
    raw: str
    workings: str = ""
    doubt: str = ""


@dataclass(frozen=True)
class _Layout:
    delimiter: str
    heading: bool
    columns: Chosen
    set_unit: Unit | None
    doubt: int | None
    width: int


def rows(path: Path, columns: Columns | None = None) -> Iterator[Row]:
    """Read a log line by line.

    A line that cannot be read is handed on with a doubt; it never ends the reading.

    Parameters
    ----------
    path : pathlib.Path
        The file, UTF-8 with or without a byte order mark.
    columns : Columns, optional
        Where the time and the temperature stand.

    Yields
    ------
    Row

    Raises
    ------
    Complaint
        When the columns cannot be found, or more than one may be meant.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     log = Path(folder, "soak.csv")
    ...     _ = log.write_text("Zeit;Temp\\n0,0;20,5\\n0,5;20,6\\n", encoding="utf-8")
    ...     [(row.seconds, round(row.kelvin - 273.15, 2)) for row in rows(log)]
    [(0.0, 20.5), (0.5, 20.6)]
    """
    wanted = columns or Columns()
    with path.open(encoding="utf-8-sig", errors="replace", newline="") as file:
        head = list(itertools.islice(_lines(file), 20))
        layout = _layout(path, head, wanted)
        clock = _Clock(layout.columns.scale)
        lines = itertools.chain(head, _lines(file))
        if layout.heading:
            next(lines, None)
        for line in lines:
            yield _row(line, layout, clock)


def taken(path: Path, columns: Columns | None = None) -> str:
    """Return which column of a log is its temperature, and what has to be assumed of its time.

    Raises
    ------
    Complaint
        As `rows`.
    """
    with path.open(encoding="utf-8-sig", errors="replace", newline="") as file:
        head = list(itertools.islice(_lines(file), 20))
    chosen = _layout(path, head, columns or Columns()).columns
    doubt = f" {chosen.doubt[:1].upper()}{chosen.doubt[1:]}." if chosen.doubt else ""
    return f"Its temperature is the column {chosen.name!r}.{doubt}"


def _lines(file: TextIO) -> Iterator[str]:
    while line := file.readline(_LONGEST_LINE):
        text = line.replace("\0", "").strip("\r\n")
        if text.strip() and not text.lstrip().startswith("#"):
            yield text


def _split(line: str, delimiter: str) -> list[str]:
    try:
        return next(csv.reader([line], delimiter=delimiter), [])
    except csv.Error:
        return line.split(delimiter)


def _row(line: str, layout: _Layout, clock: _Clock) -> Row:
    fields = _split(line, layout.delimiter)
    raw = line[:200]
    seconds = math.nan
    # a torn line may end in the middle of a number that still looks like one
    if len(fields) < layout.width:
        return Row(seconds, math.nan, raw, "", f"only {len(fields)} of {layout.width} fields")
    columns = layout.columns
    try:
        when = fields[columns.time].strip()
        if columns.date is not None:
            when = f"{fields[columns.date].strip()} {when}"
        seconds = clock.seconds(when)
        noted = fields[layout.doubt].strip() if layout.doubt is not None else ""
        if noted:
            return Row(seconds, math.nan, raw, "", noted)
        beside = fields[columns.unit].strip() if columns.unit is not None else ""
        value, unit = _value(fields[columns.temperature].strip(), beside, layout)
    except IndexError:
        return Row(seconds, math.nan, raw, "", f"only {len(fields)} fields")
    except ValueError as error:
        return Row(seconds, math.nan, raw, "", str(error))
    workings = f"{value:g} {degrees(unit)} from column {columns.name!r}"
    if columns.doubt:
        workings = f"{workings}; {columns.doubt}"
    return Row(seconds, to_kelvin(value, unit), raw, workings)


def _value(field: str, beside: str, layout: _Layout) -> tuple[float, Unit]:
    """The number and its unit: all that speak of the unit have to agree."""
    found = re.match(r"[^\s°ºa-zA-Z℃℉]+", field)
    number = found[0] if found else field
    after = field[len(number) :].strip()
    told = unit_after_number(f" {after}") if after else None
    if after and told is None:
        raise ValueError(f"{field!r} is not a number")
    value = plain_number(number)
    of_column = unit_after_number(f" {beside}") if beside else None
    if beside and of_column is None:
        raise ValueError(f"{beside!r} is no unit of temperature")
    said = [one for one in (told, of_column, layout.columns.degree, layout.set_unit) if one]
    if len(set(said)) > 1:
        words = " and ".join(dict.fromkeys(map(degrees, said)))
        raise ValueError(f"its unit is told as {words}")
    return value, said[0] if said else "C"


class _Clock:
    """Turns whatever stands for time into seconds; a clock may pass midnight."""

    def __init__(self, scale: float = 1.0) -> None:
        self._scale = scale
        self._days = 0.0
        self._before = -math.inf

    def seconds(self, text: str) -> float:
        text = text.strip().strip('"')
        try:
            return plain_number(text) * self._scale
        except ValueError:
            pass
        found = _CLOCK.fullmatch(text)
        if found:
            part = float((found[3] or "0").replace(",", "."))
            now = int(found[1]) * 3600.0 + int(found[2]) * 60.0 + part
            # a jump back by most of a day is midnight; a small one is an error of the log
            if now + self._days < self._before - 0.5 * _DAY:
                self._days += _DAY
            self._before = now + self._days
            return self._before
        return _date_time(text)


def _date_time(text: str) -> float:
    cleaned = text.replace("Z", "+00:00").replace(",", ".")
    try:
        stamp = datetime.fromisoformat(cleaned)
    except ValueError:
        day, _, clock = cleaned.partition(" ")
        for pattern in _DATES:
            try:
                date = datetime.strptime(day, pattern)
            except ValueError:
                continue
            stamp = datetime.fromisoformat(f"{date:%Y-%m-%d} {clock.strip() or '00:00'}")
            break
        else:
            raise ValueError(f"{text!r} is no time") from None
    return (stamp if stamp.tzinfo else stamp.replace(tzinfo=UTC)).timestamp()


def _layout(path: Path, head: Sequence[str], columns: Columns) -> _Layout:
    if not head:
        raise Complaint("the log is empty", "choose another file", where=path.name)
    delimiter = _delimiter(head)
    first = [field.strip() for field in _split(head[0], delimiter)]
    heading = not any(_is_value(field) for field in first)
    names = [field.lower() for field in first] if heading else []
    if len(first) < 2:
        raise Complaint(
            "no two columns of time and temperature were found",
            "name them with time= and temperature=",
            where=path.name,
            field="temperature",
        )
    chosen = choose(
        names,
        [_split(line, delimiter) for line in (head[1:] if heading else head)],
        time=columns.time,
        temperature=columns.temperature,
        time_unit=columns.time_unit,
        where=path.name,
    )
    set_unit: Unit | None = None
    if columns.unit:
        set_unit = "F" if columns.unit == "F" else "K" if columns.unit == "K" else "C"
    if set_unit and chosen.degree and set_unit != chosen.degree:
        raise Complaint(
            f"the heading {chosen.name!r} says {degrees(chosen.degree)} "
            f"where {degrees(set_unit)} is set",
            "leave the unit out",
            where=path.name,
            field="unit",
        )
    doubt = names.index("doubt") if tuple(names) == HEADING else None
    return _Layout(delimiter, heading, chosen, set_unit, doubt, len(names) if heading else 0)


def _delimiter(head: Sequence[str]) -> str:
    for delimiter in (";", "\t"):
        if all(delimiter in line for line in head):
            return delimiter
    return ","


def _is_value(field: str) -> bool:
    try:
        _Clock().seconds(field)
    except ValueError:
        return False
    return True


class Recorder:
    """Write readings to a CSV file, each line at once, so that a crash loses none.

    Parameters
    ----------
    path : pathlib.Path
        A new file, or one that this class began.

    Raises
    ------
    Complaint
        When the file is something else, or cannot be written.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self.count = 0
        try:
            begun = path.exists() and path.stat().st_size > 0
            if begun and _first_line(path) != ",".join(HEADING):
                raise Complaint(
                    "the file holds something else than a log of this tool",
                    "give another name",
                    where=str(path),
                )
            torn = begun and not _ends_whole(path)
            self._file = path.open("a", encoding="utf-8", newline="")
        except OSError as error:
            raise Complaint(
                f"cannot be written: {error.strerror}", "give another name", where=str(path)
            ) from error
        self._writer = csv.writer(self._file, lineterminator="\n")
        if torn:
            self._file.write("\n")
        if not begun:
            self._writer.writerow(HEADING)
            self._file.flush()

    def write(self, reading: Reading) -> None:
        """Add one reading; a doubted one keeps its raw bytes and the reason, no temperature."""
        celsius = f"{reading.celsius:.4f}" if reading.good else ""
        self._writer.writerow(
            (
                reading.at.astimezone(UTC).isoformat(timespec="milliseconds"),
                f"{reading.seconds:.3f}",
                celsius,
                reading.raw,
                reading.source,
                reading.doubt,
            )
        )
        self._file.flush()
        self.count += 1

    def close(self) -> None:
        """Close the file."""
        self._file.close()

    def __enter__(self) -> Recorder:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def _first_line(path: Path) -> str:
    with path.open(encoding="utf-8-sig", errors="replace") as file:
        return file.readline(_LONGEST_LINE).strip()


def _ends_whole(path: Path) -> bool:
    with path.open("rb") as file:
        file.seek(-1, 2)
        return file.read(1) == b"\n"
