"""The yard, and help."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated

from fastapi import APIRouter, Query
from starlette.responses import Response

from sumpwright.web.deps import DeskDep
from sumpwright.web.security import needs
from sumpwright.web.views.calls import groups
from sumpwright.web.views.jobs import look_words

router = APIRouter()


@router.get("/")
def yard(
    desk: DeskDep,
    page: Annotated[int, Query(ge=1, le=2**31)] = 1,
    find: Annotated[str, Query(max_length=200)] = "",
) -> Response:
    """Show the machines, a page of them in a large yard."""
    show = desk.show()
    return desk.page(
        "yard/yard.html",
        yard=desk.web.yard.page(desk.store, show, datetime.now().astimezone().date(), page, find),
        looks=desk.store.looks.open(),
        look_words=lambda look: look_words(look, show),
    )


@router.get("/help")
@needs("nothing")
def help_page(desk: DeskDep) -> Response:
    """Say how to use the pages."""
    return desk.page("help/help.html")


@router.get("/help/api")
@needs("nothing")
def calls(desk: DeskDep) -> Response:
    """List the calls for programs."""
    description = desk.request.app.openapi()
    return desk.page(
        "help/api.html",
        groups=groups(description),
        about=[str(description["info"]["description"]).replace("`", "")],
    )
