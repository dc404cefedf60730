"""What moves on the level screen, as server-sent events: the parts that changed, as markup."""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator
from typing import TYPE_CHECKING, Any

from anyio import to_thread

from sumpwright.errors import Complaint
from sumpwright.web.views.level import level_now
from sumpwright.web.views.live import Message, message

if TYPE_CHECKING:
    from sumpwright.web.state import Web
    from sumpwright.web.views.show import Show

LOOK = 0.1
"""Seconds between two looks at the source: bounds how late a stale reading is told."""
EVERY = 1.0
"""Longest silence [s], and shortest time between two drawings of the curve."""
FASTEST = 0.2
"""Shortest time [s] between two numbers: faster than that nobody reads."""

PARTS = ("reading", "verdict", "reasons", "source", "cold", "facts", "figure")
_SLOW = ("figure",)


async def moving(web: Web, job: str, show: Show) -> AsyncIterator[Message]:
    """Give what changed on the level screen of a job, and a word at least every second.

    Parameters
    ----------
    web : Web
    job : str
    show : Show
    """
    seen: Any = None
    sent: dict[str, str] = {}
    told = drawn = -10.0
    while not web.watches.closing:
        now = time.monotonic()
        here = _sign(web, job)
        if now - told >= EVERY or (here != seen and now - told >= FASTEST):
            slow = now - drawn >= EVERY
            made = await to_thread.run_sync(_render, web, job, show, slow)
            if made is None:
                yield message("gone", {})
                return
            parts, marks = made
            changed = {key: text for key, text in parts.items() if sent.get(key) != text}
            sent |= changed
            yield message("now", {"parts": changed, **marks})
            seen, told = here, now
            drawn = now if slow else drawn
        await asyncio.sleep(LOOK)


def _sign(web: Web, job: str) -> tuple[Any, ...]:
    """What tells whether there is news, without working anything out."""
    watching = web.watches.of(job)
    if watching is None:
        return (None, web.watches.look(job))
    status = watching.watch.status()
    return (id(watching), status.turn, status.state, web.watches.look(job))


def _render(
    web: Web, job: str, show: Show, slow: bool
) -> tuple[dict[str, str], dict[str, Any]] | None:
    try:
        state = web.store.jobs.state(job)
        now = level_now(web, job, state, show, web.watches.of(job))
    except Complaint:
        return None
    module: Any = web.pages.environment.get_template("level/now.html").module
    parts = {part: str(getattr(module, part)(now)) for part in PARTS if slow or part not in _SLOW}
    return parts, {
        "state": now.state,
        "verdict": now.verdict,
        "age": now.heard.age,
        "source": now.heard.source,
        "flow": now.look.flow,
        "engine": now.look.engine,
    }
