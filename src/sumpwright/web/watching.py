"""Temperatures of jobs while they are set level: which source is watched, and what it said.

One source is watched for each job. Its thread belongs to `sumpwright.link.watch.Watch`;
here is who starts and stops it, and a clerk who keeps its log in the records as it grows,
so that a crash costs no more than `KEEP_EVERY` seconds of it.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from sumpwright.errors import Complaint
from sumpwright.physics.warmup import WarmupForecast, forecast_warmup
from sumpwright.planning.level_port import Flow
from sumpwright.records.temperatures import Watched

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from sumpwright.link.describe import Description
    from sumpwright.link.source import Reading
    from sumpwright.link.watch import Watch
    from sumpwright.records.store import Store
    from sumpwright.records.temperatures import Growing

log = logging.getLogger("sumpwright.web.watching")

KEEP_EVERY = 20.0
"""Seconds between two stretches of a log that are put into the records."""

LOOK_HOLDS = 120.0
"""Seconds for which what the hand saw at the port is believed; an assumption."""

MOST_WATCHES = 20
"""Sources watched at a time; more are a mistake."""

SHOWN = 2700.0
"""Seconds of readings that the live curve shows."""


@dataclass(frozen=True)
class Look:
    """What the hand saw at the port, and when on the server's own clock [s]."""

    flow: Flow = ""
    engine: bool = False
    at: float = -1e9

    @property
    def fresh(self) -> bool:
        """Whether it was seen lately enough to act on."""
        return time.monotonic() - self.at < LOOK_HOLDS


@dataclass(frozen=True)
class Finished:
    """A log kept as a file: the body of its ``logged`` entry, and how far it had grown.

    ``live`` when it was heard from the fluid itself, not played from a recording or
    taken from another part of the machine.
    """

    job: str
    body: dict[str, Any]
    last: str
    by: str = ""
    live: bool = False


@dataclass
class Watching:
    """A source watched for a job.

    Parameters
    ----------
    job : str
    description : Description
    watch : Watch
    name : str
        What the user calls it.
    tidy : callable
        Run when it is stopped, to do away with an uploaded file.
    """

    job: str
    description: Description
    watch: Watch
    name: str
    tidy: Callable[[], None] | None = None
    pending: list[tuple[float, float]] = field(default_factory=list)
    lock: threading.Lock = field(default_factory=threading.Lock)
    forecast: tuple[tuple[Any, ...], float, WarmupForecast] | None = None

    @property
    def replay(self) -> bool:
        """Whether it plays a recording."""
        return self.description.kind == "replay"

    def hear(self, reading: Reading) -> None:
        """Take a reading for the log, from the watch's thread."""
        if reading.good:
            with self.lock:
                self.pending.append((reading.at.timestamp(), reading.kelvin))

    def take(self) -> list[tuple[float, float]]:
        """Hand over what has gathered for the log."""
        with self.lock:
            taken, self.pending = self.pending, []
        return taken

    def ahead(self, window: tuple[float, float], now: float | None) -> WarmupForecast | None:
        """Forecast the window from the last readings, at most once a second."""
        readings = self.watch.recent(900.0)
        if not readings:
            return None
        key = (window, readings[-1].seconds, len(readings))
        with self.lock:
            known = self.forecast
        if known is not None and (known[0] == key or time.monotonic() - known[1] < 1.0):
            return known[2]
        made = forecast(
            np.array([r.seconds for r in readings]),
            np.array([r.kelvin for r in readings]),
            window,
            now,
        )
        with self.lock:
            self.forecast = (key, time.monotonic(), made)
        return made


def forecast(
    seconds: NDArray[np.float64],
    kelvin: NDArray[np.float64],
    window: tuple[float, float],
    now: float | None = None,
) -> WarmupForecast:
    """Forecast the window; as many readings as a person would look at are enough."""
    every = max(1, len(seconds) // 600)
    return forecast_warmup(
        seconds[::-1][::every][::-1], kelvin[::-1][::every][::-1], *window, now=now
    )


class WatchKeeper:
    """Who starts, stops and remembers the watches of all jobs.

    Parameters
    ----------
    store : Store
    """

    def __init__(self, store: Store) -> None:
        self._store = store
        self._watches: dict[str, Watching] = {}
        self._looks: dict[str, Look] = {}
        self._lock = threading.RLock()
        self._stopping = threading.Event()
        self._clerk: threading.Thread | None = None

    def of(self, job: str) -> Watching | None:
        """Return what is watched for a job."""
        return self._watches.get(job)

    def start(
        self, job: str, source: str | Description, *, tidy: Callable[[], None] | None = None
    ) -> Watching:
        """Watch a source for a job in place of the one before.

        Raises
        ------
        Complaint
            When the description is wrong, or too many sources are watched.
        """
        from sumpwright.link.describe import Description
        from sumpwright.link.sources import build
        from sumpwright.link.watch import Watch

        description = Description.parse(source) if isinstance(source, str) else source
        made = build(description)
        with self._lock:
            self.stop(job)
            if len(self._watches) >= MOST_WATCHES:
                raise Complaint(
                    f"{len(self._watches)} sources are watched already", "stop one of them"
                )
            watching = Watching(job, description, Watch(made), made.name, tidy)
            watching.watch.listen(watching.hear)
            self._store.temperatures.begin(
                job, Watched(str(description), made.name, not made.caution)
            )
            watching.watch.start()
            self._watches[job] = watching
            if self._clerk is None:
                self._clerk = threading.Thread(target=self._keep_on, name="log clerk", daemon=True)
                self._clerk.start()
        return watching

    def stop(self, job: str) -> None:
        """Stop watching for a job; what was read stays in its log."""
        with self._lock:
            watching = self._watches.pop(job, None)
        if watching is not None:
            watching.watch.stop()
            self.put_by(watching)
            if watching.tidy is not None:
                watching.tidy()

    def close(self) -> None:
        """Stop everything, as the server does when it ends."""
        self._stopping.set()
        for job in tuple(self._watches):
            self.stop(job)
        clerk, self._clerk = self._clerk, None
        if clerk is not None:
            clerk.join(5.0)

    @property
    def closing(self) -> bool:
        """Whether the server is ending."""
        return self._stopping.is_set()

    def look(self, job: str) -> Look:
        """Return what the hand saw last at the port of a job."""
        return self._looks.get(job, Look())

    def see(self, job: str, flow: Flow, engine: bool) -> None:
        """Take what the hand sees at the port now."""
        self._looks[job] = Look(flow, engine, time.monotonic())

    def broken_off(self, job: str) -> Watched | None:
        """Return what was watched for a job when the server ended, and is watched no longer."""
        return None if self.of(job) else self._store.temperatures.heard(job)

    def finish(self, job: str, by: str = "") -> tuple[Finished, ...]:
        """Stop watching, and keep each log as a file that an entry can name.

        Readings of two sources are never mixed into one. Until `settle` is called with a
        log, a crash brings it once more, not less.
        """
        self.stop(job)
        self._looks.pop(job, None)
        growing = self._store.temperatures.growing(job)
        kept = tuple(self._finished(job, log, by) for log in growing if log.count)
        if growing and not kept:
            self._store.temperatures.drop(job, growing[-1].last)
        # what came after the last reading goes with it
        return (*kept[:-1], replace(kept[-1], last=growing[-1].last)) if kept else ()

    def _finished(self, job: str, log: Growing, by: str) -> Finished:
        from sumpwright.link.soak import pack, unpack
        from sumpwright.records.temperatures import LOG_TYPE

        seconds, kelvin = unpack(log.data)
        # A clock may have been set back while it was watched.
        order = np.argsort(seconds, kind="stable")
        seconds, kelvin = seconds[order], kelvin[order]
        kept = self._store.attachments.add(
            pack(seconds, kelvin), LOG_TYPE, name=f"temperature-{job[-6:]}.soak", by=by
        )
        body = {
            "attachment": kept.sha256,
            "what": "temperature",
            "readings": int(seconds.size),
            "lowest": float(kelvin.min()),
            "highest": float(kelvin.max()),
            "seconds": float(seconds.max() - seconds.min()),
        }
        heard = log.heard
        if heard is not None and heard.name:
            body["source"] = heard.name
        return Finished(job, body, log.last, by, heard is not None and heard.live)

    def settle(self, finished: Finished) -> None:
        """Let go of what grew, once the entry that names the file is in the log.

        What was heard from the fluid ages it, and is counted without being told again. A
        recording may be of any day, and coolant is not the fluid: those are counted only
        where somebody says so.
        """
        from sumpwright.link.kept import count_log

        self._store.temperatures.drop(finished.job, finished.last)
        if finished.live:
            # A log of a moment has no two readings to count.
            with suppress(Complaint):
                state = self._store.jobs.state(finished.job)
                count_log(self._store, state, finished.body["attachment"], finished.by)

    def _keep_on(self) -> None:
        while not self._stopping.wait(KEEP_EVERY):
            for watching in tuple(self._watches.values()):
                self.put_by(watching)
                if not self._is_open(watching.job):
                    self.stop(watching.job)

    def _is_open(self, job: str) -> bool:
        try:
            return self._store.jobs.state(job).closed_at is None
        except Complaint:
            return True

    def put_by(self, watching: Watching) -> None:
        """Put what has gathered of a watch into the records."""
        taken = watching.take()
        if not taken:
            return
        from sumpwright.link.soak import pack

        seconds, kelvin = np.array(taken).T
        try:
            self._store.temperatures.add_block(watching.job, pack(seconds, kelvin), len(taken))
        except Complaint as complaint:
            # The database may be locked or full for a while: what was read is not let go.
            log.warning("the log of job %s could not be kept: %s", watching.job, complaint)
            with watching.lock:
                watching.pending[:0] = taken
