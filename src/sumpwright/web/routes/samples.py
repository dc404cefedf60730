"""A photographed row of samples: read, corrected by finger, kept with its job."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any
from urllib.parse import urlencode

from fastapi import APIRouter
from starlette.responses import Response

from sumpwright.errors import Complaint
from sumpwright.records.state import JobState
from sumpwright.web.deps import Desk, DeskDep, FormDep
from sumpwright.web.errors import found
from sumpwright.web.views.complaints import Complaints
from sumpwright.web.views.samples import (
    ENDS,
    LABELS,
    PLACES,
    STEPS,
    calibration_of,
    chosen_labels,
    chosen_place,
    dilution_of,
    kept_photograph,
    read_outlines,
    samples_page,
)
from sumpwright.web.views.show import Show

router = APIRouter()


def _job(desk: Desk, job: str) -> tuple[Any, JobState, Show]:
    kept = found(lambda: desk.store.jobs.get(job))
    return kept, desk.store.jobs.state(kept.id), desk.show()


@router.get("/jobs/{job}/samples")
def ask(job: str, desk: DeskDep) -> Response:
    """Ask for the photograph of a row."""
    return _ask(desk, job)


def _ask(
    desk: Desk, job: str, complaint: Complaint | None = None, typed: dict[str, str] | None = None
) -> Response:
    kept, _, _ = _job(desk, job)
    return desk.page(
        "samples/ask.html",
        status=422 if complaint else 200,
        job=kept,
        ends=ENDS,
        typed=typed or {"old": "left", "shares": STEPS},
        complaints=Complaints.of(complaint, LABELS) if complaint else None,
    )


@router.post("/jobs/{job}/samples")
def take(job: str, desk: DeskDep, form: FormDep) -> Response:
    """Take a photograph in: its pixels only, to be read on the next page."""
    from sumpwright.samples.keeping import keep_copy
    from sumpwright.samples.photograph import load

    kept, _, _ = _job(desk, job)
    try:
        upload = form.file("photograph")
        if upload is None:
            raise Complaint("no photograph was chosen", "choose one", field="photograph")
        if form.text("old") not in dict(ENDS):
            raise Complaint("the end of the old fluid is not said", "choose it", field="old")
        row = load(upload.file.read())
        mixed = dilution_of(desk.store, form, desk.by)
        sha = keep_copy(desk.store, row, desk.by)
    except Complaint as complaint:
        field = "photograph" if complaint.field == "photo" else complaint.field
        told = Complaint(complaint.what, complaint.do, complaint.where, field)
        return _ask(desk, kept.id, told, form.typed)
    query = urlencode({"old": form.text("old"), **mixed})
    return desk.seeother(f"/jobs/{kept.id}/samples/{sha}?{query}")


@router.get("/jobs/{job}/samples/{sha}")
def look(
    job: str, sha: str, desk: DeskDep, old: str = "left", dilution: str = "", shares: str = ""
) -> Response:
    """Read the row on a photograph and show what it says."""
    return _read(desk, job, sha, {"old": old, "dilution": dilution, "shares": shares})


@router.post("/jobs/{job}/samples/{sha}")
def correct(job: str, sha: str, desk: DeskDep, form: FormDep) -> Response:
    """Read the row again with corrected outlines, or keep what it says."""
    return _read(desk, job, sha, form.typed, keep=form.text("act") == "keep")


def _read(desk: Desk, job: str, sha: str, typed: Mapping[str, str], keep: bool = False) -> Response:
    from sumpwright.samples.keeping import keep_row
    from sumpwright.samples.reading import read_row

    kept, state, show = _job(desk, job)
    photo = found(lambda: kept_photograph(desk.store, sha))
    old = typed.get("old", "left")
    reading, complaint = None, None
    try:
        calibration, mixed = calibration_of(desk.store, typed)
        outlines = read_outlines(typed.get("outlines", ""))
        reading = read_row(photo, old, outlines=outlines, calibration=calibration)
        if keep:
            labels = chosen_labels(typed, len(reading.vials))
            added = keep_row(
                desk.store,
                kept.id,
                photo,
                reading,
                labels,
                desk.by,
                copy=sha,
                dilution=mixed,
                place=chosen_place(typed),
                sure=typed.get("sure") == "yes",
            )
            if added:
                desk.bus.publish(kept.id)
            return desk.seeother(f"/jobs/{kept.id}#photographs")
    except Complaint as raised:
        complaint = raised
    return desk.page(
        "samples/row.html",
        status=422 if complaint else 200,
        job=kept,
        page=samples_page(sha, photo, reading, state, show, old, typed),
        ends=ENDS,
        places=PLACES,
        typed={**typed, "old": old},
        complaints=Complaints.of(complaint, LABELS) if complaint else None,
    )
