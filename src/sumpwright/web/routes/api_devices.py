"""Pairing and devices for programs."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from fastapi import APIRouter
from pydantic import BaseModel, ConfigDict, Field
from starlette.responses import Response

from sumpwright.web.deps import DeskDep
from sumpwright.web.errors import found
from sumpwright.web.security import needs
from sumpwright.web.views import data
from sumpwright.web.views.pairing import let_in

router = APIRouter(tags=["devices"])


class PairIn(BaseModel):
    """A pairing code and whose device it lets in."""

    model_config = ConfigDict(extra="forbid")

    code: Annotated[str, Field(max_length=40)]
    name: Annotated[str, Field(max_length=80)]


class CodeIn(BaseModel):
    """What the device may do."""

    model_config = ConfigDict(extra="forbid")

    role: Literal["keeper", "hand", "seat", "reader"]


@router.get("/me")
@needs("nothing")
def me(desk: DeskDep) -> dict[str, Any]:
    """Who the server takes this device for."""
    device = desk.visitor.device
    return {
        "role": desk.visitor.role,
        "by": desk.by,
        "local": desk.visitor.local,
        "device": data.device_data(device) if device else None,
    }


@router.post("/pair", status_code=201)
@needs("nothing")
def pair(sent: PairIn, desk: DeskDep) -> dict[str, Any]:
    """Let a program in by a pairing code; its token goes into the Authorization header."""
    peer = desk.request.client.host if desk.request.client else ""
    device = let_in(desk.web, peer, sent.code, sent.name)
    return data.device_data(device) | {"token": desk.web.signer.token(device)}


@router.get("/devices")
@needs("keep")
def devices(desk: DeskDep) -> list[dict[str, Any]]:
    """List the devices that are let in."""
    return [data.device_data(device) for device in desk.store.devices.all()]


@router.post("/devices/codes", status_code=201)
@needs("keep")
def new_code(sent: CodeIn, desk: DeskDep) -> dict[str, Any]:
    """Make a pairing code."""
    return data.invitation_data(desk.store.devices.invite(sent.role, by=desk.by))


@router.delete("/devices/{device}", status_code=204)
@needs("keep")
def revoke(device: str, desk: DeskDep) -> Response:
    """Send a device away."""
    found(lambda: desk.store.devices.revoke(device))
    return Response(status_code=204)
