"""Tell what was done to a machine outside its jobs, how it was driven, and how it is used."""

from __future__ import annotations

from typing import Any, Literal

from fastapi import APIRouter
from starlette.responses import Response

from sumpwright.errors import Complaint
from sumpwright.planning.clock import today
from sumpwright.records.machines import KeptMachine
from sumpwright.web.deps import Desk, DeskDep, FormDep
from sumpwright.web.errors import found
from sumpwright.web.security import needs
from sumpwright.web.views.complaints import Complaints
from sumpwright.web.views.tell_forms import (
    DONE,
    LABELS,
    SERVICES,
    VERDICTS,
    read_drive,
    read_service,
    read_use,
    use_typed,
)

router = APIRouter()
What = Literal["service", "drive", "use"]


@router.get("/machines/{machine}/tell/{what}")
@needs("work")
def ask(machine: str, what: What, desk: DeskDep) -> Response:
    """Ask for a service, a drive or the use of a machine."""
    from sumpwright.records.books import past_of, use_of

    kept = found(lambda: desk.store.machines.get(machine))
    typed = {"done": "changed"} if what == "service" else {}
    if what == "use":
        typed = use_typed(use_of(past_of(desk.store, kept.id)), desk.show())
    return _form(desk, kept, what, typed)


@router.post("/machines/{machine}/tell/service")
def tell_service(machine: str, desk: DeskDep, form: FormDep) -> Response:
    """Keep a service that was done before, or elsewhere."""
    from sumpwright.records.books import past_of
    from sumpwright.records.entering import check_books, doubts_after, refuse_doubted
    from sumpwright.records.told import ToldService, make

    kept = found(lambda: desk.store.machines.get(machine))
    systems = kept.sheet.machine.systems
    read = read_service(form.typed, desk.show(form=form), systems)
    if read.complaints.any:
        return _form(desk, kept, "service", form.typed, read.complaints)
    try:
        told = make(ToldService, read.values)
        past = past_of(desk.store, kept.id)
        if any((entry.at, entry.told) == (read.at, told) for entry in past.of(ToldService)):
            raise Complaint("this service is told already", "leave it, or correct the day")
        check_books(past, told.system, told, read.at, today())
        own, others = doubts_after(past, told, read.at, today())
        refuse_doubted(own, others, form.checked("sure"), "tick that it was read twice")
        desk.store.told.add(kept.id, told, read.at, by=desk.by, note=form.text("note")[:500])
    except Complaint as complaint:
        return _form(desk, kept, "service", form.typed, Complaints.of(complaint, LABELS))
    place = 1 + next(i for i, system in enumerate(systems) if system.name == told.system)
    return desk.seeother(f"/machines/{kept.id}#s{place}")


@router.post("/machines/{machine}/tell/drive")
def tell_drive(machine: str, desk: DeskDep, form: FormDep) -> Response:
    """Keep a drive."""
    from sumpwright.records.told import ToldDrive, make

    kept = found(lambda: desk.store.machines.get(machine))
    read = read_drive(form.typed, desk.show(form=form))
    if read.complaints.any:
        return _form(desk, kept, "drive", form.typed, read.complaints)
    try:
        told = make(ToldDrive, read.values)
        desk.store.told.add(kept.id, told, read.at, by=desk.by, note=form.text("note")[:500])
    except Complaint as complaint:
        return _form(desk, kept, "drive", form.typed, Complaints.of(complaint, LABELS))
    return desk.seeother(f"/machines/{kept.id}#history")


@router.post("/machines/{machine}/tell/use")
def tell_use(machine: str, desk: DeskDep, form: FormDep) -> Response:
    """Keep what is said of the use."""
    from sumpwright.records.told import ToldUse, make

    kept = found(lambda: desk.store.machines.get(machine))
    read = read_use(form.typed, desk.show(form=form))
    if read.complaints.any:
        return _form(desk, kept, "use", form.typed, read.complaints)
    try:
        desk.store.told.add(kept.id, make(ToldUse, read.values), read.at, by=desk.by)
    except Complaint as complaint:
        return _form(desk, kept, "use", form.typed, Complaints.of(complaint, LABELS))
    return desk.seeother(f"/machines/{kept.id}#use")


def _form(
    desk: Desk,
    kept: KeptMachine,
    what: What,
    typed: dict[str, str],
    complaints: Complaints | None = None,
) -> Response:
    context: dict[str, Any] = {
        "systems": [(s.name, s.name) for s in kept.sheet.machine.systems],
        "fluids": [fluid.name for fluid in kept.sheet.fluids],
        "done": DONE,
        "verdicts": VERDICTS,
        "services": SERVICES,
    }
    return desk.page(
        "machine/tell.html",
        status=422 if complaints else 200,
        machine=kept,
        what=what,
        typed=typed,
        complaints=complaints,
        currency=kept.sheet.currency,
        **context,
    )
