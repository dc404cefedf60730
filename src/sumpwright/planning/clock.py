"""Dates and seconds: planning computes in seconds since 1970, people read dates."""

from __future__ import annotations

import math
from datetime import UTC, date, datetime, timedelta

Moment = date | datetime | float
DAY = 86_400
"""s"""
YEAR = 31_556_952
"""s; the mean year of the calendar in use, 365.2425 days."""
MONTH = YEAR // 12
"""s; a twelfth of a year, a whole number of seconds."""
_EPOCH = date(1970, 1, 1)
_LAST = (date(9999, 12, 31) - _EPOCH).days


def seconds(when: Moment) -> float:
    """Seconds since 1970-01-01 UTC; a bare date is its midnight, a number is itself.

    Raises
    ------
    ValueError
        For a time of day without its time zone.

    Examples
    --------
    >>> seconds(date(1970, 1, 2))
    86400.0
    """
    if isinstance(when, float):
        return when
    if isinstance(when, datetime):
        if when.tzinfo is None:
            raise ValueError("a time of day needs its time zone")
        return when.timestamp()
    return float((when - _EPOCH).days * DAY)


def day(at: float) -> date | None:
    """Return the date of a moment; ``None`` when it is never, or beyond the calendar.

    Examples
    --------
    >>> day(86400.0)
    datetime.date(1970, 1, 2)
    >>> day(float("inf")) is None
    True
    """
    if not math.isfinite(at):
        return None
    days = math.floor(at / DAY)
    return _EPOCH + timedelta(days=days) if -719_162 <= days <= _LAST else None


def today() -> date:
    """Today's date, UTC."""
    return datetime.now(UTC).date()
