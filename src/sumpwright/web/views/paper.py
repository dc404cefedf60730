"""Papers of plans and jobs, in the units of whoever asks."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sumpwright.display import Display
from sumpwright.planning.machine import Sheet
from sumpwright.planning.plan import Plan
from sumpwright.web.views.show import Show

if TYPE_CHECKING:
    from sumpwright.records.store import Store
    from sumpwright.web.views.remembered import Standings


def record_of_job(
    store: Store, standings: Standings, job: str, show: Show, letter: bool = False
) -> bytes:
    """Return the service record of a job as PDF, with its photographs."""
    from sumpwright.link.kept import drawn_logs
    from sumpwright.paper.record import record_pdf

    state = store.jobs.state(job)
    events = store.jobs.events(job)
    return record_pdf(
        standings.of(state),
        events,
        Display(show.display.system, state.sheet.currency if state.sheet else ""),
        paper="us-letter" if letter else "a4",
        photographs={p.attachment: store.attachments.data(p.attachment) for p in state.photographs},
        logs=drawn_logs(store, state),
        problems=[str(problem) for problem in store.jobs.verify(job)],
        comma=show.comma,
    )


def card_of_plan(plan: Plan, sheet: Sheet, show: Show) -> bytes:
    """Return the job card of a plan as PDF."""
    from sumpwright.paper.card import card_pdf

    return card_pdf(plan, sheet, Display(show.display.system, sheet.currency), comma=show.comma)
