"""What comes of the books: policies, laboratory, costs, tables, and a calendar to subscribe to."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import Any

from fastapi import APIRouter
from starlette.responses import Response

from sumpwright.display import Display
from sumpwright.errors import Complaint
from sumpwright.planning.clock import today
from sumpwright.records.taking import SORTS, Sort, Taking, preview, take
from sumpwright.web.deps import Desk, DeskDep, FormDep
from sumpwright.web.errors import NotHere, found
from sumpwright.web.security import needs
from sumpwright.web.views.complaints import Complaints
from sumpwright.web.views.machine_page import system_at
from sumpwright.web.views.pairing import address_of
from sumpwright.web.views.tables import SORT_WORDS

router = APIRouter()


@router.get("/machines/{machine}/systems/{place}/policy")
def policy(machine: str, place: int, desk: DeskDep) -> Response:
    """Compare intervals and methods in the long run."""
    from sumpwright.records.policies import outlook
    from sumpwright.web.views.outlook import policy_view

    kept = found(lambda: desk.store.machines.get(machine))
    system = kept.sheet.machine.systems[system_at(kept, place)]
    view, trouble = None, None
    try:
        made = outlook(desk.store, kept.id, system.name, today())
        view = policy_view(made, desk.show(kept.sheet.currency))
    except Complaint as complaint:
        trouble = complaint
    return desk.page(
        "when/policy.html", machine=kept, system=system, place=place, view=view, trouble=trouble
    )


@router.get("/machines/{machine}/laboratory")
def laboratory(machine: str, desk: DeskDep, kept: str = "") -> Response:
    """Show the laboratory's reports on a machine, and take another."""
    return _laboratory(desk, machine, {}, kept=kept)


@router.post("/machines/{machine}/laboratory")
def add_report(machine: str, desk: DeskDep, form: FormDep) -> Response:
    """Keep a report."""
    from sumpwright.records.books import past_of
    from sumpwright.records.entering import doubts_after, refuse_doubted
    from sumpwright.records.told import ToldReport, make
    from sumpwright.web.views.when import read_report

    known = found(lambda: desk.store.machines.get(machine))
    values, remark, wrong = read_report(form.typed, desk.show(form=form))
    if wrong.any:
        return _laboratory(desk, known.id, form.typed, wrong)
    try:
        at = _day(form.text("day"))
        system = known.system(form.text("system") or None)
        told = make(ToldReport, {**values, "system": system.name})
        own, others = doubts_after(past_of(desk.store, known.id), told, at, today())
        refuse_doubted(own, others, form.checked("sure"), "tick that it was read twice")
        note = "; ".join(filter(None, (form.text("note"), remark)))
        desk.store.told.add(known.id, told, at, by=desk.by, note=note)
    except Complaint as complaint:
        labels = {"day": "Day of the sample", "system": "Wet system", "sure": "It was read twice"}
        return _laboratory(desk, known.id, form.typed, Complaints.of(complaint, labels))
    return desk.seeother(f"/machines/{known.id}/laboratory?kept=yes")


def _day(text: str) -> datetime:
    from sumpwright.records.cells import read_date
    from sumpwright.records.taking import at_midnight

    now = datetime.now(UTC)
    if not text:
        return now
    try:
        day = read_date(text, None)
    except Complaint as complaint:
        raise Complaint(complaint.what, complaint.do, "", "day") from None
    if day > max(now.date(), datetime.now().astimezone().date()):
        raise Complaint("lies in the future", "correct the date", "", "day")
    return min(at_midnight(day), now)


def _laboratory(
    desk: Desk,
    machine: str,
    typed: dict[str, str],
    complaints: Complaints | None = None,
    *,
    kept: str = "",
) -> Response:
    from sumpwright.records.due import machine_due
    from sumpwright.web.views.when import laboratory_views

    known = found(lambda: desk.store.machines.get(machine))
    show = desk.show(known.sheet.currency)
    systems = known.sheet.machine.systems
    return desk.page(
        "when/laboratory.html",
        status=422 if complaints else 200,
        machine=known,
        views=laboratory_views(machine_due(desk.store, known.id, today()), show),
        systems=[(s.name, s.name) for s in systems],
        typed=typed,
        complaints=complaints,
        kept=kept,
    )


@router.post("/told/{id}/confirm")
def confirm(id: str, desk: DeskDep) -> Response:
    """Let a report count that was kept out because it names or looks like another fluid."""
    entry = found(lambda: desk.store.told.confirm(id, by=desk.by))
    return desk.seeother(f"/machines/{entry.machine}/laboratory?kept=sure")


@router.post("/told/{id}/withdraw")
def take_back(id: str, desk: DeskDep) -> Response:
    """Take something told back: it stays in the books and counts no longer."""
    entry = found(lambda: desk.store.told.withdraw(id))
    back = "laboratory" if entry.told.kind == "report" else ""
    return desk.seeother(f"/machines/{entry.machine}/{back}".rstrip("/"))


@router.get("/costs")
def costs(desk: DeskDep) -> Response:
    """Show what the machines have cost, and next year's fluid as one basket."""
    from sumpwright.records.books import load
    from sumpwright.records.spending import costs as sum_up
    from sumpwright.records.spending import year_need
    from sumpwright.web.views.outlook import costs_view

    pasts = load(desk.store)
    money = next((p.machine.sheet.currency for p in pasts if p.machine.sheet.currency), "")
    view = costs_view(sum_up(desk.store, pasts), year_need(desk.store, today()), desk.show(money))
    return desk.page("when/costs.html", view=view)


@router.get("/tables")
@needs("keep")
def tables(desk: DeskDep, sort: str = "readings", machine: str = "", done: int = -1) -> Response:
    """Offer to take in a table."""
    return _tables(desk, {"sort": sort, "machine": machine}, done=done)


@router.post("/tables")
@needs("keep")
def look(desk: DeskDep, form: FormDep) -> Response:
    """Show what a table holds; nothing is kept yet."""
    sort, upload = _sort(form.text("sort")), form.file("file")
    typed = form.typed
    try:
        if upload is None:
            raise Complaint("no file was chosen", "choose a CSV or XLSX file", field="file")
        data, name = upload.file.read(), upload.filename or ""
        machine, system = form.text("machine"), form.text("system")
        seen = preview(
            desk.store,
            sort,
            data,
            name,
            machine=machine,
            system=system,
            display=desk.show().display,
        )
    except Complaint as complaint:
        field = complaint.field if complaint.field in ("machine", "system") else "file"
        wrong = Complaint(complaint.what, complaint.do, "", field)
        labels = {"file": "The table", "machine": "Machine", "system": "Wet system"}
        return _tables(desk, typed, complaints=Complaints.of(wrong, labels))
    key = ""
    if seen.new and not seen.faults:
        key = desk.web.waiting.hold(sort, data, name, machine, system, _who(desk))
    return _tables(desk, typed, seen=seen, key=key)


@router.post("/tables/keep")
@needs("keep")
def keep_table(desk: DeskDep, form: FormDep) -> Response:
    """Take in a table that was shown: all of it, or nothing."""
    try:
        held = desk.web.waiting.take(form.text("key"), _who(desk))
        seen = preview(
            desk.store, held.sort, held.data, held.name, machine=held.machine, system=held.system
        )
        kept = take(desk.store, seen, by=desk.by)
    except Complaint as complaint:
        wrong = Complaint(complaint.what, complaint.do, "", "file")
        return _tables(desk, form.typed, complaints=Complaints.of(wrong, {"file": "The table"}))
    return desk.seeother(f"/tables?sort={held.sort}&done={kept}")


def _who(desk: Desk) -> str:
    return desk.visitor.device.id if desk.visitor.device else "here"


def _sort(text: str) -> Sort:
    return next((sort for sort in SORTS if sort == text), "readings")


def _tables(
    desk: Desk,
    typed: dict[str, str],
    *,
    complaints: Complaints | None = None,
    seen: Taking | None = None,
    key: str = "",
    done: int = -1,
) -> Response:
    names = [(m.name, m.name) for m in desk.store.machines.all()]
    return desk.page(
        "when/tables.html",
        status=422 if complaints or (seen is not None and seen.faults) else 200,
        typed={**typed, "sort": _sort(typed.get("sort", ""))},
        complaints=complaints,
        seen=seen,
        key=key,
        done=done,
        sorts=list(SORT_WORDS.items()),
        machines=[("", "as the file says"), *names],
        largest=desk.web.settings.largest_upload,
    )


# The calendar


@router.get("/calendar.ics", response_class=Response)
def calendar(desk: DeskDep) -> Response:
    """What is due, for a device that is let in."""
    return _calendar(desk, desk.show().display)


@router.get("/calendar/{token}/due.ics", response_class=Response)
@needs("nothing")
def calendar_by_link(token: str, desk: DeskDep) -> Response:
    """What is due, for a calendar that holds the link; the keeper can withdraw it."""
    named = desk.web.signer.calendar_of(token)
    device = desk.store.devices.get(named) if named else None
    if device is None or device.revoked_at is not None:
        raise NotHere("this calendar link does not hold (any more)", "ask the keeper for a new one")
    desk.store.devices.seen(device)
    return _calendar(desk, Display())


@router.post("/calendar/links")
@needs("keep")
def new_calendar(desk: DeskDep, form: FormDep) -> Response:
    """Make a link for a calendar; sending its device away withdraws it."""
    name = f"Calendar of {form.text('name')}" if form.text("name") else "Calendar"
    device = desk.store.devices.admit("reader", name[:80])
    token = desk.web.signer.calendar(device)
    link = f"{address_of(desk.web.settings)}/calendar/{token}/due.ics"
    return desk.page("when/calendar.html", link=link, device=device)


def _calendar(desk: Desk, display: Display) -> Response:
    from sumpwright.records.calendar import CONTENT_TYPE
    from sumpwright.records.calendar import calendar as write
    from sumpwright.records.due import due_for_yard

    now = datetime.now(UTC)
    items: list[Any] = due_for_yard(desk.store, _local_day())
    return Response(
        write(items, now, display=display),
        media_type=CONTENT_TYPE,
        headers={"content-disposition": 'inline; filename="due.ics"'},
    )


def _local_day() -> date:
    return datetime.now().astimezone().date()
