"""Records: as a page, as files to share, and verified from a file."""

from __future__ import annotations

from typing import Literal

from fastapi import APIRouter
from starlette.responses import JSONResponse, Response

from sumpwright.errors import Complaint
from sumpwright.records.attachments import plain_name
from sumpwright.records.export import record_document
from sumpwright.web.deps import Desk, DeskDep, FormDep
from sumpwright.web.errors import found
from sumpwright.web.security import needs
from sumpwright.web.views.complaints import Complaints
from sumpwright.web.views.job_record import (
    drawn_photograph,
    figure_of,
    log_figure_of,
    record_page,
    verified,
)
from sumpwright.web.views.jobs import Situated, look_words, situate
from sumpwright.web.views.paper import record_of_job
from sumpwright.web.views.show import Show

router = APIRouter()


def _at(desk: Desk, job: str) -> tuple[Situated, Show]:
    kept = found(lambda: desk.store.jobs.get(job))
    state = desk.store.jobs.state(kept.id)
    show = desk.show(state.sheet.currency if state.sheet else "")
    return situate(desk.web, kept.id, show), show


@router.get("/jobs/{job}/record")
def record(job: str, desk: DeskDep) -> Response:
    """Show the record of a job."""
    at, show = _at(desk, job)
    if at.standing is None:
        raise Complaint("the job has no wet system", "start it on a machine of the yard")
    return desk.page(
        "job/record.html",
        job=at.kept,
        record=record_page(at.standing, at.events, show),
        problems=[str(problem) for problem in desk.store.jobs.verify(at.kept.id)],
        looks=desk.store.looks.of(at.kept.id),
        look_words=lambda look: look_words(look, show),
        currency=show.display.currency,
    )


@router.get("/jobs/{job}/figure.svg")
def figure(
    job: str, desk: DeskDep, look: Literal["light", "dark"] = "light", narrow: bool = False
) -> Response:
    """The figure of a job: fresh share against new fluid used."""
    at, show = _at(desk, job)
    if at.standing is None:
        raise Complaint("the job has no wet system", "start it on a machine of the yard")
    return Response(
        figure_of(at.standing, show, look == "dark", narrow),
        media_type="image/svg+xml",
        headers={"content-security-policy": "default-src 'none'; style-src 'unsafe-inline'"},
    )


_DRAWN = {"content-security-policy": "default-src 'none'; style-src 'unsafe-inline'; img-src data:"}


@router.get("/jobs/{job}/logs/{log}/figure.svg")
def log_figure(
    job: str,
    log: str,
    desk: DeskDep,
    look: Literal["light", "dark"] = "light",
    narrow: bool = False,
) -> Response:
    """The figure of a temperature log: the fluid against time, the window, the plug."""
    at, show = _at(desk, job)
    standing = at.standing
    if standing is None:
        raise Complaint("the job has no wet system", "start it on a machine of the yard")
    dark = look == "dark"
    drawn = found(
        lambda: log_figure_of(desk.store, standing, at.events, log, show, dark=dark, narrow=narrow)
    )
    return Response(drawn, media_type="image/svg+xml", headers=_DRAWN)


@router.get("/jobs/{job}/photographs/{sha}.svg")
def photograph(job: str, sha: str, desk: DeskDep) -> Response:
    """A photograph of a row of samples with outlines, patches and shares drawn on it."""
    at, show = _at(desk, job)
    standing = at.standing
    if standing is None:
        raise Complaint("the job has no wet system", "start it on a machine of the yard")
    drawn = found(lambda: drawn_photograph(desk.store, standing, at.events, sha, show))
    return Response(drawn, media_type="image/svg+xml", headers=_DRAWN)


@router.get("/jobs/{job}/record.pdf")
def record_pdf(job: str, desk: DeskDep, letter: bool = False) -> Response:
    """The record of a job on paper."""
    at, _ = _at(desk, job)
    content = record_of_job(desk.store, desk.web.standings, at.kept.id, desk.show(), letter)
    return Response(content, media_type="application/pdf", headers=_named(at, "pdf"))


@router.get("/jobs/{job}/record.json")
def record_json(job: str, desk: DeskDep) -> Response:
    """The record of a job as a document that can be verified by itself."""
    at, _ = _at(desk, job)
    return JSONResponse(record_document(desk.store, at.kept.id), headers=_named(at, "json"))


def _named(at: Situated, ending: str) -> dict[str, str]:
    words = f"{at.kept.machine_name} {at.kept.system} {at.kept.opened_at:%Y-%m-%d}"
    safe = "".join(c if c.isascii() and c.isalnum() else "-" for c in words).strip("-")
    return {"content-disposition": f'attachment; filename="record-{safe}.{ending}"'}


@router.get("/verify")
def verify_form(desk: DeskDep) -> Response:
    """Ask for a record to verify."""
    return _verify(desk)


@router.post("/verify")
@needs("read")
def verify(desk: DeskDep, form: FormDep) -> Response:
    """Say whether a record is sound."""
    upload = form.file("record")
    try:
        if upload is None:
            raise Complaint("no file was chosen", "choose a record", field="record")
        name = plain_name(upload.filename or "")
        return _verify(desk, result=verified(upload.file, name, desk.show()))
    except Complaint as complaint:
        wrong = Complaint(complaint.what, complaint.do, "", "record")
        return _verify(desk, complaints=Complaints.of(wrong, {"record": "Record"}))


def _verify(desk: Desk, result: object = None, complaints: Complaints | None = None) -> Response:
    return desk.page(
        "job/verify.html",
        status=422 if complaints else 200,
        result=result,
        complaints=complaints,
        largest=desk.web.settings.largest_import,
    )
