"""Wet systems: the form that adds and changes them."""

from __future__ import annotations

from fastapi import APIRouter
from starlette.responses import Response

from sumpwright.errors import Complaint
from sumpwright.records.machines import KeptMachine
from sumpwright.web.deps import Desk, DeskDep, Form, FormDep
from sumpwright.web.errors import found
from sumpwright.web.security import needs
from sumpwright.web.views.complaints import Complaints
from sumpwright.web.views.editing import fine_shown, keep_sheet
from sumpwright.web.views.limit_form import ACTIONS, PARTS, limit_rows
from sumpwright.web.views.machine_form import without_system
from sumpwright.web.views.machine_page import system_at
from sumpwright.web.views.system_form import (
    FINE,
    FIRST,
    VOLUMES,
    ReadSystem,
    kinds,
    plug_rows,
    read_system,
    typed_of,
)
from sumpwright.web.views.typed import ORIGINS

router = APIRouter()


@router.get("/machines/{machine}/systems/new")
@needs("keep")
def new(machine: str, desk: DeskDep) -> Response:
    """Ask for a wet system."""
    kept = found(lambda: desk.store.machines.get(machine))
    return _form(desk, kept, None, typed_of(None, desk.show()))


@router.post("/machines/{machine}/systems/new")
@needs("keep")
def add(machine: str, desk: DeskDep, form: FormDep) -> Response:
    """Add a wet system."""
    return _keep(desk, machine, None, form)


@router.get("/machines/{machine}/systems/{place}/edit")
@needs("keep")
def edit(machine: str, place: int, desk: DeskDep) -> Response:
    """Ask for changes of a wet system."""
    kept = found(lambda: desk.store.machines.get(machine))
    system = kept.sheet.machine.systems[system_at(kept, place)]
    return _form(desk, kept, place, typed_of(system, desk.show()))


@router.post("/machines/{machine}/systems/{place}/edit")
@needs("keep")
def change(machine: str, place: int, desk: DeskDep, form: FormDep) -> Response:
    """Keep changes of a wet system."""
    return _keep(desk, machine, place, form)


@router.post("/machines/{machine}/check")
@needs("keep")
def check(machine: str, desk: DeskDep, form: FormDep, place: str = "") -> Response:
    """Check the form of a wet system while it is filled in."""
    kept = found(lambda: desk.store.machines.get(machine))
    at = system_at(kept, int(place)) if place.isdigit() else None
    typed = form.typed
    read = read_system(typed, desk.show(form=form), kept.sheet, at)
    return desk.page(
        "machine/live.html",
        live=True,
        names=[name for name in typed if name not in ("version", "more")],
        complaints=read.complaints.without_missing(typed),
        warnings=read.warnings,
    )


@router.get("/machines/{machine}/systems/{place}/remove")
@needs("keep")
def ask_remove(machine: str, place: int, desk: DeskDep) -> Response:
    """Ask whether a wet system shall be taken out."""
    kept = found(lambda: desk.store.machines.get(machine))
    system = kept.sheet.machine.systems[system_at(kept, place)]
    return desk.page(
        "confirm.html",
        heading=f"Take out the {system.name}",
        question=f"The {system.name} of {kept.name} is left out of the next version of the "
        "sheet. Earlier versions and jobs keep it.",
        act="Take it out",
        back=f"/machines/{kept.id}/systems/{place}/edit",
        hidden={"version": kept.version},
    )


@router.post("/machines/{machine}/systems/{place}/remove")
@needs("keep")
def remove(machine: str, place: int, desk: DeskDep, form: FormDep) -> Response:
    """Take a wet system out."""
    kept = found(lambda: desk.store.machines.get(machine))
    sheet = without_system(kept.sheet, system_at(kept, place))
    keep_sheet(desk.store, kept, sheet, form.text("version"), desk.by)
    return desk.seeother(f"/machines/{kept.id}?saved=yes")


def _keep(desk: Desk, machine: str, place: int | None, form: Form) -> Response:
    typed = form.typed
    kept = found(lambda: desk.store.machines.get(machine))
    at = system_at(kept, place) if place is not None else None
    if typed.get("more"):
        return _form(desk, kept, place, typed, more=typed["more"])
    read = read_system(typed, desk.show(form=form), kept.sheet, at)
    if read.sheet is None:
        return _form(desk, kept, place, typed, read)
    try:
        keep_sheet(desk.store, kept, read.sheet, typed.get("version", ""), desk.by)
    except Complaint as complaint:
        wrong = ReadSystem(None, None, Complaints.of(complaint, {}), read.warnings)
        return _form(desk, kept, place, typed, wrong)
    return desk.seeother(f"/machines/{kept.id}?saved=yes")


def _form(
    desk: Desk,
    kept: KeptMachine,
    place: int | None,
    typed: dict[str, str],
    read: ReadSystem | None = None,
    *,
    more: str = "",
) -> Response:
    name = typed.get("name") or "wet system"
    return desk.page(
        "machine/system_form.html",
        status=422 if read else 200,
        heading=f"Edit the {name}" if place is not None else "Add a wet system",
        machine=kept,
        version=typed.get("version", kept.version) if more else kept.version,
        place=place,
        typed=typed,
        complaints=read.complaints if read else None,
        warnings=read.warnings if read else (),
        live=False,
        kinds=kinds(typed.get("kind", "")),
        origins=ORIGINS,
        first=FIRST,
        volumes=VOLUMES,
        fine=FINE,
        fine_open=fine_shown(typed),
        plug_rows=plug_rows(typed, more == "plug"),
        limit_rows=limit_rows(typed, more == "limit"),
        limit_parts=PARTS,
        actions=ACTIONS,
        fluids=[fluid.name for fluid in desk.store.fluids.all()],
    )
