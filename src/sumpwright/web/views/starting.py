"""Opening a job from a plan."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

from sumpwright.errors import Complaint
from sumpwright.planning.methods import METHODS
from sumpwright.planning.outcome import Wish
from sumpwright.planning.report import plan_summary
from sumpwright.records.logs import KeptJob
from sumpwright.records.second import refuse_second

if TYPE_CHECKING:
    from sumpwright.records.store import Store
    from sumpwright.web.views.remembered import Planner


@dataclass(frozen=True)
class Start:
    """What a job is opened with; ids made on the device make the same call twice one job.

    ``planned`` is the summary of a plan made elsewhere, for the one method that the wish names;
    ``second`` the reason for a job although one is open on the same fluid.
    """

    machine: str
    system: str | None
    wish: Wish
    job: str | None = None
    event: str | None = None
    by: str = ""
    at: datetime | None = None
    planned: Mapping[str, Any] | None = None
    second: str = ""


def start_job(store: Store, planner: Planner, start: Start) -> tuple[KeptJob, dict[str, Any]]:
    """Open a job with its plan, and return both.

    Raises
    ------
    Complaint
        For an unknown machine or system, when nothing can be planned, and for a second job
        on one body of fluid without a reason.
    """
    kept = store.machines.get(start.machine)
    system = kept.system(start.system)
    remark = ""
    if not (start.job and _is_kept(store, start.job)):
        remark = refuse_second(store, kept.id, system.name, start.second)
    if start.planned is None:
        plan = planner.plan(system, kept.sheet.offers, start.wish, kept.sheet.spare)
        method, planned = plan.chosen.method.name, plan_summary(plan)
    else:
        method, planned = (start.wish.methods or ("",))[0], dict(start.planned)
        if method not in {m.name for m in METHODS}:
            raise Complaint(
                "a plan came with the job, and not its method", "name the method", field="method"
            )
    job = store.jobs.start(
        kept.id,
        system.name,
        method=method,
        target=start.wish.target,
        confidence=start.wish.confidence,
        worth_per_point=start.wish.worth_per_point,
        planned=planned,
        by=start.by,
        at=start.at,
        job=start.job,
        event=start.event,
    )
    if remark:
        store.jobs.append(job.id, "noted", {"text": remark}, by=start.by)
    return job, planned


def _is_kept(store: Store, job: str) -> bool:
    try:
        return store.jobs.get(job).id == job
    except Complaint:
        return False
