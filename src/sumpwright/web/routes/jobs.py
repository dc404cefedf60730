"""Pages of a job: where it stands, plain forms for each entry, closing, photographs."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from fastapi import APIRouter
from starlette.responses import JSONResponse, Response

from sumpwright.errors import Complaint
from sumpwright.planning.job_step import condition
from sumpwright.planning.openings import CLOSE_LINE
from sumpwright.records.chain import unstamp
from sumpwright.records.doubts import DOUBTED, doubts, reasoned
from sumpwright.records.job_run import to_undo
from sumpwright.records.jobs import NewEvent
from sumpwright.records.last_meters import meters_for
from sumpwright.records.photographs import keep_photograph
from sumpwright.unit_words import Dimension
from sumpwright.units import parse_quantity
from sumpwright.web.deps import Desk, DeskDep, Form, FormDep
from sumpwright.web.errors import NotHere, error_json, found, status_of
from sumpwright.web.security import needs
from sumpwright.web.views.asks import FORMS, READINGS, body_of, with_unit
from sumpwright.web.views.complaints import Complaints
from sumpwright.web.views.jobs import (
    Situated,
    closing,
    job_page,
    lesson,
    look_words,
    next_step,
    open_jobs,
    over_body,
    situate,
    whole_number,
)
from sumpwright.web.views.show import Show

router = APIRouter()


def _at(desk: Desk, job: str, *, estimate: bool = False) -> tuple[Situated, Show]:
    kept = found(lambda: desk.store.jobs.get(job))
    state = desk.store.jobs.state(kept.id)
    show = desk.show(state.sheet.currency if state.sheet else "")
    return situate(desk.web, kept.id, show, estimate=estimate), show


def _keep(desk: Desk, job: str, *entries: tuple[str, dict[str, Any]]) -> None:
    made = [NewEvent(kind, body, desk.by) for kind, body in entries]
    desk.store.jobs.append_all(job, made, desk.show().display)
    desk.bus.publish(job)


@router.get("/jobs")
def jobs(desk: DeskDep) -> Response:
    """List the jobs."""
    going, gone = open_jobs(desk.store)
    return desk.page("job/list.html", going=going, gone=gone)


@router.get("/jobs/{job}")
def job(job: str, desk: DeskDep) -> Response:
    """Show where a job stands."""
    return _job(desk, job)


def _job(desk: Desk, job: str, complaint: Complaint | None = None) -> Response:
    at, show = _at(desk, job, estimate=True)
    return desk.page(
        "job/page.html",
        status=422 if complaint else 200,
        page=job_page(desk.web, at, show),
        job=at.kept,
        complaints=Complaints.of(complaint, {}) if complaint else None,
        look_words=lambda look: look_words(look, show),
        currency=show.display.currency,
    )


# The job step by step, without script


@router.get("/jobs/{job}/step")
def step(job: str, desk: DeskDep, step: str = "", skip: str = "") -> Response:
    """Show the step to do now, with a plain form for it."""
    return _step(desk, job, wanted=step, skip=skip)


def _step(
    desk: Desk,
    job: str,
    *,
    wanted: str = "",
    skip: str = "",
    complaint: Complaint | None = None,
    typed: dict[str, str] | None = None,
) -> Response:
    at, show = _at(desk, job, estimate=True)
    skipped = [id for id in skip.split(" ") if id][:50]
    now = next_step(at, show, skipped, wanted)
    if wanted and now is None:
        raise NotHere(f"the job has no step '{wanted[:60]}'", "look at the list of its steps")
    labels = now.form.labels if now and now.form else {}
    page = job_page(desk.web, at, show)
    return desk.page(
        "job/step.html",
        status=422 if complaint else 200,
        job=at.kept,
        now=now,
        page=page,
        skip=" ".join(skipped),
        typed={**(now.typed if now else {}), **(typed or {})},
        complaints=Complaints.of(complaint, labels | {"reason": "Reason"}) if complaint else None,
        readings=_readings(),
        cycles=at.run.cycles,
        currency=show.display.currency,
    )


def _readings() -> list[tuple[str, str]]:
    return [("", "choose"), *((name, label) for name, (label, _, _) in READINGS.items())]


@router.post("/jobs/{job}/step")
def do_step(job: str, desk: DeskDep, form: FormDep) -> Response:
    """Keep what was done at a step, or pass one over with a reason."""
    at, show = _at(desk, job)
    here, act, skip = form.text("step"), form.text("act"), form.text("skip")
    step = at.run.step(here)
    if step is None:
        raise NotHere(f"the job has no step '{here[:60]}'", "load the page again")
    back = f"/jobs/{at.kept.id}/step"
    try:
        if act == "skip" and step.optional:
            return desk.seeother(f"{back}?skip={'+'.join(filter(None, [*skip.split(), here]))}")
        if act == "over":
            reason = form.text("reason")
            if not reason:
                raise Complaint("the reason is missing", "say why it is safe", field="reason")
            if any(hold.firm for hold in at.run.holding(step)):
                raise Complaint("no reason makes this safe", "do first what it waits for")
            if here == CLOSE_LINE and "line" in at.state.opened:
                raise Complaint("no reason makes an open line safe", "close it, and tick the step")
            first, *also = form.texts("condition") or [here]
            _keep(desk, at.kept.id, ("overrode", over_body(first, also, reason)))
            return desk.seeother(f"{back}?step={here}" if form.texts("condition") else back)
        held = at.run.holding(step)
        if held:
            why = show.text(held[0].why.say(show.display))
            firm = any(hold.firm for hold in held)
            raise Complaint(
                f"not yet: {why}",
                "do that first" if firm else "do that first, or go on with a reason",
            )
        if act == "decide":
            cycles = whole_number(form.text("cycles"), "cycles", max(at.run.orders))
            _keep(desk, at.kept.id, ("decided", {"cycles": cycles, "step": here}))
        elif step.entry.event in FORMS and act != "none":
            body = body_of(FORMS[step.entry.event], form.typed, show)
            over = _doubted(
                desk, at, step.entry.event, body, form.text("reason"), show, here, step.entry.most
            )
            if step.entry.event == "sampled":
                body["cycle"] = step.entry.for_cycle
            _keep(desk, at.kept.id, *over, (step.entry.event, {**body, "step": here}))
        else:
            _keep(desk, at.kept.id, ("did", {"step": here}))
    except Complaint as complaint:
        return _step(
            desk, at.kept.id, wanted=here, skip=skip, complaint=complaint, typed=form.typed
        )
    return desk.seeother(f"{back}?skip={skip}" if skip else back)


def _doubted(
    desk: Desk,
    at: Situated,
    kind: str,
    body: dict[str, Any],
    reason: str,
    show: Show,
    here: str,
    most: float | None = None,
) -> list[tuple[str, dict[str, Any]]]:
    """Return the reasons that go with an entry which looks like a slip.

    Raises
    ------
    Complaint
        When it looks like one and no reason is given.
    """
    meters = meters_for(desk.store, at.state, body)
    found = doubts(at.state, kind, body, show.display, most, meters)
    return reasoned(found, reason, here, say=show.text)


# Entries of any kind


@router.get("/jobs/{job}/enter/{kind}")
def enter(job: str, kind: str, desk: DeskDep) -> Response:
    """Show the plain form of a kind of entry."""
    return _enter(desk, job, kind)


def _enter(
    desk: Desk,
    job: str,
    kind: str,
    complaint: Complaint | None = None,
    typed: dict[str, str] | None = None,
) -> Response:
    if kind not in FORMS:
        raise NotHere(f"there is no entry of the kind '{kind[:40]}'", "choose one of the list")
    at, show = _at(desk, job)
    fluid = at.state.system.fluid if at.state.system else ""
    asked = at.run.asked(kind)
    return desk.page(
        "job/enter.html",
        asked=asked,
        held=[show.text(hold.why.say(show.display)) for hold in asked.held],
        completes=at.words.title(asked.step.id) if asked.step and asked.completes else "",
        doubtful=kind in DOUBTED,
        status=422 if complaint else 200,
        job=at.kept,
        form=FORMS[kind],
        typed={"fluid": fluid, **(typed or {})},
        complaints=Complaints.of(complaint, FORMS[kind].labels | {"reason": "Reason"})
        if complaint
        else None,
        readings=_readings(),
        currency=show.display.currency,
    )


@router.post("/jobs/{job}/enter/{kind}")
def entered(job: str, kind: str, desk: DeskDep, form: FormDep) -> Response:
    """Keep an entry."""
    if kind not in FORMS:
        raise NotHere(f"there is no entry of the kind '{kind[:40]}'", "choose one of the list")
    at, show = _at(desk, job)
    try:
        body = body_of(FORMS[kind], form.typed, show)
        asked, reason = at.run.asked(kind), form.text("reason")
        if any(hold.firm for hold in asked.held):
            why = show.text(next(h for h in asked.held if h.firm).why.say(show.display))
            raise Complaint(f"not yet: {why}", "no reason makes this safe")
        if asked.held and not reason:
            why = "; ".join(show.text(hold.why.say(show.display)) for hold in asked.held)
            raise Complaint(f"not yet: {why}", "do that first, or give a reason", field="reason")
        here = asked.step.id if asked.step else kind
        over = _doubted(desk, at, kind, body, reason, show, here, at.run.safe or None)
        if asked.step and asked.held:
            first, *also = (condition(asked.step, hold) for hold in asked.held)
            over.insert(0, ("overrode", over_body(first, also, reason)))
        if kind == "sampled":
            body["cycle"] = at.state.cycles
        if asked.step and asked.completes:
            body["step"] = asked.step.id
        _keep(desk, at.kept.id, *over, (kind, body))
    except Complaint as complaint:
        return _enter(desk, at.kept.id, kind, complaint, form.typed)
    return desk.seeother(f"/jobs/{at.kept.id}")


@router.post("/jobs/{job}/undo")
def undo(job: str, desk: DeskDep, form: FormDep) -> Response:
    """Take an entry back: the one named, else the last act."""
    at, _ = _at(desk, job)
    wanted = form.text("event")
    if not wanted:
        last = to_undo(at.state)
        if last is None:
            raise Complaint("there is nothing to undo", "make an entry first")
        wanted = last.id
    desk.store.jobs.undo(at.kept.id, wanted, by=desk.by)
    desk.bus.publish(at.kept.id)
    return desk.seeother(_back(form, at))


@router.post("/jobs/{job}/redo")
def redo(job: str, desk: DeskDep, form: FormDep) -> Response:
    """Bring back what was undone last."""
    at, _ = _at(desk, job)
    desk.store.jobs.redo(at.kept.id, by=desk.by)
    desk.bus.publish(at.kept.id)
    return desk.seeother(_back(form, at))


def _back(form: Form, at: Situated) -> str:
    return f"/jobs/{at.kept.id}/step" if form.text("to") == "step" else f"/jobs/{at.kept.id}"


# Calls, without script


@router.get("/jobs/{job}/calls")
def calls(job: str, desk: DeskDep) -> Response:
    """Show the calls to the seat that nobody has answered."""
    at, _ = _at(desk, job)
    return desk.page("job/calls.html", job=at.kept, pending=at.state.pending)


@router.post("/jobs/{job}/calls/{signal}")
@needs("seat")
def answer_call(job: str, signal: str, desk: DeskDep) -> Response:
    """Answer a call."""
    at, _ = _at(desk, job)
    call = next((event for event in at.state.pending if event.id == signal), None)
    if call is not None:
        body = {"signal": call.id}
        if call.body.get("completes") is True:
            body["step"] = str(call.body["step"])
        _keep(desk, at.kept.id, ("acknowledged", body))
    return desk.seeother(f"/jobs/{at.kept.id}/calls")


# Photographs


@router.post("/jobs/{job}/photographs")
def add_photograph(job: str, desk: DeskDep, form: FormDep) -> Response:
    """Keep a photograph with the job; its pixels only."""
    for_script = "application/json" in desk.request.headers.get("accept", "")
    at, _ = _at(desk, job)
    try:
        upload = form.file("photograph")
        if upload is None:
            raise Complaint("no photograph was chosen", "choose one", field="photograph")
        kept = keep_photograph(desk.store, upload.file.read(), upload.filename or "", desk.by)
        body = {"attachment": kept.sha256, "caption": form.text("caption") or None}
        if form.text("step"):
            body["step"] = form.text("step")
        desk.store.jobs.append(
            at.kept.id,
            "photographed",
            body,
            by=form.text("by") or desk.by,
            at=_when(form.text("at")),
            id=form.text("id") or None,
        )
        desk.bus.publish(at.kept.id)
    except Complaint as complaint:
        if for_script:
            return JSONResponse(
                error_json(complaint, desk.show()), status_code=status_of(complaint)
            )
        return _job(desk, at.kept.id, complaint)
    if for_script:
        return JSONResponse({"attachment": kept.sha256})
    return desk.seeother(f"/jobs/{at.kept.id}#photographs")


def _when(text: str) -> datetime | None:
    return unstamp(text) if text else None


# Kept steps


@router.post("/jobs/{job}/adopt")
def adopt(job: str, desk: DeskDep, form: FormDep) -> Response:
    """Take over what an earlier job taught about its steps."""
    at, _ = _at(desk, job)
    chosen = found(lambda: desk.store.step_sets.get(form.text("set")))
    _keep(desk, at.kept.id, ("adopted", {"name": chosen.name, **chosen.kept.to_json()}))
    return desk.seeother(f"/jobs/{at.kept.id}")


@router.get("/step-sets")
def step_sets(desk: DeskDep) -> Response:
    """List the kept steps."""
    return desk.page("job/sets.html", sets=desk.store.step_sets.all())


@router.post("/step-sets/{id}/forget")
@needs("keep")
def forget(id: str, desk: DeskDep) -> Response:
    """Take kept steps away."""
    desk.store.step_sets.forget(id)
    return desk.seeother("/step-sets")


# Closing, and what comes after


@router.get("/jobs/{job}/close")
def close_form(job: str, desk: DeskDep) -> Response:
    """Ask what belongs to the end of a job."""
    return _close(desk, job)


def _close(
    desk: Desk,
    job: str,
    complaint: Complaint | None = None,
    typed: dict[str, str] | None = None,
) -> Response:
    at, show = _at(desk, job)
    labels = {
        "odometer": "Odometer",
        "hours": "Running hours",
        "reason": "Reason",
        "summary": "Summary",
        "distance": "Distance",
        "name": "Name of the kept steps",
    }
    return desk.page(
        "job/close.html",
        status=422 if complaint else 200,
        job=at.kept,
        closing=closing(at, show),
        doubted=bool(complaint and "this is less than" in complaint.what),
        typed=typed
        or {"first_drive": "yes", "name": f"{at.state.system_name}, {at.kept.machine_name}"},
        complaints=Complaints.of(complaint, labels) if complaint else None,
        currency=show.display.currency,
    )


@router.post("/jobs/{job}/close")
def close(job: str, desk: DeskDep, form: FormDep) -> Response:
    """Close a job, plan the looks after it, and keep its steps where that is wanted."""
    at, show = _at(desk, job)
    try:
        body: dict[str, Any] = {}
        if form.text("odometer"):
            body["odometer"] = _quantity(form.text("odometer"), "distance", "odometer", show)
        if form.text("hours"):
            body["hours"] = _quantity(form.text("hours"), "time", "hours", show)
        over = _doubted(desk, at, "closed", body, form.text("reason"), show, "closed")
        end = closing(at, show)
        if at.kept.open:
            over += end.ended.reasoned(form.text("reason"), end.asked)
        body |= end.ended.body
        if form.text("summary"):
            body["summary"] = form.text("summary")
        looks: list[float | None] = [None] if form.checked("first_drive") else []
        if form.text("distance"):
            looks.append(_quantity(form.text("distance"), "distance", "distance", show))
        kept = lesson(at)
        if form.checked("keep"):
            desk.store.step_sets.save(
                form.text("name"),
                at.state.system.kind if at.state.system else "other",
                at.state.method,
                kept,
                job=at.kept.id,
                by=desk.by,
            )
        if at.kept.open:
            logs = desk.web.watches.finish(at.kept.id, desk.by)
            _keep(
                desk, at.kept.id, *(("logged", log.body) for log in logs), *over, ("closed", body)
            )
            for log in logs:
                desk.web.watches.settle(log)
        desk.store.looks.plan(at.kept.id, looks, by=desk.by)
    except Complaint as complaint:
        return _close(desk, at.kept.id, complaint, form.typed)
    return desk.seeother(f"/jobs/{at.kept.id}/record")


def _quantity(text: str, dimension: Dimension, field: str, show: Show) -> float:
    try:
        return parse_quantity(with_unit(text, dimension, show), dimension)
    except Complaint as complaint:
        raise Complaint(complaint.what, complaint.do, field=field) from None


@router.post("/looks/{look}/done")
def look_done(look: str, desk: DeskDep, form: FormDep) -> Response:
    """Note that a look after a job was taken."""
    desk.store.looks.done(look, note=form.text("note"), by=desk.by)
    job = form.text("job")
    return desk.seeother(f"/jobs/{job}" if job and job.isascii() and "/" not in job else "/")
