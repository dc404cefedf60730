"""Letting devices in, and sending them away."""

from __future__ import annotations

from dataclasses import replace

from fastapi import APIRouter
from starlette.responses import Response

from sumpwright.errors import Complaint
from sumpwright.web.deps import DeskDep, FormDep
from sumpwright.web.errors import TooOften
from sumpwright.web.security import needs
from sumpwright.web.views.complaints import Complaints
from sumpwright.web.views.pairing import (
    address_of,
    code_shown,
    device_here,
    let_in,
    safe_next,
)

router = APIRouter()

LABELS = {"code": "Pairing code", "name": "Whose device this is"}


@router.get("/pair")
@needs("nothing")
def pair(desk: DeskDep, code: str = "", next: str = "/") -> Response:
    """Ask for a code and a name."""
    return desk.page(
        "pairing/pair.html",
        typed={"code": code[:20], "name": "", "next": safe_next(next)},
        complaints=None,
    )


@router.post("/pair")
@needs("nothing")
def paired(desk: DeskDep, form: FormDep) -> Response:
    """Let the device in."""
    peer = desk.request.client.host if desk.request.client else ""
    try:
        device = let_in(desk.web, peer, form.text("code"), form.text("name"))
    except TooOften:
        raise
    except Complaint as complaint:
        return desk.page(
            "pairing/pair.html",
            status=422,
            typed={"next": "/", **form.typed},
            complaints=Complaints.of(complaint, LABELS),
        )
    session = desk.web.signer.signed_in(desk.visitor.session, device)
    return desk.seeother(safe_next(form.text("next")), session)


@router.get("/leave")
@needs("nothing")
def ask_leave(desk: DeskDep) -> Response:
    """Ask whether this device shall be forgotten."""
    return desk.page(
        "confirm.html",
        heading="Leave the yard",
        question="This device is forgotten here, and needs a new pairing code to come back.",
        act="Leave",
        back="/settings",
        hidden={},
    )


@router.post("/leave")
@needs("nothing")
def leave(desk: DeskDep) -> Response:
    """Forget this device: its pairing ends here and in the books."""
    if desk.visitor.device is not None:
        desk.store.devices.revoke(desk.visitor.device.id)
    return desk.seeother("/pair", replace(desk.visitor.session, device=""))


@router.get("/devices")
@needs("keep")
def devices(desk: DeskDep) -> Response:
    """List the devices and the open codes."""
    return _devices(desk)


@router.post("/devices/codes")
@needs("keep")
def new_code(desk: DeskDep, form: FormDep) -> Response:
    """Make a code; it is shown once, on the answer to this very request."""
    invitation = desk.store.devices.invite(form.text("role"), by=desk.by)
    return desk.page("pairing/code.html", code=code_shown(desk.web.settings, invitation))


@router.post("/devices/codes/{invitation}/withdraw")
@needs("keep")
def withdraw(invitation: str, desk: DeskDep) -> Response:
    """Make an open code worthless."""
    desk.store.devices.withdraw(invitation)
    return desk.seeother("/devices")


@router.get("/devices/{device}/revoke")
@needs("keep")
def ask_revoke(device: str, desk: DeskDep) -> Response:
    """Ask whether a device shall be sent away."""
    known = device_here(desk.store, device)
    return desk.page(
        "confirm.html",
        heading=f"Send {known.name} away",
        question="It is refused from now on, and needs a new pairing code to come back.",
        act="Send it away",
        back="/devices",
        hidden={},
    )


@router.post("/devices/{device}/revoke")
@needs("keep")
def revoke(device: str, desk: DeskDep) -> Response:
    """Send a device away."""
    desk.store.devices.revoke(device_here(desk.store, device).id)
    return desk.seeother("/devices")


def _devices(desk: DeskDep) -> Response:
    return desk.page(
        "pairing/devices.html",
        devices=desk.store.devices.all(),
        invitations=desk.store.devices.invitations(),
        shared=desk.web.settings.share,
        address=address_of(desk.web.settings),
    )
