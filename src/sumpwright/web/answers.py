"""Complaints and failures as an answer: a page for people, JSON under ``/api``."""

from __future__ import annotations

from typing import TYPE_CHECKING
from urllib.parse import quote

from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response

from sumpwright.errors import Complaint
from sumpwright.web.errors import NotPaired, TooOften, error_json, status_of
from sumpwright.web.views.show import Show

if TYPE_CHECKING:
    from sumpwright.web.state import Web

FAILED = Complaint(
    "something went wrong in Sumpwright itself",
    "try again; what was kept before is still there. If it happens again, report what you did "
    "with the lines of the log",
)

TITLES = {
    401: "Not paired",
    403: "Not allowed",
    404: "Not here",
    405: "Not possible here",
    413: "Too large",
    421: "Another name",
    429: "Too often",
    500: "Failed",
    503: "The database is in trouble",
}


def for_programs(request: Request) -> bool:
    """Whether an answer is read by a program."""
    return request.url.path == "/api" or request.url.path.startswith("/api/")


def _show(request: Request) -> Show:
    return Show.of(request.state.visitor)


def answer(web: Web, request: Request, complaint: Complaint) -> Response:
    """Return the answer to a request that cannot be met."""
    status = status_of(complaint)
    if complaint.where == web.store.where:
        # Not the visitor's doing: the database itself is in trouble.
        status = 503
    headers = {"retry-after": complaint.where} if isinstance(complaint, TooOften) else None
    if for_programs(request):
        if status == 401:
            headers = {"www-authenticate": "Bearer"}
        return JSONResponse(
            error_json(complaint, _show(request)), status_code=status, headers=headers
        )
    if isinstance(complaint, NotPaired) and request.method == "GET":
        return RedirectResponse(f"/pair?next={quote(request.url.path)}", status_code=303)
    page = web.pages.render(
        request,
        "errors/complaint.html",
        status=status,
        heading=TITLES.get(status, "That cannot be"),
        complaint=complaint,
    )
    page.headers.update(headers or {})
    return page


def failure(web: Web, request: Request) -> Response:
    """Return the answer to a request that failed through no fault of its own."""
    if for_programs(request):
        return JSONResponse(error_json(FAILED, _show(request)), status_code=500)
    return web.pages.render(
        request, "errors/complaint.html", status=500, heading=TITLES[500], complaint=FAILED
    )
