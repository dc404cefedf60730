"""Which column of a log is the time and which the temperature, as its heading says.

A log of a drive has many columns, and a gearbox is not to be set by the temperature of a
battery: where more than one column may be meant, it is asked and never guessed.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from sumpwright.errors import Complaint
from sumpwright.link.decode import Unit, plain_number, unit_in_words

SECONDS: Final = {"us": 1e-6, "ms": 1e-3, "s": 1.0, "min": 60.0, "h": 3600.0}
"""Seconds in each unit that a column of time may have."""

LONG_STEP: Final = 90.0
"""Step of time [s] from which a unit that nobody named is doubted."""

_TIME_WORDS = ("time_utc", "seconds", "timestamp", "datetime", "time", "date", "zeit", "t", "s")
_TIME_LIKE = re.compile(
    r"(?<![a-zä])(time|zeit|elapsed|date|datum|clock|uhrzeit|millis\w*)(?![a-z])"
)
_TIME_UNITS: Final = (
    ("us", r"µs|μs|us|usec|micros\w*|mikrosek\w*"),
    ("ms", r"ms|msec|millis\w*"),
    ("s", r"s|sec|secs|second|seconds|sek|sekunden?"),
    ("min", r"min|mins|minutes?|minuten"),
    ("h", r"h|hrs?|hours?|std|stunden?"),
)
_UNIT_COLUMN = re.compile(r"((temp\w*|temperatur\w*)[\s_]*)?(units?|einheit|uom)")
_WARM = re.compile(r"temp|celsius|fahrenheit|kelvin")
_GEARBOX = re.compile(r"trans|gear|getriebe|(?<![a-z])(atf|tft|cvt)(?![a-z])")
_FLUID = re.compile(r"oil|öl|oel|fluid|sump")
_OTHER = re.compile(
    r"engine|motor|cool|kühl|wasser|water|batter|akku|ambient|outside|air|luft|außen|aussen|"
    r"intake|exhaust|abgas|cabin|brake|bremse|tyre|tire|reifen|fuel"
)
_NOT_WARM = re.compile(
    r"speed|rpm|drehzahl|pressure|druck|position|level|stand|ratio|torque|moment|volt|"
    r"[\[(]\s*(bar|kpa|psi|rpm|1/min|v|%|l|nm)\s*[\])]"
)


@dataclass(frozen=True)
class Chosen:
    """The columns of a log.

    Parameters
    ----------
    time, temperature : int
        From 0.
    date, unit : int or None
        Columns of a date beside a clock time, and of the unit of each line.
    scale : float
        Seconds in one of what stands in the column of time.
    degree : {'C', 'F', 'K'} or None
        Unit that the heading names.
    name : str
        What the column of the temperature is called.
    doubt : str
        What had to be assumed of the time; empty if nothing had to be.
    """

    time: int
    temperature: int
    date: int | None
    unit: int | None
    scale: float
    degree: Unit | None
    name: str
    doubt: str


def choose(
    names: Sequence[str],
    lines: Sequence[Sequence[str]],
    *,
    time: str,
    temperature: str,
    time_unit: str,
    where: str,
) -> Chosen:
    """Choose the columns.

    Parameters
    ----------
    names : sequence of str
        Headings in lower case; none without a heading.
    lines : sequence of sequence of str
        The fields of some lines from the first one on.
    time, temperature : str
        Columns as the user gave them, by name or number from 1; empty to look for them.
    time_unit : str
        Unit of the time as the user gave it; empty to look for it.
    where : str
        The file, for complaints.

    Raises
    ------
    Complaint
        When a column is not there, or more than one may be meant.

    Examples
    --------
    >>> found = choose(
    ...     ["time (ms)", "coolant temp", "trans temp"], [["0", "80", "40"]],
    ...     time="", temperature="", time_unit="", where="drive.csv",
    ... )
    >>> found.name, found.scale
    ('trans temp', 0.001)
    """
    date = _date_column(names)
    fallback = 0 if date != 0 else 1
    at = _named(time, names, where, "time") if time else _time_column(names, fallback)
    date = None if date == at else date
    unit = next((i for i, name in enumerate(names) if _UNIT_COLUMN.fullmatch(name)), None)
    if temperature:
        warm = _named(temperature, names, where, "temperature")
    else:
        warm = _temperature_column(names, lines, {at, date, unit}, where)
    if warm == at:
        raise _none_found(where)
    scale, doubt = _scale(names[at] if at < len(names) else "", time_unit, lines, at)
    name = names[warm] if warm < len(names) else ""
    return Chosen(at, warm, date, unit, scale, unit_in_words(name), name or f"{warm + 1}", doubt)


def _none_found(where: str) -> Complaint:
    return Complaint(
        "no two columns of time and temperature were found",
        "name them with time= and temperature=",
        where=where,
        field="temperature",
    )


def _named(wanted: str, names: Sequence[str], where: str, what: str) -> int:
    if wanted.strip().lower() in names:
        return list(names).index(wanted.strip().lower())
    if wanted.isdigit() and int(wanted) >= 1:
        return int(wanted) - 1
    known = ", ".join(names) or "none are named"
    raise Complaint(f"no column {wanted!r} for the {what}", f"columns: {known}", where, what)


def _date_column(names: Sequence[str]) -> int | None:
    """The column of a date that stands beside a column of clock time."""
    has_time = any(name.split(" ")[0] in {"time", "zeit", "clock", "uhrzeit"} for name in names)
    dates = [index for index, name in enumerate(names) if name in {"date", "datum"}]
    return dates[0] if dates and has_time else None


def _time_column(names: Sequence[str], fallback: int) -> int:
    for word in _TIME_WORDS:
        for index, name in enumerate(names):
            if re.fullmatch(rf"{re.escape(word)}([\s_(\[/].*)?", name):
                return index
    likely = [i for i, name in enumerate(names) if _TIME_LIKE.search(name)]
    return likely[0] if likely else fallback


def _temperature_column(
    names: Sequence[str], lines: Sequence[Sequence[str]], taken: set[int | None], where: str
) -> int:
    free = [i for i in range(max(len(names), *map(len, lines), 0)) if i not in taken]
    if not free:
        raise _none_found(where)
    likely = _by_name(names, free) if names else free
    if not likely:
        likely = [i for i in free if _all_numbers(lines, i)] or free
    if len(likely) == 1:
        return likely[0]
    shown = ", ".join(f"{names[i]!r}" if names else f"{i + 1}" for i in likely)
    raise Complaint(
        f"more than one column may be the temperature of the gearbox: {shown}",
        f"say which, such as temperature={names[likely[-1]] if names else likely[0] + 1}",
        where=where,
        field="temperature",
    )


def _by_name(names: Sequence[str], free: Sequence[int]) -> list[int]:
    """Columns that the headings tell to be the temperature, the more likely ones alone."""
    warm = [
        i for i in free if i < len(names) and (_WARM.search(names[i]) or unit_in_words(names[i]))
    ]
    if not warm:
        warm = [
            i
            for i in free
            if i < len(names)
            and (_GEARBOX.search(names[i]) or _FLUID.search(names[i]))
            and not _NOT_WARM.search(names[i])
        ]
    gearbox = [i for i in warm if _GEARBOX.search(names[i])]
    fluid = [i for i in warm if _FLUID.search(names[i]) and not _OTHER.search(names[i])]
    plain = [i for i in warm if not _OTHER.search(names[i])]
    found = gearbox or fluid or plain or warm
    # one quantity in two units is one quantity
    return found[:1] if len({_without_unit(names[i]) for i in found}) == 1 else found


def _without_unit(name: str) -> str:
    bare = re.sub(
        r"celsius|fahrenheit|kelvin|[\[(].*?[\])]|(?:°|deg\w*)\s*[cfk]\b|[\s_][cfk]$", "", name
    )
    return bare.strip(" _-")


def _all_numbers(lines: Sequence[Sequence[str]], column: int) -> bool:
    found = [line[column] for line in lines if column < len(line) and line[column].strip()]
    return bool(found) and all(number(field) is not None for field in found)


def number(field: str) -> float | None:
    """The number in a field, if it is one."""
    try:
        return plain_number(field)
    except ValueError:
        return None


def _scale(name: str, given: str, lines: Sequence[Sequence[str]], column: int) -> tuple[float, str]:
    if given:
        return SECONDS[given], ""
    for unit, words in _TIME_UNITS:
        if re.fullmatch(rf"(?:.*[\s_\[(/,.-])?(?:{words})\s*[\])]?", name):
            return SECONDS[unit], ""
    found = [number(line[column]) for line in lines if column < len(line)]
    times = [one for one in found if one is not None]
    if not times or len(times) < len(found):
        return 1.0, ""
    # since 1970, in units of which so many have gone by only if they are that small
    for least, unit in ((1e14, "us"), (1e11, "ms")):
        if min(times) >= least:
            return SECONDS[unit], ""
    steps = sorted(later - one for one, later in itertools.pairwise(times))
    step = steps[len(steps) // 2] if steps else 0.0
    if step < LONG_STEP:
        return 1.0, ""
    return 1.0, (
        f"the unit of the time is not named: taken as seconds, {step:g} from reading to reading; "
        "give time_unit=ms if these are milliseconds"
    )
