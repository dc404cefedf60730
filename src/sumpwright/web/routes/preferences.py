"""How this device wants to see things."""

from __future__ import annotations

from dataclasses import replace

from fastapi import APIRouter
from starlette.responses import Response

from sumpwright.errors import Complaint
from sumpwright.records.devices import check_name
from sumpwright.web.deps import DeskDep, FormDep
from sumpwright.web.security import needs
from sumpwright.web.views.complaints import Complaints
from sumpwright.web.views.preferences import LABELS, chosen, typed_of

router = APIRouter()


@router.get("/settings")
@needs("nothing")
def settings(desk: DeskDep) -> Response:
    """Show the settings of this device."""
    return desk.page(
        "settings.html",
        typed=typed_of(desk.visitor),
        complaints=None,
        kept=desk.request.query_params.get("kept") == "yes",
    )


@router.post("/settings")
@needs("nothing")
def keep(desk: DeskDep, form: FormDep) -> Response:
    """Keep them in the cookie of this device."""
    try:
        name = check_name(form.text("name")) if form.text("name") else ""
    except Complaint as complaint:
        return desk.page(
            "settings.html",
            status=422,
            typed=form.typed,
            complaints=Complaints.of(complaint, LABELS),
            kept=False,
        )
    session = replace(chosen(desk.visitor.session, form.typed), name=name)
    return desk.seeother("/settings?kept=yes", session)
