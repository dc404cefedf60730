"""For programs: the steps of a job, the looks after it, and the steps kept for the next."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter
from pydantic import BaseModel, ConfigDict, Field

from sumpwright.records.chain import stamp
from sumpwright.records.looks import Look
from sumpwright.records.step_sets import StepSet
from sumpwright.web.deps import Desk, DeskDep
from sumpwright.web.errors import found
from sumpwright.web.security import needs
from sumpwright.web.views.bay import step_data
from sumpwright.web.views.jobs import Situated, lesson, situate

router = APIRouter(tags=["jobs"])

Distance = Annotated[float, Field(ge=0, le=1e9)]


class LooksIn(BaseModel):
    """When to look again: after so many metres each, `null` for after the first drive."""

    model_config = ConfigDict(extra="forbid")

    distances: Annotated[list[Distance | None], Field(max_length=20)]


class DoneIn(BaseModel):
    """What was seen."""

    model_config = ConfigDict(extra="forbid")

    note: Annotated[str, Field(max_length=2000)] = ""


class StepSetIn(BaseModel):
    """Under which name to keep what a job taught about its steps."""

    model_config = ConfigDict(extra="forbid")

    name: Annotated[str, Field(max_length=200)]


@router.get("/jobs/{job}/steps")
def steps(job: str, desk: DeskDep) -> dict[str, Any]:
    """The steps of a job in their order: which are passed, which is next, what holds each back."""
    at = _at(desk, job)
    show = desk.show()
    following = at.run.next()
    return {
        "job": at.kept.id,
        "cycles": at.run.cycles,
        "next": following.id if following else None,
        "trouble": at.run.trouble.what if at.run.trouble else None,
        "steps": [
            step_data(step, show)
            | {
                "passed": step.id in at.run.situation.passed,
                "held_by": [show.text(hold.why.say(show.display)) for hold in at.run.holding(step)],
            }
            for step in at.run.steps
        ],
    }


@router.post("/jobs/{job}/step-sets", status_code=201)
def keep_steps(job: str, sent: StepSetIn, desk: DeskDep) -> dict[str, Any]:
    """Keep what a job taught about its steps, for the next machine of its sort."""
    at = _at(desk, job)
    kept = desk.store.step_sets.save(
        sent.name,
        at.state.system.kind if at.state.system else "other",
        at.state.method,
        lesson(at),
        job=at.kept.id,
        by=desk.by,
    )
    return _set_data(kept)


@router.get("/step-sets")
def step_sets(
    desk: DeskDep, kind: str | None = None, method: str | None = None
) -> list[dict[str, Any]]:
    """The kept steps: all of them, or those for a sort of job."""
    return [_set_data(kept) for kept in desk.store.step_sets.all(kind, method)]


@router.delete("/step-sets/{id}", status_code=204)
@needs("keep")
def forget(id: str, desk: DeskDep) -> None:
    """Take kept steps away; jobs that took them over keep what they took."""
    found(lambda: desk.store.step_sets.get(id))
    desk.store.step_sets.forget(id)


@router.get("/looks")
def looks(desk: DeskDep) -> list[dict[str, Any]]:
    """The looks after jobs that are still to be taken."""
    return [_look_data(look) for look in desk.store.looks.open()]


@router.put("/jobs/{job}/looks")
def plan_looks(job: str, sent: LooksIn, desk: DeskDep) -> list[dict[str, Any]]:
    """Plan the looks after a job, in place of those not yet taken."""
    kept = found(lambda: desk.store.jobs.get(job))
    return [_look_data(look) for look in desk.store.looks.plan(kept.id, sent.distances, by=desk.by)]


@router.post("/looks/{look}/done", status_code=204)
def look_done(look: str, sent: DoneIn, desk: DeskDep) -> None:
    """Note that a look was taken."""
    found(lambda: desk.store.looks.get(look))
    desk.store.looks.done(look, note=sent.note, by=desk.by)


def _at(desk: Desk, job: str) -> Situated:
    kept = found(lambda: desk.store.jobs.get(job))
    return situate(desk.web, kept.id, desk.show(), estimate=False)


def _set_data(kept: StepSet) -> dict[str, Any]:
    return {
        "id": kept.id,
        "name": kept.name,
        "kind": kept.kind,
        "method": kept.method,
        "at": stamp(kept.at),
        "by": kept.by,
        "job": kept.job or None,
    } | kept.kept.to_json()


def _look_data(look: Look) -> dict[str, Any]:
    return {
        "id": look.id,
        "machine": look.machine,
        "machine_name": look.machine_name,
        "job": look.job,
        "system": look.system,
        "distance": look.distance,
        "due_at": look.due_at,
        "at": stamp(look.at),
        "done": stamp(look.done_at) if look.done_at else None,
        "done_by": look.done_by,
        "note": look.note,
    }
