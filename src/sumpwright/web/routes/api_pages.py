"""What pages show beside the machines and jobs themselves: papers, prices, level, settings."""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Query
from pydantic import BaseModel, ConfigDict, Field
from starlette.responses import Response

from sumpwright.errors import Complaint
from sumpwright.planning.outcome import LONGEST, Wish
from sumpwright.records.devices import check_name
from sumpwright.web.deps import Desk, DeskDep
from sumpwright.web.errors import NotHere, found
from sumpwright.web.gate import cookie_header
from sumpwright.web.security import Visitor, needs
from sumpwright.web.views.editing import keep_sheet, sheet_with_prices
from sumpwright.web.views.job_record import figure_of
from sumpwright.web.views.level import level_now, level_plain
from sumpwright.web.views.paper import card_of_plan
from sumpwright.web.views.show import Show

router = APIRouter(tags=["pages"])

Share = Annotated[float, Query(gt=0, lt=1)]
Name = Annotated[str, Field(min_length=1, max_length=200)]
Money = Annotated[float, Field(ge=0, le=1e9)]
Units = Annotated[
    Literal["metric", "us"] | None,
    Query(description="Those of the device's settings when left out"),
]


class OfferIn(BaseModel):
    """A container for sale; `size` in m³."""

    model_config = ConfigDict(extra="forbid")

    fluid: Name
    seller: Name
    size: Annotated[float, Field(gt=0, le=10)]
    price: Money
    carriage: Money = 0.0
    stock: Annotated[int, Field(ge=0, le=10**6)] | None = None


class PricesIn(BaseModel):
    """All offers of a machine's sheet; `version` is the one that was changed."""

    model_config = ConfigDict(extra="forbid")

    version: int
    offers: Annotated[list[OfferIn], Field(max_length=40)]
    currency: Annotated[str, Field(max_length=12)] | None = None


class SettingsIn(BaseModel):
    """How a browser wants to see things; what is left out stays."""

    model_config = ConfigDict(extra="forbid")

    units: Literal["metric", "us"] | None = None
    comma: bool | None = None
    name: Annotated[str, Field(max_length=80)] | None = None


@router.get(
    "/machines/{machine}/card.pdf",
    response_class=Response,
    responses={200: {"content": {"application/pdf": {}}}},
)
def card(
    machine: str,
    desk: DeskDep,
    system: Annotated[str | None, Query(max_length=200)] = None,
    target: Share = 0.90,
    confidence: Share = 0.90,
    cycles: Annotated[int, Query(ge=1, le=LONGEST)] = 8,
    worth: Annotated[float | None, Query(gt=0, lt=1e9)] = None,
    have: Annotated[list[str] | None, Query(max_length=8)] = None,
    method: Annotated[list[str] | None, Query(max_length=12)] = None,
    units: Units = None,
) -> Response:
    """The job card of a plan."""
    kept = found(lambda: desk.store.machines.get(machine))
    wish = Wish(
        target, confidence, cycles, worth, tuple(have or ()), tuple(method) if method else None
    )
    made = desk.web.planner.plan(kept.system(system), kept.sheet.offers, wish, kept.sheet.spare)
    return Response(
        card_of_plan(made, kept.sheet, desk.show().in_units(units) if units else desk.show()),
        media_type="application/pdf",
        headers={"content-disposition": 'inline; filename="job-card.pdf"'},
    )


@router.get("/machines/{machine}/prices")
def prices(machine: str, desk: DeskDep) -> dict[str, Any]:
    """What the fluids of a machine cost: sizes in m³, prices in the yard's own money."""
    return _prices(found(lambda: desk.store.machines.get(machine)))


@router.put("/machines/{machine}/prices")
@needs("keep")
def change_prices(machine: str, sent: PricesIn, desk: DeskDep) -> dict[str, Any]:
    """Keep other prices, as a new version of the sheet."""
    kept = found(lambda: desk.store.machines.get(machine))
    rows = [each.model_dump() for each in sent.offers]
    sheet = sheet_with_prices(kept.sheet, rows, sent.currency)
    return _prices(keep_sheet(desk.store, kept, sheet, str(sent.version), desk.by))


def _prices(kept: Any) -> dict[str, Any]:
    return {
        "machine": kept.name,
        "version": kept.version,
        "currency": kept.sheet.currency,
        "offers": [
            {
                "fluid": each.fluid,
                "seller": each.seller,
                "size": each.size,
                "price": each.price,
                "carriage": each.carriage,
                "stock": each.stock,
            }
            for each in kept.sheet.offers
        ],
    }


def _job(desk: Desk, job: str, units: Literal["metric", "us"] | None) -> tuple[Any, Show]:
    kept = found(lambda: desk.store.jobs.get(job))
    state = desk.store.jobs.state(kept.id)
    if state.system is None:
        raise NotHere("the job has no wet system", "start it on a machine of the yard")
    show = desk.show(state.sheet.currency if state.sheet else "")
    return state, show if units is None else show.in_units(units)


@router.get(
    "/jobs/{job}/figure.svg",
    response_class=Response,
    responses={200: {"content": {"image/svg+xml": {}}}},
)
def figure(
    job: str,
    desk: DeskDep,
    look: Literal["light", "dark"] = "light",
    narrow: bool = False,
    units: Units = None,
) -> Response:
    """The figure of a record: fresh share against new fluid used."""
    state, show = _job(desk, job, units)
    return Response(
        figure_of(desk.web.standings.of(state), show, look == "dark", narrow),
        media_type="image/svg+xml",
        headers={"content-security-policy": "default-src 'none'; style-src 'unsafe-inline'"},
    )


@router.get("/jobs/{job}/level")
def level(job: str, desk: DeskDep, units: Units = None) -> dict[str, Any]:
    """The level of a job now: temperature, window, and whether to fit the plug."""
    state, show = _job(desk, job, units)
    return level_plain(level_now(desk.web, state.job, state, show, desk.web.watches.of(state.job)))


@router.get("/preferences")
@needs("nothing")
def preferences(desk: DeskDep) -> dict[str, Any]:
    """How this browser wants to see things."""
    return _preferences(desk.visitor)


@router.put("/preferences")
@needs("nothing")
def keep_preferences(sent: SettingsIn, desk: DeskDep, response: Response) -> dict[str, Any]:
    """Keep them in the cookie of this browser; programs name their units in each call instead."""
    visitor = desk.visitor
    if visitor.bearer:
        raise Complaint(
            "a program has no cookie to keep its preferences in",
            "name the units in each call: ?units=us",
        )
    wanted = sent.model_dump(exclude_none=True)
    if wanted.get("name"):
        wanted["name"] = check_name(wanted["name"])
    session = replace(visitor.session, **wanted)
    response.headers.append("set-cookie", cookie_header(desk.web, session, desk.request.scope))
    return _preferences(replace(visitor, session=session, comma=wanted.get("comma", visitor.comma)))


def _preferences(visitor: Visitor) -> dict[str, Any]:
    return {
        "units": visitor.session.units,
        "comma": visitor.comma,
        "name": visitor.session.name,
    }
