"""Plans: moved on the page, printed, and turned into a job."""

from __future__ import annotations

from fastapi import APIRouter
from starlette.responses import Response

from sumpwright.errors import Complaint
from sumpwright.planning.kinds import kind_said
from sumpwright.planning.machine import WetSystem
from sumpwright.planning.plan import Plan
from sumpwright.records.chain import new_id
from sumpwright.records.machines import KeptMachine
from sumpwright.records.second import open_on
from sumpwright.web.deps import Desk, DeskDep, FormDep
from sumpwright.web.errors import found
from sumpwright.web.views.complaints import Complaints
from sumpwright.web.views.machine_page import system_at
from sumpwright.web.views.paper import card_of_plan
from sumpwright.web.views.plan_page import (
    EQUIPMENT_WORDS,
    Asked,
    failed,
    plan_view,
    read_asked,
)
from sumpwright.web.views.starting import Start, start_job

router = APIRouter()


@router.get("/machines/{machine}/systems/{place}/plan")
def plan(machine: str, place: int, desk: DeskDep) -> Response:
    """Show the plan of a wet system; a part of the page when its form is moved."""
    kept, system = _system(desk, machine, place)
    asked = _asked(desk, kept, system)
    return _page(desk, kept, system, place, asked)


def _page(
    desk: Desk,
    kept: KeptMachine,
    system: WetSystem,
    place: int,
    asked: Asked,
    refused: Complaints | None = None,
) -> Response:
    made, complaints = _made(desk, kept, system, asked)
    show = desk.show(kept.sheet.currency)
    return desk.page(
        "plan/results.html" if desk.part else "plan/page.html",
        status=200 if made and not refused else 422,
        machine=kept,
        system=system,
        kind=kind_said(system.kind),
        place=place,
        at=f"/machines/{kept.id}/systems/{place}",
        asked=asked,
        complaints=complaints,
        plan=plan_view(made, kept.sheet, show) if made else None,
        currency=kept.sheet.currency,
        equipment=EQUIPMENT_WORDS,
        query=desk.request.url.query,
        job=new_id(),
        event=new_id(),
        other=open_on(desk.store, kept.id, system.name),
        refused=refused,
    )


@router.get("/machines/{machine}/systems/{place}/plan/card.pdf")
def card(machine: str, place: int, desk: DeskDep) -> Response:
    """The job card of a plan."""
    kept, system = _system(desk, machine, place)
    asked = _asked(desk, kept, system)
    made, complaints = _made(desk, kept, system, asked)
    if made is None:
        first = complaints.items[0]
        raise Complaint(f"{first.label}: {first.what}", first.do, "", first.field)
    content = card_of_plan(made, kept.sheet, desk.show())
    return Response(
        content,
        media_type="application/pdf",
        headers={"content-disposition": 'inline; filename="job-card.pdf"'},
    )


@router.post("/machines/{machine}/systems/{place}/jobs")
def start(machine: str, place: int, desk: DeskDep, form: FormDep) -> Response:
    """Open a job from a plan; the same form twice opens one job."""
    kept, system = _system(desk, machine, place)
    show = desk.show(kept.sheet.currency, form)
    asked = read_asked(form.typed, form.texts("have"), show, kept.sheet, system)
    if asked.wish is None:
        first = asked.complaints.items[0]
        raise Complaint(f"{first.label}: {first.what}", first.do, "", first.field)
    start = Start(
        machine=kept.id,
        system=system.name,
        wish=asked.of_method(form.text("method")),
        job=form.text("job") or None,
        event=form.text("event") or None,
        by=desk.by,
        second=form.text("second"),
    )
    try:
        job, _ = start_job(desk.store, desk.web.planner, start)
    except Complaint as complaint:
        if complaint.field != "second":
            raise
        refused = Complaints.of(complaint, {"second": "Start another all the same"})
        return _page(desk, kept, system, place, asked, refused)
    desk.bus.publish(job.id)
    return desk.seeother(f"/jobs/{job.id}")


def _system(desk: Desk, machine: str, place: int) -> tuple[KeptMachine, WetSystem]:
    kept = found(lambda: desk.store.machines.get(machine))
    return kept, kept.sheet.machine.systems[system_at(kept, place)]


def _asked(desk: Desk, kept: KeptMachine, system: WetSystem) -> Asked:
    query = desk.request.query_params
    return read_asked(
        dict(query), query.getlist("have"), desk.show(kept.sheet.currency), kept.sheet, system
    )


def _made(
    desk: Desk, kept: KeptMachine, system: WetSystem, asked: Asked
) -> tuple[Plan | None, Complaints]:
    if asked.wish is None:
        return None, asked.complaints
    try:
        made = desk.web.planner.plan(system, asked.offers, asked.wish, kept.sheet.spare)
    except Complaint as complaint:
        return None, failed(complaint)
    return made, asked.complaints
