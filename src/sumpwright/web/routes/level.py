"""Live temperature and setting the level."""

from __future__ import annotations

import tempfile
from contextlib import suppress
from pathlib import Path
from typing import Any

from fastapi import APIRouter
from sse_starlette import EventSourceResponse
from starlette.responses import Response

from sumpwright.errors import Complaint
from sumpwright.records.jobs import NewEvent
from sumpwright.web.deps import Desk, DeskDep, FormDep
from sumpwright.web.errors import NotAllowed, NotHere, found
from sumpwright.web.views.complaints import Complaints
from sumpwright.web.views.jobs import over_body
from sumpwright.web.views.level import ASKED, engine_hold, heard, level_now
from sumpwright.web.views.level_live import moving
from sumpwright.web.views.level_log import log_view
from sumpwright.web.views.level_page import (
    LABELS,
    fitted_entries,
    given_bodies,
    level_page,
    reading_of,
    slope_words,
)
from sumpwright.web.views.level_sources import (
    describe,
    may_choose,
    quick,
    sources_page,
    try_it,
)
from sumpwright.web.views.show import Show

router = APIRouter()

SUFFIXES = (".csv", ".txt", ".tsv", ".soak", ".asc", ".blf", ".log", ".trc")


def _job(desk: Desk, job: str) -> tuple[Any, Any, Show]:
    kept = found(lambda: desk.store.jobs.get(job))
    state = desk.store.jobs.state(kept.id)
    if state.system is None:
        raise NotHere("the job has no wet system", "start it on a machine of the yard")
    return kept, state, desk.show(state.sheet.currency if state.sheet else "")


def _append(desk: Desk, job: str, *entries: tuple[str, dict[str, Any]]) -> None:
    if entries:
        made = [NewEvent(kind, body, desk.by) for kind, body in entries]
        desk.store.jobs.append_all(job, made)
        desk.bus.publish(job)


@router.get("/jobs/{job}/level")
def level(job: str, desk: DeskDep) -> Response:
    """The level screen; with heights in its address, what the slope does."""
    query = desk.request.query_params
    wanted = {key: query[key] for key in ("port_side", "other_side", "distance") if query.get(key)}
    if not wanted:
        return _level(desk, job)
    kept, state, show = _job(desk, job)
    try:
        return _level(desk, kept.id, typed=wanted, slope=slope_words(state, wanted, show))
    except Complaint as complaint:
        return _level(desk, kept.id, complaint, wanted)


def _level(
    desk: Desk,
    job: str,
    complaint: Complaint | None = None,
    typed: dict[str, str] | None = None,
    slope: str = "",
) -> Response:
    kept, state, show = _job(desk, job)
    watching = desk.web.watches.of(kept.id)
    page = level_page(state, show)
    return desk.page(
        "level/page.html",
        status=422 if complaint else 200,
        job=kept,
        now=level_now(desk.web, kept.id, state, show, watching),
        watching=watching,
        broken=desk.web.watches.broken_off(kept.id),
        known=page.known,
        runs=page.runs,
        lacks=page.lacks,
        logs=page.logs,
        back=f"/jobs/{kept.id}/bay",
        typed=typed or {},
        complaints=Complaints.of(complaint, LABELS) if complaint else None,
        complaints_at_slope=bool(typed and "distance" in typed),
        slope=slope,
        said="",
    )


@router.get("/jobs/{job}/level/live")
async def live(job: str, desk: DeskDep) -> Response:
    """What moves on the level screen, as it moves."""
    from anyio import to_thread

    kept, _, show = await to_thread.run_sync(_job, desk, job)
    return EventSourceResponse(
        moving(desk.web, kept.id, show), ping=60, headers={"x-accel-buffering": "no"}
    )


@router.post("/jobs/{job}/level/reading")
def by_hand(job: str, desk: DeskDep, form: FormDep) -> Response:
    """Take a reading that was typed."""
    kept, state, show = _job(desk, job)
    try:
        _append(desk, kept.id, ("read", reading_of(form.text("value"), state, show)))
    except Complaint as complaint:
        return _level(desk, kept.id, complaint, form.typed)
    return desk.seeother(f"/jobs/{kept.id}/level")


@router.post("/jobs/{job}/level/take")
def take(job: str, desk: DeskDep) -> Response:
    """Keep the current reading in the job's log."""
    kept, state, show = _job(desk, job)
    try:
        said = heard(desk.web.watches.of(kept.id), state)
        if said.state != "fresh" or said.kelvin is None:
            raise Complaint("there is no current reading to take", "wait for one, or type it")
        text = f"{said.kelvin} K"
        _append(desk, kept.id, ("read", reading_of(text, state, show, source=said.source)))
    except Complaint as complaint:
        return _level(desk, kept.id, complaint)
    return desk.seeother(f"/jobs/{kept.id}/level")


@router.post("/jobs/{job}/level/look")
def look(job: str, desk: DeskDep, form: FormDep) -> Response:
    """Take what the hand sees at the port."""
    kept, _, _ = _job(desk, job)
    flow = form.text("flow")
    if flow not in ("none", "stream", "drip"):
        flow = desk.web.watches.look(kept.id).flow
    desk.web.watches.see(kept.id, flow, form.checked("engine"))  # type: ignore[arg-type]
    return desk.seeother(f"/jobs/{kept.id}/level")


@router.post("/jobs/{job}/level/fitted")
def fitted(job: str, desk: DeskDep, form: FormDep) -> Response:
    """Keep that the plug was fitted: reading, what ran out, and the whole log."""
    kept, state, show = _job(desk, job)
    keeper = desk.web.watches
    try:
        watching = keeper.of(kept.id)
        said = heard(watching, state)
        entries = fitted_entries(state, said, form.text("volume"), show)
        reason = form.text("reason")
        now = level_now(desk.web, kept.id, state, show, watching)
        if now.verdict != "fit":
            hold = engine_hold(desk.web, state)
            if hold is not None and hold.firm:
                raise Complaint(f"not yet: {show.say(hold.why)}", "no reason makes this safe")
            if not reason:
                why = show.say(hold.why) if hold else now.title.lower()
                raise Complaint(
                    f"the level is not right yet: {why}",
                    "wait, or say why it is right all the same",
                    field="reason",
                )
            passed = ("level/window", *(("level/engine",) if hold else ()))
            entries.insert(0, ("overrode", over_body(passed[0], passed[1:], reason)))
        _finish(desk, kept.id, *entries)
    except Complaint as complaint:
        return _level(desk, kept.id, complaint, form.typed)
    return desk.seeother(f"/jobs/{kept.id}/bay")


def _finish(desk: Desk, job: str, *entries: tuple[str, dict[str, Any]]) -> None:
    """Stop watching, and keep the logs with the job before the other entries."""
    keeper = desk.web.watches
    finished = keeper.finish(job, desk.by)
    _append(desk, job, *(("logged", log.body) for log in finished), *entries)
    for log in finished:
        keeper.settle(log)


@router.post("/jobs/{job}/level/given")
def given(job: str, desk: DeskDep, form: FormDep) -> Response:
    """Take what the sheet does not say, for this job."""
    kept, state, show = _job(desk, job)
    try:
        bodies = given_bodies(state, {key: form.text(key) for key in ASKED}, show)
        _append(desk, kept.id, *(("read", body) for body in bodies))
    except Complaint as complaint:
        return _level(desk, kept.id, complaint, form.typed)
    return desk.seeother(f"/jobs/{kept.id}/level")


@router.post("/jobs/{job}/level/again")
def again(job: str, desk: DeskDep) -> Response:
    """Watch once more what was watched when the server ended."""
    kept, _, _ = _job(desk, job)
    broken = desk.web.watches.broken_off(kept.id)
    try:
        if broken is None:
            raise Complaint("nothing was broken off", "choose a source")
        desk.web.watches.start(kept.id, broken.source)
    except Complaint as complaint:
        return _level(desk, kept.id, complaint)
    return desk.seeother(f"/jobs/{kept.id}/level")


@router.post("/jobs/{job}/level/stop")
def stop(job: str, desk: DeskDep) -> Response:
    """Stop watching, and keep the log with the job."""
    kept, _, _ = _job(desk, job)
    _finish(desk, kept.id)
    return desk.seeother(f"/jobs/{kept.id}/level")


# Sources


@router.get("/jobs/{job}/level/sources")
def sources(job: str, desk: DeskDep) -> Response:
    """Choose where the temperature comes from."""
    return _sources(desk, job)


def _sources(
    desk: Desk,
    job: str,
    complaint: Complaint | None = None,
    typed: dict[str, str] | None = None,
    trial: Any = None,
) -> Response:
    kept, _, _ = _job(desk, job)
    look_around = desk.request.query_params.get("look") == "around"
    return desk.page(
        "level/sources.html",
        status=422 if complaint else 200,
        job=kept,
        page=sources_page(desk.web, kept, desk.visitor, look_around),
        typed=typed or {},
        trial=trial,
        complaints=Complaints.of(complaint, LABELS) if complaint else None,
    )


@router.post("/jobs/{job}/level/sources")
def source_act(job: str, desk: DeskDep, form: FormDep) -> Response:
    """Try a source, keep it for the machine, watch it, or forget it."""
    kept, _, _ = _job(desk, job)
    act, machine = form.text("act"), kept.machine
    try:
        if act == "watch":
            chosen = desk.store.temperatures.get(machine, form.text("source"))
            desk.web.watches.start(kept.id, describe(chosen.description, chosen.name))
            return desk.seeother(f"/jobs/{kept.id}/level")
        if not may_choose(desk.visitor):
            raise NotAllowed(
                "only the keeper may choose what this machine listens to",
                "ask the keeper, or choose one that is kept",
            )
        if act == "forget":
            desk.store.temperatures.forget(machine, form.text("source"))
            return desk.seeother(f"/jobs/{kept.id}/level/sources")
        text = form.text("found") or form.text("description")
        description = quick(text)
        if act == "try":
            return _sources(desk, kept.id, typed=form.typed, trial=try_it(description))
        name = form.text("name")
        made = desk.store.temperatures.keep(machine, name, str(description), by=desk.by)
        desk.web.watches.start(kept.id, describe(made.description, made.name))
    except NotAllowed:
        raise
    except Complaint as complaint:
        return _sources(desk, kept.id, complaint, form.typed)
    return desk.seeother(f"/jobs/{kept.id}/level")


@router.post("/jobs/{job}/level/replay")
def replay(job: str, desk: DeskDep, form: FormDep) -> Response:
    """Play a recorded log that was sent here."""
    kept, _, _ = _job(desk, job)
    folder = Path(tempfile.mkdtemp(prefix="sumpwright-"))
    try:
        upload = form.file("log")
        if upload is None:
            raise Complaint("no log was chosen", "choose a file", field="log")
        suffix = Path(upload.filename or "").suffix.lower()
        if suffix not in SUFFIXES:
            raise Complaint(
                f"a file of the kind '{suffix}' is not read here",
                f"choose one of {', '.join(SUFFIXES)}",
                field="log",
            )
        path = folder / f"log{suffix}"
        path.write_bytes(upload.file.read())
        name = "".join(c for c in Path(upload.filename or "").name if c.isprintable())[:60]
        options = {"name": name or "recording", "speed": form.text("speed") or "1"}
        options |= {key: text for key in ("as", "temperature") if (text := form.text(key))}
        _start_replay(desk, kept.id, path, options)
    except Complaint as complaint:
        _clear(folder)
        return _sources(desk, kept.id, complaint, form.typed)
    return desk.seeother(f"/jobs/{kept.id}/level")


def _start_replay(desk: Desk, job: str, path: Path, options: dict[str, str]) -> None:
    from sumpwright.link.csvlog import Columns, taken
    from sumpwright.link.describe import Description

    if path.suffix in (".csv", ".txt", ".tsv"):
        # asked while there is a form to answer in
        taken(path, Columns(temperature=options.get("temperature", "")))
    desk.web.watches.start(
        job, Description("replay", str(path), options), tidy=lambda: _clear(path.parent)
    )


def _clear(folder: Path) -> None:
    for path in folder.glob("*"):
        path.unlink(missing_ok=True)
    with suppress(OSError):
        folder.rmdir()


# Logs


@router.get("/jobs/{job}/logs/{log}")
def one_log(job: str, log: str, desk: DeskDep) -> Response:
    """A whole log of temperatures, drawn."""
    kept, state, show = _job(desk, job)
    view = found(lambda: log_view(desk.store, state, log, show))
    return desk.page("level/log.html", job=kept, log=view)


@router.post("/jobs/{job}/logs/{log}/age")
def use_log(job: str, log: str, desk: DeskDep) -> Response:
    """Count a log towards the thermal age of the fluid; twice is the same as once."""
    from sumpwright.link.kept import count_log

    kept, state, show = _job(desk, job)
    found(lambda: log_view(desk.store, state, log, show))
    count_log(desk.store, state, log, desk.by)
    return desk.seeother(f"/jobs/{kept.id}/logs/{log}")
