"""Waking whoever waits for news of a job."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Iterator


class Bus:
    """Tells the listeners of a job that its log has grown.

    What is told is only *that* something happened: a listener reads the log from where
    it stopped, so that nothing is lost when it was busy, and nothing is told twice.
    """

    def __init__(self) -> None:
        self._waiting: dict[str, set[tuple[asyncio.AbstractEventLoop, asyncio.Event]]] = {}

    @contextlib.contextmanager
    def listen(self, job: str) -> Iterator[asyncio.Event]:
        """Give an event that is set whenever the job's log has grown; clear it before reading.

        Must be entered on a running event loop.
        """
        entry = (asyncio.get_running_loop(), asyncio.Event())
        self._waiting.setdefault(job, set()).add(entry)
        try:
            yield entry[1]
        finally:
            listeners = self._waiting.get(job)
            if listeners is not None:
                listeners.discard(entry)
                if not listeners:
                    self._waiting.pop(job, None)

    def publish(self, job: str) -> None:
        """Wake the listeners of a job; may be called from any thread."""
        for loop, event in tuple(self._waiting.get(job, ())):
            with contextlib.suppress(RuntimeError):
                loop.call_soon_threadsafe(event.set)

    def listeners(self, job: str) -> int:
        """Return how many wait for a job."""
        return len(self._waiting.get(job, ()))
