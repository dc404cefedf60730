"""News of a job, as server-sent events."""

from __future__ import annotations

import asyncio
import json
import logging
import time
from collections.abc import AsyncIterator
from typing import TYPE_CHECKING, Any

from anyio import to_thread

from sumpwright.errors import Complaint
from sumpwright.web.views.bay import event_data, standing_data
from sumpwright.web.views.job_words import Words

if TYPE_CHECKING:
    from sumpwright.records.chain import Event
    from sumpwright.web.state import Web
    from sumpwright.web.views.show import Show

log = logging.getLogger("sumpwright.web.live")

BEAT_SECONDS = 1.0
"""Time between two beats: a screen that misses a few of them knows that its link is lost."""

CHECK_SECONDS = 5.0
"""Time between two looks at whether a listening device is still welcome."""

Message = dict[str, Any]


def message(kind: str, data: Any, id: int | None = None) -> Message:
    """Return one server-sent event.

    Examples
    --------
    >>> message("beat", {"length": 3})
    {'event': 'beat', 'data': '{"length":3}'}
    """
    made: Message = {
        "event": kind,
        "data": json.dumps(data, ensure_ascii=False, separators=(",", ":")),
    }
    return made if id is None else {**made, "id": str(id)}


def resume_from(last_event_id: str | None, after: int) -> int:
    """Return the place in the log after which a screen wants to hear.

    Examples
    --------
    >>> resume_from("17", 3), resume_from(None, 3), resume_from("nonsense", 3)
    (17, 3, 3)
    """
    text = (last_event_id or "").strip()
    return int(text) if text.isascii() and text.isdigit() and len(text) < 10 else after


async def news(
    web: Web, job: str, after: int, show: Show, *, standings: bool, device: str = ""
) -> AsyncIterator[Message]:
    """Give the entries of a job from a place on as they come, and a beat in between.

    An entry that this server keeps wakes the stream at once; one that another process
    writes into the same database is seen at the next beat.

    Parameters
    ----------
    web : Web
    job : str
    after : int
        Place in the log from which on entries are wanted.
    show : Show
    standings : bool
        Whether to tell the estimate after entries as well.
    device : str
        The paired device that listens; once it is sent away, the stream ends.
    """
    checked = time.monotonic()
    seen = after
    told = -1
    working: asyncio.Task[Message | None] | None = None
    try:
        with web.bus.listen(job) as woken:
            while True:
                woken.clear()
                fresh, words = await to_thread.run_sync(_read, web, job, seen, show)
                if device and time.monotonic() - checked > CHECK_SECONDS:
                    checked = time.monotonic()
                    words = words if await to_thread.run_sync(_welcome, web, device) else None
                if words is None:
                    yield message("gone", {})
                    return
                for event in fresh:
                    yield message("entry", event_data(event, words), event.seq)
                seen = fresh[-1].seq if fresh else seen
                if standings and working is None and told < seen:
                    told = seen
                    working = asyncio.create_task(_standing(web, job, show))
                if not fresh:
                    yield message("beat", {"length": seen} | web.working.presence.of(job))
                waits: set[asyncio.Task[Any]] = {asyncio.create_task(woken.wait())}
                if working is not None:
                    waits.add(working)
                done, _ = await asyncio.wait(
                    waits, timeout=BEAT_SECONDS, return_when=asyncio.FIRST_COMPLETED
                )
                for wait in waits - done - {working}:
                    wait.cancel()
                if working is not None and working.done():
                    standing = working.result()
                    working = None
                    if standing is not None:
                        yield standing
    finally:
        if working is not None:
            working.cancel()


def _read(web: Web, job: str, after: int, show: Show) -> tuple[list[Event], Words | None]:
    """Return what is new, and how to say it; no words when the job is gone."""
    try:
        fresh = web.store.jobs.events(job, after=after)
        if not fresh:
            return [], Words((), (), show)
        state = web.store.jobs.state(job)
        run = web.working.runs.of(state, web.planner)
        # What was undone is in force no longer, but it is told by what it was.
        whole = any(event.kind == "reversed" for event in fresh)
        known = web.store.jobs.events(job) if whole else [*state.effective, *fresh]
        return fresh, Words(run.steps, known, show)
    except Complaint:
        return [], None


def _welcome(web: Web, device: str) -> bool:
    kept = web.store.devices.get(device)
    return kept is not None and kept.revoked_at is None


async def _standing(web: Web, job: str, show: Show) -> Message | None:
    def work() -> Message | None:
        try:
            return message(
                "standing", standing_data(web.standings.of(web.store.jobs.state(job)), show)
            )
        except Complaint as complaint:
            log.warning("no estimate for job %s: %s", job, complaint)
            return None

    return await to_thread.run_sync(work)
