"""Everything out, everything in."""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path

from fastapi import APIRouter
from starlette.responses import RedirectResponse, Response

from sumpwright.errors import Complaint
from sumpwright.records.intake import Report, import_yard
from sumpwright.web.deps import Desk, DeskDep, FormDep
from sumpwright.web.security import needs
from sumpwright.web.views.complaints import Complaints

router = APIRouter()


@router.get("/files")
@needs("keep")
def files(desk: DeskDep) -> Response:
    """Offer the whole yard as a file, and take one in."""
    return _files(desk)


@router.get("/export")
@needs("keep")
def export() -> Response:
    """The whole yard as a file."""
    return RedirectResponse("/api/export", status_code=303)


@router.post("/import")
@needs("keep")
def take_in(desk: DeskDep, form: FormDep) -> Response:
    """Take an export in: all of it, or nothing."""
    upload = form.file("file")
    try:
        if upload is None:
            raise Complaint("no file was chosen", "choose an export of a yard", field="file")
        with tempfile.TemporaryDirectory(prefix="sumpwright-") as folder:
            path = Path(folder) / "import.json"
            with path.open("wb") as kept:
                shutil.copyfileobj(upload.file, kept)
            report = import_yard(desk.store, path)
    except Complaint as complaint:
        wrong = Complaint(complaint.what, complaint.do, "", "file")
        return _files(desk, complaints=Complaints.of(wrong, {"file": "Export of a yard"}))
    return _files(desk, report=report)


def _files(
    desk: Desk, report: Report | None = None, complaints: Complaints | None = None
) -> Response:
    return desk.page(
        "files.html",
        status=422 if complaints else 200,
        report=report.lines() if report else None,
        complaints=complaints,
        largest=desk.web.settings.largest_import,
    )
