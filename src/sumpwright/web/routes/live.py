"""The screens at the machine: bay and seat, their news, and what they work with offline."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from fastapi import APIRouter, Header, Query
from pydantic import BaseModel, ConfigDict, Field
from sse_starlette import EventSourceResponse
from starlette.responses import JSONResponse, Response

from sumpwright.records.last_meters import last_meters
from sumpwright.web.deps import Desk, DeskDep
from sumpwright.web.errors import found
from sumpwright.web.pages import STATIC
from sumpwright.web.security import needs
from sumpwright.web.views.bay import bay_data, seat_data, standing_data
from sumpwright.web.views.live import news, resume_from
from sumpwright.web.views.offline import worker_script

router = APIRouter()


class Beat(BaseModel):
    """A screen says that it is there."""

    model_config = ConfigDict(extra="forbid")

    screen: Literal["bay", "seat", "none"]
    device: Annotated[str, Field(max_length=40)]
    says: Annotated[str, Field(max_length=40)] = ""
    leaves: bool = False


@router.get("/jobs/{job}/bay")
def bay(job: str, desk: DeskDep) -> Response:
    """The screen at the machine."""
    kept = found(lambda: desk.store.jobs.get(job))
    return desk.page("job/bay.html", job=kept)


@router.get("/jobs/{job}/seat")
def seat(job: str, desk: DeskDep) -> Response:
    """The screen of the helper in the seat."""
    kept = found(lambda: desk.store.jobs.get(job))
    return desk.page("job/seat.html", job=kept)


@router.get("/jobs/{job}/bay.json")
def bay_json(job: str, desk: DeskDep) -> JSONResponse:
    """All that the bay screen needs to go on without network."""
    given = _given(desk, job, bay_data)
    meters = last_meters(desk.store, desk.store.jobs.state(given["job"]))
    return JSONResponse(given | {"meters": meters, "standing": _standing(desk, job)})


@router.get("/jobs/{job}/seat.json")
def seat_json(job: str, desk: DeskDep) -> JSONResponse:
    """All that the seat screen needs."""
    return JSONResponse(_given(desk, job, seat_data))


def _given(desk: Desk, job: str, make: Any) -> dict[str, Any]:
    kept = found(lambda: desk.store.jobs.get(job))
    state = desk.store.jobs.state(kept.id)
    events = desk.store.jobs.events(kept.id)
    run = desk.web.working.runs.of(state, desk.web.planner)
    show = desk.show(state.sheet.currency if state.sheet else "")
    made: dict[str, Any] = make(state, events, run, desk.visitor, show)
    return made


def _standing(desk: Desk, job: str) -> dict[str, Any] | None:
    state = desk.store.jobs.state(desk.store.jobs.get(job).id)
    if state.system is None:
        return None
    return standing_data(
        desk.web.standings.of(state), desk.show(state.sheet.currency if state.sheet else "")
    )


@router.get("/jobs/{job}/live")
async def live(
    job: str,
    desk: DeskDep,
    after: Annotated[int, Query(ge=0, le=2**31)] = 0,
    estimate: bool = False,
    last_event_id: Annotated[str | None, Header(max_length=20)] = None,
) -> Response:
    """News of a job as they come; a screen that was away goes on where it was."""
    from anyio import to_thread

    kept = await to_thread.run_sync(lambda: found(lambda: desk.store.jobs.get(job)))
    device = desk.visitor.device
    stream = news(
        desk.web,
        kept.id,
        resume_from(last_event_id, after),
        desk.show(),
        standings=estimate,
        device=device.id if device else "",
    )
    return EventSourceResponse(stream, ping=60, headers={"x-accel-buffering": "no"})


@router.post("/jobs/{job}/beat")
@needs("read")
def beat(job: str, sent: Beat, desk: DeskDep) -> dict[str, Any]:
    """Note that a screen is there, and tell which others are.

    Only who may work counts as being in the bay, and only who may answer as being in the
    seat: a screen that merely looks on could not act on a call.
    """
    presence = desk.web.working.presence
    if sent.leaves:
        presence.leave(job, sent.device)
        desk.bus.publish(job)
    elif (
        sent.screen != "none"
        and desk.visitor.may("work" if sent.screen == "bay" else "seat")
        and presence.beat(job, sent.device, sent.screen, sent.says)
    ):
        desk.bus.publish(job)
    return dict(presence.of(job))


@router.get("/sw.js")
@needs("nothing")
def worker() -> Response:
    """The script that keeps the screens usable without network."""
    return Response(
        worker_script(STATIC),
        media_type="text/javascript",
        headers={"cache-control": "no-cache", "service-worker-allowed": "/"},
    )
