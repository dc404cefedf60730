"""The books of the yard for programs: all of them, and what is told beside jobs."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Query
from pydantic import BaseModel, ConfigDict, Field
from starlette.responses import StreamingResponse

from sumpwright.records.export import yard_chunks
from sumpwright.records.plain import taking_plain
from sumpwright.records.taking import Sort, preview, take
from sumpwright.records.told import from_plain
from sumpwright.web.deps import DeskDep
from sumpwright.web.errors import found
from sumpwright.web.routes.api_files import BodyDep
from sumpwright.web.security import needs
from sumpwright.web.views import data

router = APIRouter(tags=["books"])

Id = Annotated[str, Field(max_length=40)]
Name = Annotated[str, Query(max_length=200)]


class ThingIn(BaseModel):
    """Something told of a machine; ``body`` by its kind, in SI."""

    model_config = ConfigDict(extra="forbid")

    kind: Literal["service", "drive", "temperatures", "meter", "use", "report", "expense"]
    at: datetime
    body: dict[str, Any]
    note: Annotated[str, Field(max_length=2000)] = ""
    id: Id


class ThingsIn(BaseModel):
    """Several things told at once: all of them are kept, or none."""

    model_config = ConfigDict(extra="forbid")

    things: Annotated[list[ThingIn], Field(min_length=1, max_length=500)]
    by: Annotated[str, Field(max_length=200)] | None = None


class WhichIn(BaseModel):
    """What to take back: its id, or the end of it."""

    model_config = ConfigDict(extra="forbid")

    id: Id


class SureIn(WhichIn):
    """Which report is confirmed, and by whom."""

    by: Annotated[str, Field(max_length=200)] | None = None


@router.get(
    "/books",
    response_class=StreamingResponse,
    responses={200: {"content": {"application/json": {}}}},
)
def books(desk: DeskDep) -> StreamingResponse:
    """Machines, jobs and all that is told of them, as one document without the photographs.

    It has the form of an export, so that a program can work things out on a copy of its own.
    """
    return StreamingResponse(yard_chunks(desk.store, files=False), media_type="application/json")


@router.post("/machines/{machine}/told", status_code=201)
def tell(machine: str, sent: ThingsIn, desk: DeskDep) -> list[dict[str, Any]]:
    """Keep what is told of a machine: services, drives, reports, use, expenses.

    An id that is known already is not kept again, so that a device may send twice.
    """
    known = found(lambda: desk.store.machines.get(machine))
    kept = desk.store.told.add_many(
        known.id,
        [(from_plain(each.kind, each.body), each.at, each.note) for each in sent.things],
        by=desk.by if sent.by is None else sent.by,
        ids=[each.id for each in sent.things],
    )
    return [data.told_data(entry) for entry in kept]


@router.post("/told/withdraw")
def take_back(which: WhichIn, desk: DeskDep) -> dict[str, Any]:
    """Take something told back: it stays in the books and counts no longer."""
    return data.told_data(desk.store.told.withdraw(which.id))


@router.post("/told/confirm")
def confirm(which: SureIn, desk: DeskDep) -> dict[str, Any]:
    """Let a report in that was kept out because it names or looks like another fluid."""
    by = desk.by if which.by is None else which.by
    return data.told_data(desk.store.told.confirm(which.id, by=by))


@router.post("/readings/withdraw")
def take_reading_back(which: WhichIn, desk: DeskDep) -> dict[str, Any]:
    """Take a reading back: it stays in the books and counts no longer."""
    return data.reading_data(desk.store.readings.withdraw(which.id))


@router.post(
    "/tables/{sort}",
    openapi_extra={
        "requestBody": {
            "required": True,
            "content": {
                "application/octet-stream": {"schema": {"type": "string", "format": "binary"}}
            },
        }
    },
)
@needs("keep")
def take_table(
    sort: Sort,
    content: BodyDep,
    desk: DeskDep,
    name: Name,
    machine: Name = "",
    system: Name = "",
    by: Name = "",
    only_show: bool = False,
    sure: bool = False,
) -> dict[str, Any]:
    """Take in a table (CSV or XLSX by its name): all of it, or nothing if any row has a fault.

    With ``only_show`` nothing is kept. With ``sure`` reports that name or look like another
    fluid count.
    """
    seen = preview(desk.store, sort, content, name, machine=machine, system=system, sure=sure)
    kept = 0 if only_show else take(desk.store, seen, by=by or desk.by)
    return taking_plain(seen, kept)
