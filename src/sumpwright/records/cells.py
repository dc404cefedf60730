"""The cells of a table: numbers, dates and words, by the ways of writing that its file shows.

One cell alone may mean two things: 21.400 is twenty-one and four tenths, or a thousand
times as much. What all cells of a file show together decides; where nothing does, the
cell is a fault and nothing is guessed.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable
from datetime import date, timedelta
from typing import Literal

from sumpwright.errors import Complaint
from sumpwright.planning.plausible import check_day


class Formula(str):
    """A formula of a workbook whose result the file does not hold."""

    __slots__ = ()


Cell = str | float | date | None
Habit = bool | Literal["both"] | None
"""How a file writes: yes, no, both ways equally often, or ``None`` when nothing shows it."""

_GROUPERS = " '’\u00a0\u202f"
_PLAIN_NUMBER = re.compile(rf"[+-]?(?:\d+(?:[{_GROUPERS}]\d{{3}})*|\d+)?(?:[.,]\d+)*")
_BELOW = "<≤"
_TWO_MEANINGS = re.compile(r"[+-]?[1-9]\d{0,2}[.,]\d{3}")
_GROUPED = re.compile(r"[+-]?\d{1,3}(?:([.,])\d{3})(?:\1\d{3})*(?:(?!\1)[.,]\d+)?")


def _split(text: str) -> tuple[str, str]:
    """Take a number off the front of a text: its digits and marks, and what follows."""
    text = text.replace("−", "-").strip()
    match = _PLAIN_NUMBER.match(text)
    body = match[0] if match else ""
    return re.sub(rf"[{_GROUPERS}]", "", body), text[len(body) :].strip()


def _decimal_mark(digits: str) -> str:
    """Return the decimal sign that a number shows for certain; nothing where it shows none."""
    marks = re.findall(r"[.,]", digits)
    if len(marks) > 1:
        if not _GROUPED.fullmatch(digits):
            return ""
        return "." if marks[0] == "," else ","
    return marks[0] if marks and not _TWO_MEANINGS.fullmatch(digits) else ""


def decimal_comma(texts: Iterable[str]) -> Habit:
    """Whether a file writes 12,5 for twelve and a half, from all its numbers.

    A single point or comma before exactly three digits shows nothing; 12,5 and 1.234,5
    and 1.234.567 show a decimal comma. Where the file shows both, the more frequent
    way counts and the other rows are at fault.

    Examples
    --------
    >>> decimal_comma(["21.400", "12,5 h"]), decimal_comma(["21.400", "4.125"])
    (True, None)
    >>> decimal_comma(["1,022,150"]), decimal_comma(["4.1", "0,5"])
    (False, 'both')
    """
    seen = Counter(_decimal_mark(_split(text.lstrip(_BELOW))[0]) for text in texts)
    return _habit(seen[","], seen["."])


def _habit(yes: int, no: int) -> Habit:
    if yes == no:
        return "both" if yes else None
    return yes > no


def read_number(cell: Cell, comma: Habit) -> tuple[float, str]:
    """Read a number and what follows it, by the decimal sign that the file uses.

    Parameters
    ----------
    cell : str or float
    comma : Habit
        As `decimal_comma` gives it.

    Returns
    -------
    value : float
    rest : str
        A unit, or nothing.

    Raises
    ------
    Complaint
        No number, one that can mean two, or one that the file's other numbers contradict.

    Examples
    --------
    >>> read_number("1.234,5 mg/kg", True)
    (1234.5, 'mg/kg')
    >>> read_number("21.400", None)
    Traceback (most recent call last):
    ...
    sumpwright.errors.Complaint: '21.400' can mean 21.4 or 21400, and no other number of the file \
shows which; write 21400, or 21.4 if it is a fraction
    """
    if isinstance(cell, float):
        return cell, ""
    _refuse_formula(cell)
    digits, rest = _split(str(cell))
    if not re.search(r"\d", digits):
        raise Complaint(f"'{str(cell)[:40]}' is not a number", "write a number")
    marks = re.findall(r"[.,]", digits)
    if len(marks) > 1 and not _GROUPED.fullmatch(digits):
        raise Complaint(f"'{digits}' is not one number", "write one number")
    own = _decimal_mark(digits)
    if own and comma is not None and comma != (own == ","):
        _contradicted(digits, own, comma)
    if marks and not own:
        if not isinstance(comma, bool):
            raise _two_meanings(digits, marks[0])
        own = "," if comma else "."
    grouping = "." if own == "," else ","
    return float(digits.replace(grouping, "").replace(",", ".")), rest


def _contradicted(digits: str, own: str, comma: Habit) -> None:
    names = {",": "comma", ".": "point"}
    if comma == "both":
        raise Complaint(
            f"'{digits}' has a decimal {names[own]}, and other numbers of the file a decimal "
            f"{names[',' if own == '.' else '.']}",
            "write them all alike",
        )
    raise Complaint(
        f"'{digits}' does not fit a file that writes decimals with a "
        f"{names[',' if comma else '.']}",
        "correct it",
    )


def _two_meanings(digits: str, mark: str) -> Complaint:
    whole, _, decimals = digits.partition(mark)
    short = decimals.rstrip("0")
    # Exactly three decimals would be asked about again.
    clear = decimals + "0" if len(short) == 3 else short or "0"
    fraction = f"{whole}{mark}{clear}"
    return Complaint(
        f"'{digits}' can mean {whole}{short and '.' + short} or {whole}{decimals}, and no other "
        "number of the file shows which",
        f"write {whole}{decimals}, or {fraction} if it is a fraction",
    )


def read_words(cell: Cell) -> str:
    """Read a cell that holds words, though a spreadsheet may have made a number of them.

    Raises
    ------
    Complaint
        A formula without its result.

    Examples
    --------
    >>> read_words("Van 7"), read_words(1234567.0), read_words(7.5)
    ('Van 7', '1234567', '7.5')
    """
    _refuse_formula(cell)
    if isinstance(cell, float):
        return str(int(cell)) if cell.is_integer() else f"{cell:g}"
    return str(cell)


def _refuse_formula(cell: Cell) -> None:
    if isinstance(cell, Formula):
        raise Complaint(
            f"the formula {cell[:40]} has no result in the file",
            "open it in a spreadsheet program and save it again, or write the value",
        )


_SLASHED = re.compile(r"(\d{1,2})[/.\-](\d{1,2})[/.\-](\d{4})\b")
_ISO = re.compile(r"(\d{4})-(\d{1,2})-(\d{1,2})(?:[T ]\d{1,2}:\d{2}.*)?$")
_EXCEL_ZERO = date(1899, 12, 30)


def _shown_order(slashed: re.Match[str]) -> bool | None:
    """Whether a date has its day first; ``None`` when it does not show."""
    a, b = int(slashed[1]), int(slashed[2])
    if "." in slashed[0] or a > 12:
        return True
    return False if b > 12 else None


def day_first(texts: Iterable[str]) -> Habit:
    """Whether a file writes 3/4/2025 for the third of April, from all its dates.

    Examples
    --------
    >>> day_first(["3/4/2025", "25/4/2025"]), day_first(["3/4/2025", "3/25/2025"])
    (True, False)
    >>> day_first(["3/4/2025"]), day_first(["25/3/2026", "3/26/2026"])
    (None, 'both')
    """
    found = [match for text in texts if (match := _SLASHED.match(text)) is not None]
    seen = Counter(_shown_order(match) for match in found)
    return _habit(seen[True], seen[False])


def read_date(cell: Cell, day_first: Habit) -> date:
    """Read a date written as 2025-03-31, 31.03.2025, 31/3/2025 or 3/31/2025.

    Raises
    ------
    Complaint
        No date, one that can mean two days, one whose order the file's other dates
        contradict, or one before any machine in use.

    Examples
    --------
    >>> read_date("31.03.2025", None)
    datetime.date(2025, 3, 31)
    """
    return check_day(_read_date(cell, day_first))


def _read_date(cell: Cell, day_first: Habit) -> date:
    if isinstance(cell, date):
        return cell
    if isinstance(cell, float) and 20_000 < cell < 80_000:
        return _EXCEL_ZERO + timedelta(days=int(cell))
    _refuse_formula(cell)
    text = str(cell).strip()
    iso, slashed = _ISO.match(text), _SLASHED.match(text)
    try:
        if iso is not None:
            return date(int(iso[1]), int(iso[2]), int(iso[3]))
        if slashed is not None:
            a, b, year = int(slashed[1]), int(slashed[2]), int(slashed[3])
            first = _in_order(text, slashed, day_first)
            return date(year, b, a) if first else date(year, a, b)
    except ValueError:
        raise Complaint(f"'{text[:40]}' is no day of the calendar", "correct it") from None
    raise Complaint(f"'{text[:40]}' is not a date", "write it like 2025-03-31")


def _in_order(text: str, slashed: re.Match[str], day_first: Habit) -> bool:
    own = _shown_order(slashed)
    do = "write dates like 2025-03-31 in every row"
    if own is None:
        if slashed[1] != slashed[2] and not isinstance(day_first, bool):
            raise Complaint(f"'{text[:40]}' can be two dates", do)
        return day_first is True
    if day_first is not None and own != day_first:
        names = ("month", "day")
        raise Complaint(
            f"'{text[:40]}' has the {names[own]} first, other dates of the file have the "
            f"{names[not own]} first",
            do,
        )
    return own
