"""What every source of temperature offers, and what may go wrong with one.

A source is opened, asked for readings one at a time, and closed. It may be
opened again after it was closed. It never blocks for longer than it was told to.
"""

from __future__ import annotations

import math
import time
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Protocol, runtime_checkable

ZERO_CELSIUS = 273.15

# A page that looks every 0.1 s must say "stale" within two seconds of the last
# good reading, so the limit itself lies a little below two seconds.
STALE_AFTER = 1.8
LOST_AFTER = 10.0

_BOOT_CLOCK: int | None = getattr(time, "CLOCK_BOOTTIME", None)


def clock() -> float:
    """Seconds on a clock that never steps and goes on while the machine sleeps.

    The usual monotonic clock of Linux stands still in sleep: a reading from before the lid
    was closed would count as current afterwards.

    Examples
    --------
    >>> before = clock()
    >>> clock() >= before
    True
    """
    if _BOOT_CLOCK is None:
        return time.monotonic()
    return time.clock_gettime(_BOOT_CLOCK)


class LinkTrouble(Exception):  # noqa: N818 - trouble, not an error of the program
    """Something between the tool and the sensor is not as it should be.

    Parameters
    ----------
    what : str
        What happened, in one sentence.
    do : str
        What to do about it; empty when there is nothing better than to wait.
    """

    def __init__(self, what: str, do: str = "") -> None:
        super().__init__(what)
        self.what = what
        self.do = do


class Silence(LinkTrouble):
    """No usable answer came in time; the link itself may be sound."""


class LinkDown(LinkTrouble):
    """The link is gone and has to be opened again."""


class Ended(LinkTrouble):
    """A log has been read to its end."""


@dataclass(frozen=True, slots=True)
class Reading:
    """One temperature, with what it was made from.

    Parameters
    ----------
    at : datetime
        When it was measured, in UTC.
    monotonic : float
        `clock` in s when it arrived here; its age is counted from this.
    seconds : float
        Seconds on the source's own axis: `clock` for a live source, the log's own time
        for a replayed one. Curves and fits use this.
    kelvin : float
        The temperature in K; NaN when none could be decoded.
    raw : str
        What came in, as it came in (bytes as hexadecimal).
    source : str
        Name of the source.
    workings : str
        How the temperature follows from the raw value.
    doubt : str
        Why it is not to be believed; empty for a good reading.

    Examples
    --------
    >>> stamp = datetime(2024, 5, 1, 8, 0, tzinfo=UTC)
    >>> r = Reading(stamp, 12.5, 12.5, 310.35, "7E8 03 41 05 4D", "coolant")
    >>> round(r.celsius, 2), r.good, r.age(14.0)
    (37.2, True, 1.5)
    """

    at: datetime
    monotonic: float
    seconds: float
    kelvin: float
    raw: str
    source: str
    workings: str = ""
    doubt: str = ""

    @property
    def celsius(self) -> float:
        """The temperature in °C."""
        return self.kelvin - ZERO_CELSIUS

    @property
    def good(self) -> bool:
        """Whether it may be believed."""
        return not self.doubt and math.isfinite(self.kelvin)

    def age(self, now: float) -> float:
        """Seconds since it arrived, at `now` as told by `clock`."""
        return now - self.monotonic


@dataclass(frozen=True, slots=True)
class Decoded:
    """What a decoder makes of raw bytes, before time and source are known.

    Parameters
    ----------
    kelvin : float
        Temperature in K, NaN when there is none.
    raw : str
        The bytes as hexadecimal.
    workings : str
        The sum that was done.
    doubt : str
        Why it is not to be believed; empty when it is.
    """

    kelvin: float
    raw: str
    workings: str = ""
    doubt: str = ""

    def with_raw(self, raw: str) -> Decoded:
        """The same with other words for what came in."""
        return replace(self, raw=raw)

    def reading(self, source: str, age: float = 0.0) -> Reading:
        """Stamp with the name of the source and the time `age` s ago."""
        now = clock() - age
        return Reading(
            at=datetime.now(UTC) - timedelta(seconds=age),
            monotonic=now,
            seconds=now,
            kelvin=self.kelvin,
            raw=self.raw,
            source=source,
            workings=self.workings,
            doubt=self.doubt,
        )


@runtime_checkable
class Source(Protocol):
    """Where temperatures come from.

    Attributes
    ----------
    name : str
        What the user calls it.
    caution : str
        What the user has to know before trusting it; may be empty.
    period : float
        Seconds between questions for a source that has to be asked; 0 for one that
        speaks by itself.
    stale_after : float
        Age in s beyond which its newest reading is no longer current.
    direct : bool
        Whether a reading comes straight from a person, so that no second one that
        agrees is waited for.
    """

    name: str
    caution: str
    period: float
    stale_after: float
    direct: bool

    def open(self) -> None:
        """Make ready to read.

        Raises
        ------
        LinkDown
            When it cannot be opened.
        """

    def read(self, timeout: float) -> Reading:
        """Wait at most `timeout` seconds for one reading.

        Raises
        ------
        Silence
            When nothing usable came in time.
        LinkDown
            When the link is gone.
        Ended
            When a log is at its end.
        """

    def close(self) -> None:
        """Let go of whatever `open` took hold of; never raises."""
