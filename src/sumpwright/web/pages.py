"""Templates, and the addresses of static files."""

from __future__ import annotations

import hashlib
from functools import cache
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.staticfiles import StaticFiles
from starlette.types import Scope

from sumpwright.web.security import CSRF_FIELD, ROLE_WORDS, UNITS_FIELD, Visitor
from sumpwright.web.views.complaints import Complaints
from sumpwright.web.views.show import Show

HERE = Path(__file__).parent
STATIC = HERE / "static"


class Static(StaticFiles):
    """Static files: kept for good under an address that names their content, else asked anew."""

    async def get_response(self, path: str, scope: Scope) -> Response:
        response = await super().get_response(path, scope)
        named = scope.get("query_string", b"").startswith(b"v=")
        response.headers["cache-control"] = (
            "public, max-age=31536000, immutable" if named else "no-cache"
        )
        return response


@cache
def _mark(path: str, _changed: float) -> str:
    return hashlib.sha256((STATIC / path).read_bytes()).hexdigest()[:12]


def static(path: str) -> str:
    """Return the address of a static file, which changes when the file does."""
    try:
        changed = (STATIC / path).stat().st_mtime
    except OSError:
        return f"/static/{path}"
    return f"/static/{path}?v={_mark(path, changed)}"


def has_static(path: str) -> bool:
    """Whether a static file is there: front-end packages may not have been gathered."""
    return (STATIC / path).is_file()


@cache
def _environment() -> Environment:
    """Templates are compiled once, however many applications a process holds."""
    made = Environment(
        loader=FileSystemLoader(HERE / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.globals.update(static=static, has_static=has_static, role_words=ROLE_WORDS)
    return made


class Pages:
    """Renders templates for a visitor."""

    def __init__(self) -> None:
        self.environment = _environment()

    def render(
        self, request: Request, template: str, *, status: int = 200, **context: Any
    ) -> HTMLResponse:
        """Render a template as a page, or as a part of one for htmx.

        Parameters
        ----------
        request : Request
        template : str
            Path below ``templates``.
        status : int
        **context
            What the template shows.

        Returns
        -------
        HTMLResponse
        """
        visitor: Visitor = request.state.visitor
        currency: str = context.pop("currency", "")
        known = {
            "visitor": visitor,
            "currency": currency,
            "may": visitor.may,
            "show": Show.of(visitor, currency),
            "path": request.url.path,
            "csrf": visitor.csrf,
            "csrf_field": lambda: _hidden(visitor),
            "part": request.headers.get("hx-request") == "true",
        }
        show: Show = context.get("show", known["show"])
        for name, value in context.items():
            if isinstance(value, Complaints):
                context[name] = value.shown(show)
        text = self.environment.get_template(template).render(**(known | context))
        response = HTMLResponse(text, status_code=status)
        response.headers["vary"] = "HX-Request"
        return response


def _hidden(visitor: Visitor) -> Markup:
    field = Markup('<input type="hidden" name="{}" value="{}">')
    return field.format(CSRF_FIELD, visitor.csrf) + field.format(UNITS_FIELD, visitor.session.units)
