"""Puts the application together."""

from __future__ import annotations

import importlib
import pkgutil
import socket
import threading
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from functools import cache
from typing import Any

from fastapi import APIRouter, Depends, FastAPI, Request
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.middleware.gzip import GZipMiddleware
from starlette.responses import Response

import sumpwright
from sumpwright.errors import Complaint
from sumpwright.records.store import Store
from sumpwright.web import routes
from sumpwright.web.answers import answer
from sumpwright.web.deps import guard
from sumpwright.web.errors import NotHere, PageComplaint
from sumpwright.web.gate import Gate
from sumpwright.web.pages import STATIC, Pages, Static
from sumpwright.web.security import Signer
from sumpwright.web.settings import WebSettings
from sumpwright.web.state import Web

DESCRIPTION = """Machines, plans, jobs and records of the yard. Volumes in answers are litres
where the name ends in `_l`; everything in events, sheets and readings is SI. A complaint is
answered with `{"error": {"what", "do", "where", "field"}}`. Programs name their device with
`Authorization: Bearer <token>`; `POST /api/pair` gives a token for a pairing code. On the machine
that serves, programs need no token."""


def create_app(settings: WebSettings | None = None, store: Store | None = None) -> FastAPI:
    """Return the application on an open store.

    Parameters
    ----------
    settings : WebSettings, optional
    store : Store, optional
        Opened from ``settings.db`` when left out; then closed with the application.

    Raises
    ------
    Complaint
        When the database cannot be opened.
    """
    settings = settings or WebSettings()
    owned = store is None
    store = store or Store.open(settings.db)
    web = Web(
        settings=settings,
        store=store,
        signer=Signer(store.devices.secret("sessions")),
        pages=Pages(),
        names=_names(settings),
    )

    @asynccontextmanager
    async def lifespan(_app: FastAPI) -> AsyncIterator[None]:
        if settings.warm:
            threading.Thread(target=warm, daemon=True).start()
        yield
        web.watches.close()
        if owned:
            web.store.close()

    app = FastAPI(
        title="Sumpwright",
        version=sumpwright.__version__,
        description=DESCRIPTION,
        lifespan=lifespan,
        docs_url=None,
        redoc_url=None,
        openapi_url="/api/openapi.json",
    )
    app.state.web = web
    app.router.routes.extend(_guarded().routes)
    app.mount("/static", Static(directory=STATIC), name="static")
    app.add_exception_handler(Complaint, _told(web, lambda error: error))
    app.add_exception_handler(RequestValidationError, _told(web, _from_validation))
    app.add_exception_handler(HTTPException, _told(web, _from_http))
    app.add_middleware(GZipMiddleware, minimum_size=1000, compresslevel=6)
    app.add_middleware(Gate, web=web)
    return app


_REFUSALS: dict[int | str, dict[str, Any]] = {
    code: {
        "description": text,
        "content": {
            "application/json": {
                "schema": {
                    "type": "object",
                    "required": ["error"],
                    "properties": {
                        "error": {
                            "type": "object",
                            "required": ["what", "do", "where", "field"],
                            "properties": {
                                key: {"type": "string"} for key in ("what", "do", "where", "field")
                            },
                        }
                    },
                }
            }
        },
    }
    for code, text in (
        (401, "The device is not paired"),
        (403, "The role does not reach, or the token is missing"),
        (404, "There is no such thing"),
        (413, "Too large"),
        (422, "Something to put right"),
        (429, "Too many attempts; wait"),
        (503, "The database is in trouble"),
    )
}


@cache
def _guarded() -> APIRouter:
    """Return all routes behind the guard; once, since what they ask for is costly to work out."""
    every = APIRouter(dependencies=[Depends(guard)])
    for module in pkgutil.iter_modules(routes.__path__):
        router: APIRouter = importlib.import_module(f"{routes.__name__}.{module.name}").router
        if module.name.startswith("api"):
            every.include_router(router, prefix="/api", responses=_REFUSALS)
        else:
            every.include_router(router, include_in_schema=False)
    return every


def _told(web: Web, read: Callable[[Any], Complaint]) -> Callable[[Request, Any], Response]:
    def handler(request: Request, error: Any) -> Response:
        return answer(web, request, read(error))

    return handler


def _from_validation(error: RequestValidationError) -> Complaint:
    first = dict(error.errors()[0])
    place = [str(part) for part in first.get("loc", ()) if part not in ("body", "query", "path")]
    return Complaint(
        str(first.get("msg", "the request cannot be read")).removeprefix("Value error, "),
        "see /api/openapi.json for what is expected",
        ".".join(str(part) for part in first.get("loc", ())),
        place[-1] if place else "",
    )


class _Http(PageComplaint):
    """A refusal of the framework, with its own status."""


def _from_http(error: HTTPException) -> Complaint:
    if error.status_code == 404:
        return NotHere("there is nothing at this address", "go back to the yard")
    kind = type("_Http", (_Http,), {"status": error.status_code})
    made: Complaint = kind(str(error.detail).lower(), "go back and try another way")
    return made


def _names(settings: WebSettings) -> frozenset[str]:
    names = {name.lower() for name in settings.names}
    if settings.share:
        own = socket.gethostname().lower()
        names |= {own, f"{own.partition('.')[0]}.local"}
    return frozenset(names)


def warm() -> None:
    """Load what is slow to load, so that the first plan of the day is not."""
    from sumpwright.planning.machine import Offer, Span, WetSystem
    from sumpwright.planning.outcome import Wish
    from sumpwright.planning.plan import make_plan

    box = WetSystem("warm", "axle", Span(2e-3, 3e-3), fluid="x")
    make_plan(box, [Offer("x", "a", 1e-3, 10.0), Offer("x", "b", 5e-3, 40.0)], Wish(cycles=1))
