"""Keep the newest reading of a source and say honestly how old it is."""

from __future__ import annotations

import logging
import threading
import time
from collections import deque
from collections.abc import AsyncIterator, Callable
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import Literal, Self

import anyio

from sumpwright.link.plausible import DIRECT, Judge, Limits
from sumpwright.link.source import (
    LOST_AFTER,
    Ended,
    LinkDown,
    LinkTrouble,
    Reading,
    Silence,
    Source,
    clock,
)

log = logging.getLogger(__name__)

State = Literal["waiting", "fresh", "stale", "lost"]


@dataclass(frozen=True, slots=True)
class Status:
    """What a watch knows at one moment.

    Parameters
    ----------
    state : {'waiting', 'fresh', 'stale', 'lost'}
        Nothing yet; current; too old to be current; so old that the link is given up.
    current : Reading or None
        The newest good reading while it is fresh, else None.
    last : Reading or None
        The newest good reading however old.
    refused : Reading or None
        The newest reading if it was not believed: raw bytes and the reason.
    age : float or None
        Age of `last` in s.
    trouble, do : str
        What is wrong with the link and what to do; empty when all is well.
    connected : bool
        Whether the source is open.
    ended : bool
        Whether a log has been read to its end.
    count : int
        Good readings so far.
    turn : int
        Grows with every change; compare it to see whether there is news.
    """

    state: State
    current: Reading | None
    last: Reading | None
    refused: Reading | None
    age: float | None
    trouble: str
    do: str
    connected: bool
    ended: bool
    count: int
    turn: int


class Watch:
    """Read a source in the background, for as long as it takes.

    A reading is current only while it is younger than `stale_after`: this is decided
    from the clock whenever somebody asks, so that a source that hangs or an unplugged
    cable shows as stale on its own. A lost link is opened again after a pause that
    doubles up to its longest.

    Parameters
    ----------
    source : Source
        What to read.
    stale_after : float, optional
        Age in s beyond which a reading is not current; the source's own unless given.
    lost_after : float
        Age in s beyond which the link counts as lost and is opened anew.
    timeout : float
        Longest wait in s for one reading.
    limits : Limits, optional
        Plausibility; a source typed by hand is spared the jump limit.
    pause : tuple of float
        First and longest pause in s before opening again.
    keep : int
        Good readings kept for `recent`.

    Examples
    --------
    >>> from sumpwright.link.hand import Hand
    >>> hand = Hand()
    >>> with Watch(hand) as watch:
    ...     before = watch.status()
    ...     hand.put(311.15)
    ...     after = watch.wait(before, timeout=5.0)
    >>> before.state, after.state, round(after.current.celsius, 1)
    ('waiting', 'fresh', 38.0)
    """

    def __init__(
        self,
        source: Source,
        *,
        stale_after: float | None = None,
        lost_after: float = LOST_AFTER,
        timeout: float = 1.0,
        limits: Limits | None = None,
        pause: tuple[float, float] = (0.25, 4.0),
        keep: int = 20_000,
    ) -> None:
        self.source = source
        self.stale_after = source.stale_after if stale_after is None else stale_after
        self.lost_after = max(lost_after, 2.0 * self.stale_after)
        self._timeout = timeout
        self._judge = Judge(limits or (DIRECT if source.direct else Limits()))
        self._pause = pause
        self._stopping = threading.Event()
        self._news = threading.Condition()
        self._thread: threading.Thread | None = None
        self._recent: deque[Reading] = deque(maxlen=keep)
        self._last: Reading | None = None
        self._refused: Reading | None = None
        self._trouble: tuple[str, str] = ("", "")
        self._connected = False
        self._ended = False
        self._count = 0
        self._turn = 0
        self._listeners: list[Callable[[Reading], None]] = []

    def start(self) -> Self:
        """Begin reading in a thread of its own."""
        if self._thread is None:
            self._thread = threading.Thread(
                target=self._run, name=f"watch {self.source.name}", daemon=True
            )
            self._thread.start()
        return self

    def stop(self) -> None:
        """Stop reading and let go of the source."""
        self._stopping.set()
        with self._news:
            self._news.notify_all()
        if self._thread is not None and self._thread is not threading.current_thread():
            self._thread.join(self._timeout + 6.0)

    def __enter__(self) -> Self:
        return self.start()

    def __exit__(self, *_: object) -> None:
        self.stop()

    def listen(self, heard: Callable[[Reading], None]) -> None:
        """Call `heard` with every reading, believed or not, from the watch's thread.

        It has to be quick; a recorder is meant. If it raises, it is not called again.
        """
        self._listeners.append(heard)

    def status(self) -> Status:
        """What is known now."""
        with self._news:
            return self._status()

    def wait(self, seen: Status | None = None, timeout: float = 1.0) -> Status:
        """Wait until there is something newer than `seen`, at most `timeout` s.

        Parameters
        ----------
        seen : Status, optional
            What was known before; without it, the present.
        timeout : float
            Longest wait in s.

        Returns
        -------
        Status
            The news: another reading, another trouble, or the same reading gone stale.
        """
        deadline = time.monotonic() + timeout
        with self._news:
            before = seen or self._status()
            while True:
                now = self._status()
                left = deadline - time.monotonic()
                changed = (now.turn, now.state) != (before.turn, before.state)
                if changed or left <= 0.0 or self._stopping.is_set():
                    return now
                self._news.wait(min(left, self._until_older(now)))

    async def follow(self, every: float = 1.0, look: float = 0.1) -> AsyncIterator[Status]:
        """Yield the status on every change, and at least every `every` s.

        Parameters
        ----------
        every : float
            Longest silence in s.
        look : float
            Seconds between two looks; bounds how late a change is told.
        """
        seen = self.status()
        yield seen
        told = time.monotonic()
        while not self._stopping.is_set():
            await anyio.sleep(look)
            now = self.status()
            changed = (now.turn, now.state) != (seen.turn, seen.state)
            if changed or time.monotonic() - told >= every:
                seen, told = now, time.monotonic()
                yield now

    def recent(self, seconds: float = float("inf")) -> tuple[Reading, ...]:
        """The good readings of the last `seconds`, oldest first."""
        with self._news:
            if not self._recent:
                return ()
            since = self._recent[-1].seconds - seconds
            return tuple(reading for reading in self._recent if reading.seconds >= since)

    def _status(self) -> Status:
        last = self._last
        age = None if last is None else last.age(clock())
        state: State = "waiting"
        if age is not None:
            fresh, lost = age < self.stale_after, age >= self.lost_after
            state = "fresh" if fresh else "lost" if lost else "stale"
        return Status(
            state=state,
            current=last if state == "fresh" else None,
            last=last,
            refused=self._refused,
            age=age,
            trouble=self._trouble[0],
            do=self._trouble[1],
            connected=self._connected,
            ended=self._ended,
            count=self._count,
            turn=self._turn,
        )

    def _until_older(self, status: Status) -> float:
        if status.age is None:
            return 60.0
        ahead = [at - status.age for at in (self.stale_after, self.lost_after)]
        return min((gap + 0.001 for gap in ahead if gap > 0.0), default=60.0)

    def _run(self) -> None:
        pause = self._pause[0]
        while not self._stopping.is_set():
            before = self._count
            try:
                self.source.open()
                self._note(connected=True)
                self._read_on()
                return
            except Ended as end:
                self._note(trouble=end, ended=True)
                return
            except LinkTrouble as trouble:
                self._note(trouble=trouble)
            except Exception as error:
                # the thread must outlive any driver; what a driver raises is not ours to list
                log.exception("source %s failed", self.source.name)
                self._note(trouble=LinkDown(f"the source failed: {error}"))
            finally:
                with suppress(Exception):
                    self.source.close()
                self._connected = False
            pause = self._pause[0] if self._count > before else min(2.0 * pause, self._pause[1])
            self._stopping.wait(pause)

    def _read_on(self) -> None:
        silent_since = time.monotonic()
        while not self._stopping.is_set():
            asked = time.monotonic()
            try:
                reading = self.source.read(self._timeout)
            except Silence as silence:
                # a person who types nothing is no trouble, and cannot be plugged in anew
                if silence.what:
                    if time.monotonic() - silent_since >= self.lost_after:
                        raise LinkDown(silence.what, silence.do) from silence
                    self._note(trouble=silence)
            else:
                silent_since = time.monotonic()
                self._take(reading)
            rest = self.source.period - (time.monotonic() - asked)
            if self.source.period > 0.0 and rest > 0.0:
                self._stopping.wait(rest)

    def _take(self, reading: Reading) -> None:
        doubt = reading.doubt or self._judge.doubt(reading.kelvin, reading.seconds)
        if doubt != reading.doubt:
            reading = replace(reading, doubt=doubt)
        with self._news:
            if doubt:
                self._refused = reading
            else:
                self._last = reading
                self._refused = None
                self._recent.append(reading)
                self._count += 1
                self._trouble = ("", "")
            self._turn += 1
            self._news.notify_all()
        for heard in tuple(self._listeners):
            try:
                heard(reading)
            except Exception:
                log.exception("a listener failed and is not called again")
                self._listeners.remove(heard)

    def _note(
        self, *, trouble: LinkTrouble | None = None, connected: bool = False, ended: bool = False
    ) -> None:
        with self._news:
            words = (trouble.what, trouble.do) if trouble else self._trouble
            connected = connected or (isinstance(trouble, Silence) and self._connected)
            news = words != self._trouble or connected != self._connected or ended
            self._trouble = words
            self._connected = connected
            self._ended = ended
            if news:
                self._turn += 1
                self._news.notify_all()
