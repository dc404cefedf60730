"""Machines, their sheets, readings and plans for programs."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Query
from pydantic import BaseModel, ConfigDict, Field
from starlette.responses import Response

from sumpwright.errors import Complaint
from sumpwright.planning.outcome import LONGEST, Wish
from sumpwright.planning.report import plan_json
from sumpwright.records.due import item_json
from sumpwright.records.fleet import part
from sumpwright.records.sheet import parse_sheet
from sumpwright.records.sheet_text import dump_sheet
from sumpwright.web.deps import DeskDep
from sumpwright.web.errors import found
from sumpwright.web.security import needs
from sumpwright.web.views import data

router = APIRouter(tags=["machines"])

Share = Annotated[float, Query(gt=0, lt=1)]


class SheetIn(BaseModel):
    """A machine sheet as TOML; ``version`` is the one that was changed, to notice others."""

    model_config = ConfigDict(extra="forbid")

    toml: Annotated[str, Field(max_length=1_000_000)]
    version: int | None = None
    by: Annotated[str, Field(max_length=200)] | None = None


class ReadingIn(BaseModel):
    """A reading, SI: odometer in m, hours in s."""

    model_config = ConfigDict(extra="forbid")

    what: Literal["odometer", "hours"]
    value: Annotated[float, Field(ge=0, le=1e12)]
    at: datetime | None = None
    by: Annotated[str, Field(max_length=200)] | None = None
    note: Annotated[str, Field(max_length=1000)] = ""
    sure: bool = False


@router.get("/due")
def list_due(
    desk: DeskDep,
    response: Response,
    first: Annotated[int | None, Query(ge=1, le=1000)] = None,
    skip: Annotated[int, Query(ge=0, le=2**31)] = 0,
) -> list[dict[str, Any]]:
    """What is due in the yard, what is likely first comes first, with the reasons.

    All of it, or the `first` so many after `skip`; a large yard is better read in parts. The
    header `x-total-count` says how many there are, `link` where the next part is.
    """
    now = datetime.now().astimezone().date()
    ranking = desk.web.yard.ranking(desk.store, now)
    response.headers["x-total-count"] = str(len(ranking))
    if first is not None and skip + first < len(ranking):
        response.headers["link"] = f'</api/due?first={first}&skip={skip + first}>; rel="next"'
    display = desk.show().display
    return [item_json(item, now, display) for item in part(desk.store, ranking, first, skip)]


@router.get("/machines")
def list_machines(desk: DeskDep, retired: bool = False) -> list[dict[str, Any]]:
    """List the machines by name."""
    return [data.machine_brief(m) for m in desk.store.machines.all(retired=retired)]


@router.post("/machines", status_code=201)
@needs("keep")
def add_machine(sheet: SheetIn, desk: DeskDep) -> dict[str, Any]:
    """Add a machine from its sheet."""
    read = parse_sheet(sheet.toml)
    kept = desk.store.machines.add(
        read, by=desk.by if sheet.by is None else sheet.by, source=sheet.toml
    )
    return data.machine_data(kept) | {"warnings": list(read.warnings)}


@router.get("/machines/{machine}")
def show_machine(
    machine: str, desk: DeskDep, version: Annotated[int | None, Query(ge=1, le=2**31)] = None
) -> dict[str, Any]:
    """A machine with the newest version of its sheet, or a given one."""
    return data.machine_data(found(lambda: desk.store.machines.get(machine, version)))


@router.put("/machines/{machine}")
@needs("keep")
def change_machine(machine: str, sheet: SheetIn, desk: DeskDep) -> dict[str, Any]:
    """Keep a new version of a machine's sheet; the older ones stay."""
    known = found(lambda: desk.store.machines.get(machine))
    if sheet.version is not None and sheet.version != known.version:
        raise Complaint(
            f"the sheet has been changed meanwhile: it is at version {known.version}",
            "look at it, then send your change of that version",
            field="version",
        )
    read = parse_sheet(sheet.toml)
    kept = desk.store.machines.change(
        known.id, read, by=desk.by if sheet.by is None else sheet.by, source=sheet.toml
    )
    return data.machine_data(kept) | {"warnings": list(read.warnings)}


@router.delete("/machines/{machine}", status_code=204)
@needs("keep")
def retire_machine(machine: str, desk: DeskDep) -> Response:
    """Take a machine out of the yard; its jobs and sheets stay."""
    known = found(lambda: desk.store.machines.get(machine))
    desk.store.machines.retire(known.id)
    return Response(status_code=204)


@router.get("/machines/{machine}/versions")
def list_versions(machine: str, desk: DeskDep) -> list[dict[str, Any]]:
    """Every version of a machine's sheet, the oldest first."""
    return [data.machine_brief(m) for m in found(lambda: desk.store.machines.versions(machine))]


@router.get(
    "/machines/{machine}/sheet.toml",
    response_class=Response,
    responses={200: {"content": {"application/toml": {}}}},
)
def sheet(
    machine: str, desk: DeskDep, version: Annotated[int | None, Query(ge=1, le=2**31)] = None
) -> Response:
    """The sheet of a machine as TOML."""
    kept = found(lambda: desk.store.machines.get(machine, version))
    return Response(
        dump_sheet(kept.sheet),
        media_type="application/toml; charset=utf-8",
        headers={"content-disposition": 'attachment; filename="sheet.toml"'},
    )


@router.get("/machines/{machine}/readings")
def list_readings(machine: str, desk: DeskDep) -> list[dict[str, Any]]:
    """The readings of a machine, the oldest first."""
    return [data.reading_data(r) for r in found(lambda: desk.store.readings.of(machine))]


@router.post("/machines/{machine}/readings", status_code=201)
def add_reading(machine: str, reading: ReadingIn, desk: DeskDep) -> dict[str, Any]:
    """Keep a reading of a machine's odometer or hour meter."""
    known = found(lambda: desk.store.machines.get(machine))
    kept = desk.store.readings.add(
        known.id,
        reading.what,
        reading.value,
        reading.at or datetime.now(UTC),
        by=desk.by if reading.by is None else reading.by,
        note=reading.note,
        sure=reading.sure,
    )
    return data.reading_data(kept)


@router.get("/machines/{machine}/plan")
def plan(
    machine: str,
    desk: DeskDep,
    system: str | None = None,
    target: Share = 0.90,
    confidence: Share = 0.90,
    cycles: Annotated[int, Query(ge=1, le=LONGEST)] = 8,
    worth: Annotated[float | None, Query(gt=0, lt=1e9)] = None,
    have: Annotated[list[str] | None, Query(max_length=8)] = None,
    method: Annotated[list[str] | None, Query(max_length=12)] = None,
) -> dict[str, Any]:
    """Every method, cycle by cycle, and what to do."""
    kept = found(lambda: desk.store.machines.get(machine))
    chosen = kept.system(system)
    wish = Wish(
        target, confidence, cycles, worth, tuple(have or ()), tuple(method) if method else None
    )
    made = desk.web.planner.plan(chosen, kept.sheet.offers, wish, kept.sheet.spare)
    return plan_json(made, kept.sheet)
