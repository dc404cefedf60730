"""Jobs for programs: open them, add to their logs, see where they stand."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any

from fastapi import APIRouter, Query
from pydantic import BaseModel, ConfigDict, Field
from starlette.responses import JSONResponse, Response

from sumpwright.planning.outcome import Wish
from sumpwright.records.export import record_document
from sumpwright.records.jobs import NewEvent
from sumpwright.web.deps import Desk, DeskDep
from sumpwright.web.errors import NotAllowed, error_json, found
from sumpwright.web.security import needs
from sumpwright.web.views import data
from sumpwright.web.views.appending import append_in_order, may_send
from sumpwright.web.views.paper import record_of_job
from sumpwright.web.views.starting import Start, start_job

router = APIRouter(tags=["jobs"])

Share = Annotated[float, Field(gt=0, lt=1)]
Id = Annotated[str, Field(max_length=40, description="UUID made on the device")]
Name = Annotated[str, Field(max_length=200)]
Standing = Annotated[bool, Query(description="Whether to work out where it stands")]


class JobIn(BaseModel):
    """A job to open; what is left out is as the plan recommends.

    ``planned`` is the summary of a plan that was made on the device; it needs ``method``.
    ``second`` is the reason for a job although one is open on the same fluid.
    """

    model_config = ConfigDict(extra="forbid")

    machine: Name
    system: Name | None = None
    method: Name | None = None
    target: Share = 0.90
    confidence: Share = 0.90
    worth_per_point: Annotated[float, Field(gt=0, lt=1e9)] | None = None
    have: list[Name] = []
    planned: dict[str, Any] | None = None
    second: Annotated[str, Field(max_length=500)] = ""
    job: Id | None = None
    event: Id | None = None
    by: Name | None = None
    at: datetime | None = None


class EventIn(BaseModel):
    """An entry as a device makes it: SI numbers in ``body``."""

    model_config = ConfigDict(extra="forbid")

    kind: Annotated[str, Field(max_length=40)]
    body: dict[str, Any] = {}
    id: Id | None = None
    at: datetime | None = None
    by: Name | None = None


class EventsIn(BaseModel):
    """Entries in their order."""

    model_config = ConfigDict(extra="forbid")

    events: Annotated[list[EventIn], Field(min_length=1, max_length=500)]


class UndoIn(BaseModel):
    """Which entry to take back; the last one in force when left out."""

    model_config = ConfigDict(extra="forbid")

    event: Id | None = None
    id: Id | None = None
    at: datetime | None = None
    by: Name | None = None


@router.get("/jobs")
def list_jobs(
    desk: DeskDep, machine: str | None = None, open: bool | None = None
) -> list[dict[str, Any]]:
    """List the jobs, the newest first."""
    jobs = (
        found(lambda: desk.store.jobs.all(machine=machine, open=open))
        if machine
        else desk.store.jobs.all(open=open)
    )
    return [data.job_brief(job) for job in jobs]


@router.post("/jobs", status_code=201)
def open_job(job: JobIn, desk: DeskDep) -> dict[str, Any]:
    """Open a job on a machine; the same ids twice open one job."""
    start = Start(
        machine=job.machine,
        system=job.system,
        wish=Wish(
            job.target,
            job.confidence,
            worth_per_point=job.worth_per_point,
            have=tuple(job.have),
            methods=(job.method,) if job.method else None,
        ),
        job=job.job,
        event=job.event,
        by=desk.by if job.by is None else job.by,
        at=job.at,
        planned=job.planned,
        second=job.second,
    )
    kept, plan = start_job(desk.store, desk.web.planner, start)
    desk.bus.publish(kept.id)
    return data.job_brief(kept) | {"planned": plan}


@router.get("/jobs/{job}")
def show_job(job: str, desk: DeskDep, standing: Standing = True) -> dict[str, Any]:
    """Where a job stands: balance, fresh share with its band, advice."""
    kept = found(lambda: desk.store.jobs.get(job))
    return data.job_brief(kept) | _where(desk, kept.id, standing)


@router.get("/jobs/{job}/events")
def list_events(
    job: str, desk: DeskDep, after: Annotated[int, Query(ge=0, le=2**31)] = 0
) -> dict[str, Any]:
    """The log of a job, all of it or what comes after a place."""
    kept = found(lambda: desk.store.jobs.get(job))
    events = desk.store.jobs.events(kept.id, after=after)
    return {
        "job": kept.id,
        "length": kept.length,
        "head": kept.head,
        "events": [event.plain() for event in events],
    }


@router.post("/jobs/{job}/events", response_model=None)
@needs("seat")
def add_events(
    job: str,
    sent: EventsIn,
    desk: DeskDep,
    standing: Standing = True,
) -> dict[str, Any] | Response:
    """Add entries to a job's log, in their order.

    An entry whose id is known already is not added again, so that a device may send its queue
    as often as it likes. When an entry is refused, those before it are kept and the answer is
    422 with the complaint, its place (`events[2]`) and what was kept.
    """
    if not may_send(desk.visitor.may("work"), [entry.kind for entry in sent.events]):
        raise NotAllowed(
            f"a device with the role '{desk.visitor.role}' only acknowledges",
            "ask the keeper to pair this device anew with another role",
        )
    kept = found(lambda: desk.store.jobs.get(job))
    entries = [
        NewEvent(e.kind, e.body, desk.by if e.by is None else e.by, e.at, e.id) for e in sent.events
    ]
    done = append_in_order(desk.store, kept.id, entries, desk.show().display)
    if any(added.new for added in done.added):
        desk.bus.publish(kept.id)
    answer: dict[str, Any] = {"added": data.added_data(done.added)} | _where(
        desk, kept.id, standing
    )
    if done.refused is not None:
        return JSONResponse(answer | error_json(done.refused, desk.show()), status_code=422)
    return answer


@router.post("/jobs/{job}/undo")
def undo(job: str, which: UndoIn, desk: DeskDep) -> dict[str, Any]:
    """Take back an entry by a reversing one: nothing is erased."""
    kept = found(lambda: desk.store.jobs.get(job))
    by = desk.by if which.by is None else which.by
    added = desk.store.jobs.undo(kept.id, which.event, by=by, at=which.at, id=which.id)
    desk.bus.publish(kept.id)
    return {"added": data.added_data([added])} | _where(desk, kept.id, True)


@router.post("/jobs/{job}/redo")
def redo(job: str, desk: DeskDep) -> dict[str, Any]:
    """Bring back what was undone last."""
    kept = found(lambda: desk.store.jobs.get(job))
    added = desk.store.jobs.redo(kept.id, by=desk.by)
    desk.bus.publish(kept.id)
    return {"added": data.added_data([added])} | _where(desk, kept.id, True)


@router.get("/jobs/{job}/verify")
def verify_job(job: str, desk: DeskDep) -> dict[str, Any]:
    """Check that a job's log is whole and unaltered."""
    kept = found(lambda: desk.store.jobs.get(job))
    problems = desk.store.jobs.verify(kept.id)
    return {
        "job": kept.id,
        "sound": not problems,
        "length": kept.length,
        "head": kept.head,
        "problems": [str(problem) for problem in problems],
    }


@router.get("/jobs/{job}/record.json")
def record(job: str, desk: DeskDep) -> JSONResponse:
    """The record of a job as a document that can be verified by itself."""
    kept = found(lambda: desk.store.jobs.get(job))
    return JSONResponse(
        record_document(desk.store, kept.id), headers=_download(f"record-{kept.id}.json")
    )


@router.get(
    "/jobs/{job}/record.pdf",
    response_class=Response,
    responses={200: {"content": {"application/pdf": {}}}},
)
def record_paper(job: str, desk: DeskDep, letter: bool = False) -> Response:
    """The record of a job for people."""
    kept = found(lambda: desk.store.jobs.get(job))
    content = record_of_job(desk.store, desk.web.standings, kept.id, desk.show(), letter)
    return Response(
        content, media_type="application/pdf", headers=_download(f"record-{kept.id}.pdf")
    )


def _where(desk: Desk, job: str, standing: bool) -> dict[str, Any]:
    state = desk.store.jobs.state(job)
    where = data.state_data(state)
    if standing:
        where["standing"] = desk.web.standings.of(state).to_json()
    return where


def _download(name: str) -> dict[str, str]:
    return {"content-disposition": f'inline; filename="{name}"'}
