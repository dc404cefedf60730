"""What handlers take: the desk at which a request is served, and the form that came with it."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from fastapi import Depends, Request
from starlette.datastructures import FormData, UploadFile
from starlette.responses import RedirectResponse, Response

from sumpwright.records.store import Store
from sumpwright.web.bus import Bus
from sumpwright.web.errors import NotAllowed, NotPaired
from sumpwright.web.gate import cookie_header
from sumpwright.web.security import (
    CSRF_FIELD,
    CSRF_HEADER,
    SAFE_METHODS,
    UNITS_FIELD,
    Session,
    Visitor,
    right_needed,
    same_token,
)
from sumpwright.web.state import Web
from sumpwright.web.views.show import Show

_FORMS = ("application/x-www-form-urlencoded", "multipart/form-data")


class Desk:
    """Where one request is served: the records, who asks, and ways to answer."""

    def __init__(self, request: Request) -> None:
        self.request = request
        self.web: Web = request.app.state.web
        self.visitor: Visitor = request.state.visitor

    @property
    def store(self) -> Store:
        """The records."""
        return self.web.store

    @property
    def bus(self) -> Bus:
        """Whom to tell that a job's log has grown."""
        return self.web.bus

    @property
    def by(self) -> str:
        """Under which name an entry is kept."""
        return self.visitor.by

    @property
    def part(self) -> bool:
        """Whether htmx asks for a part of a page."""
        return self.request.headers.get("hx-request") == "true"

    def show(self, currency: str = "", form: Form | None = None) -> Show:
        """Return how the visitor sees quantities, or saw them when the form was filled in."""
        show = Show.of(self.visitor, currency)
        return show if form is None or form.units is None else show.in_units(form.units)

    def page(self, template: str, *, status: int = 200, **context: Any) -> Response:
        """Render a template."""
        return self.web.pages.render(self.request, template, status=status, **context)

    def seeother(self, address: str, session: Session | None = None) -> Response:
        """Send the browser on after a form was taken; ``session`` sets the cookie anew."""
        response = RedirectResponse(address, status_code=303)
        if session is not None:
            response.headers.append(
                "set-cookie", cookie_header(self.web, session, self.request.scope)
            )
        return response


class Form:
    """A form as it was sent.

    Parameters
    ----------
    data : FormData
        Texts and files.
    """

    def __init__(self, data: FormData) -> None:
        self._data = data

    @property
    def typed(self) -> dict[str, str]:
        """Every text as it was typed, so that the form can be shown again."""
        return {
            key: value
            for key, value in self._data.items()
            if isinstance(value, str) and key not in (CSRF_FIELD, UNITS_FIELD)
        }

    @property
    def units(self) -> Literal["metric", "us"] | None:
        """The units in which the form was shown, where it says so."""
        match self._data.get(UNITS_FIELD):
            case "metric":
                return "metric"
            case "us":
                return "us"
        return None

    def text(self, name: str) -> str:
        """Return a text without the spaces around it; empty when it is not there."""
        value = self._data.get(name)
        return value.strip() if isinstance(value, str) else ""

    def texts(self, name: str) -> list[str]:
        """Return all values of a name, as of several checked boxes."""
        return [v for v in self._data.getlist(name) if isinstance(v, str)]

    def checked(self, name: str) -> bool:
        """Whether a box is checked."""
        return bool(self.text(name))

    def file(self, name: str) -> UploadFile | None:
        """Return an uploaded file; ``None`` when none was chosen."""
        value = self._data.get(name)
        return value if isinstance(value, UploadFile) and value.filename else None


def desk(request: Request) -> Desk:
    """Give a handler its desk."""
    return Desk(request)


async def form(request: Request) -> Form:
    """Give a handler the form that was sent."""
    return Form(await request.form(max_files=20, max_fields=3000))


DeskDep = Annotated[Desk, Depends(desk)]
FormDep = Annotated[Form, Depends(form)]


async def guard(request: Request) -> None:
    """Check the right and the token of a request before its handler runs.

    Raises
    ------
    NotPaired
        For a stranger.
    NotAllowed
        When the role does not reach, the token is missing, or the request comes
        from a page of another site.
    """
    visitor: Visitor = request.state.visitor
    right = right_needed(request.scope.get("endpoint"), request.method)
    if not visitor.may(right):
        if visitor.role is None:
            raise NotPaired(
                "this device is not paired with the yard",
                "ask the keeper for a pairing code and open /pair",
            )
        raise NotAllowed(
            f"a device with the role '{visitor.role}' may not do this",
            "ask the keeper to do it, or to pair this device anew with another role",
        )
    if request.method in SAFE_METHODS or visitor.bearer:
        return
    await _own_page(request, visitor)


async def _own_page(request: Request, visitor: Visitor) -> None:
    """Make sure that a request that changes something comes from a page of this server."""
    origin = request.headers.get("origin")
    host = request.headers.get("host", "")
    if origin is not None and origin.partition("://")[2] != host:
        raise NotAllowed("the request comes from another site", "use the pages of this server")
    header = request.headers.get(CSRF_HEADER)
    if header is not None:
        if same_token(header, visitor.csrf):
            return
    elif request.headers.get("content-type", "").partition(";")[0].strip().lower() in _FORMS:
        field = (await request.form(max_files=20, max_fields=3000)).get(CSRF_FIELD)
        if isinstance(field, str) and same_token(field, visitor.csrf):
            return
    elif (
        # A program: it has no cookie, and a browser always says where it stands. One that comes
        # over the network has no rights either, so that only what is open to all is left to it.
        visitor.fresh and origin is None and request.headers.get("sec-fetch-site") is None
    ):
        return
    raise NotAllowed(
        "the form is out of date or was not sent from a page of this server",
        "load the page again, then send it once more",
        field=CSRF_FIELD,
    )
