"""A recorded log played back: as it happened, faster, or as fast as it can be read."""

from __future__ import annotations

import contextlib
import math
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import can

from sumpwright.errors import Complaint
from sumpwright.link.canlink import AnswerListener
from sumpwright.link.csvcolumns import SECONDS
from sumpwright.link.csvlog import Columns, Row, rows, taken
from sumpwright.link.describe import PID, SCALE_OPTIONS, Kind, Option, Values
from sumpwright.link.j1939 import J1939Listener
from sumpwright.link.soak import read_soak
from sumpwright.link.source import (
    STALE_AFTER,
    ZERO_CELSIUS,
    Decoded,
    Ended,
    LinkDown,
    Reading,
    Silence,
    clock,
)

CAN_LOGS = (".asc", ".blf", ".log", ".trc")
# seconds since 1970 are absolute; anything smaller counts from the start of a drive
_ABSOLUTE = 1e8

REPLAY_KIND = Kind(
    "replay",
    "a recorded log: time and temperature (CSV, soak), or CAN frames (ASC, BLF)",
    "a file",
    "replay:soak.csv?speed=60",
    (
        Option("speed", "times as fast as it happened; 0 as fast as can be", "number", "1", 0, 1e6),
        Option("time", "column of the time, by name or number from 1", "text", ""),
        Option("temperature", "column of the temperature, by name or number from 1", "text", ""),
        Option(
            "time_unit",
            "unit of the times where the heading does not say",
            "choice",
            "",
            choices=tuple(SECONDS),
        ),
        Option(
            "as",
            "how CAN frames are read",
            "choice",
            "j1939",
            choices=("j1939", "legislated", "uds"),
        ),
        Option("sa", "address of the gearbox (j1939)", "hex", "", 0, 253),
        Option("rx", "identifier of the answers (legislated, uds)", "hex", "7E8", 0, 0x1FFFFFFF),
        Option("did", "data identifier (uds)", "hex", "", 0, 0xFFFF),
        PID,
        *(
            Option(
                "unit",
                "unit of the temperatures where the file does not say",
                "choice",
                "",
                choices=("C", "F", "K"),
            )
            if option.key == "unit"
            else option
            for option in SCALE_OPTIONS
        ),
    ),
)


class Replay:
    """Play a log back.

    Each reading comes when it is due, measured from the first one and divided by the
    speed, and counts as current from then. ``reading.at`` and ``reading.seconds`` keep
    the log's own time. The file is read as it is played: a log of any length takes the
    same memory.

    Parameters
    ----------
    values : Values
        Checked settings: the file, its speed and how it is read.
    """

    period = 0.0
    direct = False

    def __init__(self, values: Values) -> None:
        self._path = Path(values.description.place).expanduser()
        self._speed = values.number("speed")
        self._values = values
        self.name = values.name(self._path.name)
        self.stale_after = values.stale(STALE_AFTER)
        self.caution = self._caution()
        if self._is_can and values.text("as") == "uds" and not values.has("did"):
            raise Complaint("replaying as=uds needs did", "give the identifier", field="did")
        self._coming: Iterator[Reading] | None = None
        self._next: Reading | None = None
        self._began: tuple[float, float] | None = None
        self._any = False

    def _caution(self) -> str:
        """That it is no machine, which column is read, and what had to be assumed."""
        words = "This is a recording, not the machine in front of you."
        if not self._is_table or not self._path.is_file():
            return words
        # what cannot be read is told when it is played
        with contextlib.suppress(Complaint, OSError):
            words = f"{words} {taken(self._path, self._columns)}"
        return words

    @property
    def _columns(self) -> Columns:
        keys = ("time", "temperature", "unit", "time_unit")
        return Columns(**{key: self._values.text(key) for key in keys})

    @property
    def _is_table(self) -> bool:
        return not self._is_can and self._path.suffix.lower() != ".soak"

    @property
    def _is_can(self) -> bool:
        return self._path.suffix.lower() in CAN_LOGS

    def open(self) -> None:
        """Start at the beginning of the file."""
        self.close()
        if not self._path.is_file():
            # it will not come by being waited for, as a cable does
            raise Ended(f"{self._path} is not a file", "check the path")
        self._coming = self.readings()

    def close(self) -> None:
        """Let go of the file."""
        self._coming = self._next = self._began = None
        self._any = False

    def readings(self) -> Iterator[Reading]:
        """All readings of the file in turn, without waiting.

        Raises
        ------
        LinkDown
            When the file cannot be read on.
        """
        try:
            if self._is_can:
                yield from self._can_readings()
            elif self._is_table:
                yield from self._csv_readings()
            else:
                yield from self._soak_readings()
        except (Complaint, LinkDown):
            raise
        except Exception as error:
            # a damaged file makes the readers of python-can raise nearly anything
            raise LinkDown(
                f"{self._path.name} cannot be read: {error}", "check the file"
            ) from error

    def read(self, timeout: float) -> Reading:
        """The next reading when it is due, if that is within `timeout` s."""
        if self._coming is None:
            raise Silence("the log is not open")
        if self._next is None:
            try:
                self._next = next(self._coming)
                self._any = True
            except StopIteration:
                if not self._any:
                    raise Ended(
                        "no temperature was found in the log",
                        "check its columns, or how its frames are to be read",
                    ) from None
                raise Ended("the log has ended") from None
            except LinkDown as down:
                # opening it again would only play the sound part once more
                raise Ended(down.what, down.do) from down
            except Complaint as complaint:
                raise Ended(complaint.what, complaint.do) from complaint
        now = time.monotonic()
        if self._speed > 0.0:
            if self._began is None:
                self._began = (now, self._next.seconds)
            due = self._began[0] + (self._next.seconds - self._began[1]) / self._speed
            if due - now > timeout:
                time.sleep(timeout)
                raise Silence("the log pauses here")
            if due > now:
                time.sleep(due - now)
        reading, self._next = self._next, None
        return replace(reading, monotonic=clock())

    def _csv_readings(self) -> Iterator[Reading]:
        stamp = _Stamp(self.name)
        for row in rows(self._path, self._columns):
            yield stamp.row(row)

    def _soak_readings(self) -> Iterator[Reading]:
        stamp = _Stamp(self.name)
        with self._path.open("rb") as file:
            for seconds, kelvins in read_soak(file):
                for when, kelvin in zip(seconds.tolist(), kelvins.tolist(), strict=True):
                    yield stamp.decoded(Decoded(kelvin, f"{kelvin - ZERO_CELSIUS:.3f} °C"), when)

    def _can_readings(self) -> Iterator[Reading]:
        listener = self._listener()
        stamp = _Stamp(self.name)
        options = {"relative_timestamp": False} if self._path.suffix.lower() == ".asc" else {}
        with can.LogReader(self._path, **options) as log:
            for frame in log:
                if frame.is_error_frame or frame.is_remote_frame:
                    continue
                found = listener(frame)
                if found is not None:
                    yield stamp.decoded(found, frame.timestamp)
            told = getattr(log, "file_size", 0)
        if told > self._path.stat().st_size or _unended(self._path):
            raise LinkDown(
                f"{self._path.name} is cut short: its end is missing",
                "what came before counts; copy it again for the rest",
            )

    def _listener(self) -> Callable[[can.Message], Decoded | None]:
        values = self._values
        if values.text("as") == "legislated":
            return AnswerListener.of_parameter(values.whole("rx"), int(values.text("pid"), 16))
        if values.text("as") == "uds":
            return AnswerListener.of_identifier(
                values.whole("rx"), values.whole("did"), values.scaling()
            )
        return J1939Listener(values.whole("sa") if values.has("sa") else None)


def _unended(path: Path) -> bool:
    """Whether an ASC log breaks off: what began a block of frames has to end it."""
    if path.suffix.lower() != ".asc":
        return False
    with path.open("rb") as file:
        head = file.read(4096).lower()
        file.seek(max(path.stat().st_size - 200, 0))
        tail = file.read().lower()
    return b"begin triggerblock" in head and b"end triggerblock" not in tail


class _Stamp:
    """Gives readings the log's time, and doubts a time that runs backwards."""

    def __init__(self, source: str) -> None:
        self._source = source
        self._opened = datetime.now(UTC).timestamp()
        self._latest = -math.inf
        self._first: float | None = None

    def row(self, row: Row) -> Reading:
        return self.decoded(Decoded(row.kelvin, row.raw, row.workings, row.doubt), row.seconds)

    def decoded(self, found: Decoded, seconds: float) -> Reading:
        doubt = found.doubt
        if not math.isfinite(seconds):
            doubt = doubt or "no time"
            seconds = self._latest if math.isfinite(self._latest) else 0.0
        elif seconds < self._latest:
            doubt = doubt or "its time lies before the reading above it"
            seconds = self._latest
        if self._first is None:
            self._first = seconds
        self._latest = max(seconds, self._latest)
        epoch = seconds if abs(seconds) > _ABSOLUTE else self._opened + seconds - self._first
        try:
            at = datetime.fromtimestamp(epoch, UTC)
        except (OverflowError, OSError, ValueError):
            at, doubt = datetime.fromtimestamp(self._opened, UTC), doubt or "its time is no time"
        return Reading(
            at=at,
            monotonic=0.0,
            seconds=seconds,
            kelvin=found.kelvin,
            raw=found.raw,
            source=self._source,
            workings=found.workings,
            doubt=doubt,
        )
