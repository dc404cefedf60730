"""Machines: their pages, the forms that add and change them, their sheets."""

from __future__ import annotations

from datetime import UTC, datetime

from fastapi import APIRouter
from starlette.responses import Response

from sumpwright.errors import Complaint
from sumpwright.records.machines import KeptMachine
from sumpwright.records.sheet_text import dump_sheet
from sumpwright.web.deps import Desk, DeskDep, FormDep
from sumpwright.web.errors import found
from sumpwright.web.security import needs
from sumpwright.web.views.complaints import Complaints
from sumpwright.web.views.editing import keep_sheet, read_text, sheet_text, version_of
from sumpwright.web.views.machine_form import (
    FLUID_PARTS,
    ReadSheet,
    machine_typed,
    prices_typed,
    read_machine,
    read_new_machine,
    read_prices,
    rows_used,
)
from sumpwright.web.views.machine_page import machine_page, read_reading
from sumpwright.web.views.system_form import FIRST, kinds, typed_of
from sumpwright.web.views.typed import ORIGINS

router = APIRouter()


@router.get("/machines/new")
@needs("keep")
def new(desk: DeskDep) -> Response:
    """Ask for a machine and its first wet system."""
    return _new(desk, typed_of(None, desk.show()))


@router.post("/machines/new")
@needs("keep")
def add(desk: DeskDep, form: FormDep) -> Response:
    """Add a machine."""
    read = read_new_machine(form.typed, desk.show(form=form))
    if read.sheet is None:
        return _new(desk, form.typed, read, status=422)
    try:
        kept = desk.store.machines.add(read.sheet, by=desk.by)
    except Complaint as complaint:
        wrong = Complaints.of(
            Complaint(complaint.what, complaint.do, "", "machine_name"),
            {"machine_name": "Name of the machine"},
        )
        return _new(desk, form.typed, ReadSheet(None, wrong), status=422)
    return desk.seeother(f"/machines/{kept.id}?saved=yes")


@router.post("/machines/import")
@needs("keep")
def take(desk: DeskDep, form: FormDep) -> Response:
    """Add a machine from a sheet file."""
    try:
        text = sheet_text(form.file("sheet"), "")
        kept = desk.store.machines.add(read_text(text, "sheet"), by=desk.by, source=text)
    except Complaint as complaint:
        wrong = Complaint(complaint.what, complaint.do, "", "sheet")
        return _new(
            desk,
            typed_of(None, desk.show()),
            status=422,
            import_complaints=Complaints.of(wrong, {"sheet": "Machine sheet"}),
        )
    return desk.seeother(f"/machines/{kept.id}?saved=yes")


@router.post("/machines/check")
@needs("keep")
def check_new(desk: DeskDep, form: FormDep) -> Response:
    """Check the form of a new machine while it is filled in."""
    typed = form.typed
    read = read_new_machine(typed, desk.show(form=form))
    return desk.page(
        "machine/live.html",
        live=True,
        names=[name for name in typed if f"{name}_origin" in typed or name in _NEW_FIELDS],
        complaints=read.complaints.without_missing(typed),
        warnings=read.warnings,
    )


_NEW_FIELDS = ("machine_name", "odometer", "hours", "name", "kind", "fluid")


def _new(
    desk: Desk,
    typed: dict[str, str],
    read: ReadSheet | None = None,
    *,
    status: int = 200,
    import_complaints: Complaints | None = None,
) -> Response:
    return desk.page(
        "machine/new.html",
        status=status,
        typed=typed,
        complaints=read.complaints if read else None,
        warnings=read.warnings if read else (),
        live=False,
        import_complaints=import_complaints,
        kinds=kinds(typed.get("kind", "")),
        origins=ORIGINS,
        first=FIRST,
        fluids=[fluid.name for fluid in desk.store.fluids.all()],
    )


@router.get("/machines/{machine}")
def show_machine(machine: str, desk: DeskDep) -> Response:
    """Show a machine: its circuits, its readings, its history."""
    return _machine(desk, machine)


def _machine(
    desk: Desk,
    machine: str,
    *,
    status: int = 200,
    typed: dict[str, str] | None = None,
    complaints: Complaints | None = None,
) -> Response:
    kept = found(lambda: desk.store.machines.get(machine))
    asked = desk.request.query_params
    return desk.page(
        "machine/page.html",
        status=status,
        page=machine_page(
            desk.store,
            desk.web.planner,
            kept,
            desk.show(kept.sheet.currency),
            whole=asked.get("all") == "yes",
        ),
        currency=kept.sheet.currency,
        saved=asked.get("saved") == "yes",
        typed=typed or {"what": "odometer"},
        complaints=complaints,
    )


@router.post("/machines/{machine}/readings")
def add_reading(machine: str, desk: DeskDep, form: FormDep) -> Response:
    """Keep a reading of the odometer or the hour meter."""
    kept = found(lambda: desk.store.machines.get(machine))
    read = read_reading(form.typed, desk.show(form=form), datetime.now(UTC))
    if read.complaints.any:
        return _machine(desk, machine, status=422, typed=form.typed, complaints=read.complaints)
    try:
        desk.store.readings.add(
            kept.id, read.what, read.value, read.at, by=desk.by, note=form.text("note")[:500]
        )
    except Complaint as complaint:
        return _machine(
            desk,
            machine,
            status=422,
            typed=form.typed,
            complaints=Complaints.of(
                Complaint(complaint.what, complaint.do, "", "value"), {"value": "It shows"}
            ),
        )
    return desk.seeother(f"/machines/{kept.id}#readings")


@router.get("/machines/{machine}/edit")
@needs("keep")
def edit(machine: str, desk: DeskDep) -> Response:
    """Ask for changes of the machine itself."""
    kept = found(lambda: desk.store.machines.get(machine))
    return _edit(desk, kept, machine_typed(kept.sheet, desk.show()))


@router.post("/machines/{machine}/edit")
@needs("keep")
def change(machine: str, desk: DeskDep, form: FormDep) -> Response:
    """Keep changes of the machine itself."""
    kept = found(lambda: desk.store.machines.get(machine))
    read = read_machine(form.typed, desk.show(form=form), kept.sheet)
    if read.sheet is None:
        return _edit(desk, kept, form.typed, read.complaints)
    try:
        keep_sheet(desk.store, kept, read.sheet, form.text("version"), desk.by)
    except Complaint as complaint:
        field = "machine_name" if complaint.field == "name" else complaint.field
        wrong = Complaint(complaint.what, complaint.do, "", field)
        return _edit(desk, kept, form.typed, Complaints.of(wrong, {"machine_name": "Name"}))
    return desk.seeother(f"/machines/{kept.id}?saved=yes")


def _edit(
    desk: Desk, kept: KeptMachine, typed: dict[str, str], complaints: Complaints | None = None
) -> Response:
    return desk.page(
        "machine/edit.html",
        status=422 if complaints else 200,
        machine=kept,
        version=kept.version,
        typed=typed,
        complaints=complaints,
    )


@router.get("/machines/{machine}/prices")
@needs("keep")
def prices(machine: str, desk: DeskDep) -> Response:
    """Ask for fluids and what they cost."""
    kept = found(lambda: desk.store.machines.get(machine))
    return _prices(desk, kept, prices_typed(kept.sheet, desk.show()))


@router.post("/machines/{machine}/prices")
@needs("keep")
def change_prices(machine: str, desk: DeskDep, form: FormDep) -> Response:
    """Keep fluids and what they cost."""
    kept = found(lambda: desk.store.machines.get(machine))
    if form.text("more"):
        return _prices(desk, kept, form.typed, more=form.text("more"))
    read = read_prices(form.typed, desk.show(form=form), kept.sheet)
    if read.sheet is None:
        return _prices(desk, kept, form.typed, read)
    try:
        keep_sheet(desk.store, kept, read.sheet, form.text("version"), desk.by)
    except Complaint as complaint:
        return _prices(desk, kept, form.typed, ReadSheet(None, Complaints.of(complaint, {})))
    return desk.seeother(f"/machines/{kept.id}?saved=yes")


def _prices(
    desk: Desk,
    kept: KeptMachine,
    typed: dict[str, str],
    read: ReadSheet | None = None,
    *,
    more: str = "",
) -> Response:
    names = [fluid.name for fluid in kept.sheet.fluids]
    return desk.page(
        "machine/prices.html",
        status=422 if read else 200,
        machine=kept,
        version=typed.get("version", kept.version),
        typed=typed,
        complaints=read.complaints if read else None,
        warnings=read.warnings if read else (),
        fluid_rows=rows_used(typed, "fluid", "name", more == "fluid"),
        offer_rows=rows_used(typed, "offer", "seller", more == "offer"),
        fluid_parts=FLUID_PARTS,
        fluid_choices=[(name, name) for name in names],
        currency=kept.sheet.currency,
    )


@router.get("/machines/{machine}/retire")
@needs("keep")
def ask_retire(machine: str, desk: DeskDep) -> Response:
    """Ask whether a machine shall leave the yard."""
    kept = found(lambda: desk.store.machines.get(machine))
    return desk.page(
        "confirm.html",
        heading=f"Retire {kept.name}",
        question="It leaves the yard; its jobs and sheets stay. Keeping a sheet of it again "
        "brings it back.",
        act="Retire it",
        back=f"/machines/{kept.id}",
        hidden={},
    )


@router.post("/machines/{machine}/retire")
@needs("keep")
def retire(machine: str, desk: DeskDep) -> Response:
    """Take a machine out of the yard."""
    kept = found(lambda: desk.store.machines.get(machine))
    desk.store.machines.retire(kept.id)
    return desk.seeother("/")


@router.get("/machines/{machine}/sheet")
@needs("keep")
def sheet(machine: str, desk: DeskDep) -> Response:
    """Show the sheet as text, to change or to replace."""
    kept = found(lambda: desk.store.machines.get(machine))
    typed = {"toml": kept.source or dump_sheet(kept.sheet)}
    return _sheet(desk, kept, typed)


@router.post("/machines/{machine}/sheet")
@needs("keep")
def change_sheet(machine: str, desk: DeskDep, form: FormDep) -> Response:
    """Keep the sheet as text."""
    kept = found(lambda: desk.store.machines.get(machine))
    upload = form.file("sheet")
    field = "sheet" if upload else "toml"
    try:
        text = sheet_text(upload, form.text("toml"))
        read = read_text(text, field)
        keep_sheet(desk.store, kept, read, form.text("version"), desk.by, text)
    except Complaint as complaint:
        labels = {"toml": "The sheet", "sheet": "The file"}
        if complaint.field == "name":
            complaint = Complaint(complaint.what, complaint.do, "", field)
        return _sheet(desk, kept, form.typed, Complaints.of(complaint, labels))
    return desk.seeother(f"/machines/{kept.id}?saved=yes")


def _sheet(
    desk: Desk, kept: KeptMachine, typed: dict[str, str], complaints: Complaints | None = None
) -> Response:
    return desk.page(
        "sheet/sheet.html",
        status=422 if complaints else 200,
        machine=kept,
        version=kept.version,
        typed=typed,
        complaints=complaints,
    )


@router.get("/machines/{machine}/sheet.toml")
def download(machine: str, desk: DeskDep, version: int = 0) -> Response:
    """The sheet as a file."""
    kept = found(
        lambda: (
            version_of(desk.store, machine, version)
            if version
            else desk.store.machines.get(machine)
        )
    )
    return Response(
        kept.source or dump_sheet(kept.sheet),
        media_type="application/toml; charset=utf-8",
        headers={"content-disposition": f'attachment; filename="sheet-{kept.version}.toml"'},
    )


@router.get("/machines/{machine}/versions")
def versions(machine: str, desk: DeskDep) -> Response:
    """List the versions of a sheet."""
    kept = found(lambda: desk.store.machines.get(machine))
    return desk.page(
        "sheet/versions.html", machine=kept, versions=desk.store.machines.versions(kept.id)
    )


@router.get("/machines/{machine}/versions/{version}")
def version(machine: str, version: int, desk: DeskDep) -> Response:
    """Show one version of a sheet."""
    kept = found(lambda: version_of(desk.store, machine, version))
    return desk.page(
        "sheet/version.html",
        machine=kept,
        kept=kept,
        text=kept.source or dump_sheet(kept.sheet),
    )
