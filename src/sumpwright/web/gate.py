"""The outermost layer: names, sizes, who is there, headers, and what went wrong for good."""

from __future__ import annotations

import logging
import time
from typing import TYPE_CHECKING

from anyio import move_on_after, to_thread
from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import ClientDisconnect, Request
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from sumpwright.records.devices import Role
from sumpwright.web.answers import answer, failure
from sumpwright.web.errors import PageComplaint, TooLarge
from sumpwright.web.security import (
    COOKIE,
    SESSION_SECONDS,
    Session,
    Visitor,
    host_allowed,
    host_name,
    is_loopback,
    new_session,
)
from sumpwright.web.settings import MB

if TYPE_CHECKING:
    from sumpwright.web.state import Web

log = logging.getLogger("sumpwright.web")

POLICY = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self' data: blob:",
        "connect-src 'self'",
        "media-src 'self'",
        "manifest-src 'self'",
        "worker-src 'self'",
        "form-action 'self'",
        "frame-ancestors 'none'",
        "base-uri 'none'",
    )
)
HEADERS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "geolocation=(), microphone=(), payment=(), usb=()",
}
STRANGER_BODY = 64 * 1024
"""Bytes taken from somebody who is not known."""
DRAIN_BYTES = 512 * MB
DRAIN_SECONDS = 60.0
"""How much of an upload that is too large is swallowed, so that its sender hears the answer."""
_COMMA_LANGUAGES = (
    "af az be bg bs ca cs da de el es et eu fi fr gl hr hu hy id is it ka kk lt lv mk nb nl nn no "
    "pl pt ro ru sk sl sq sr sv tr uk vi"
)


class Gate:
    """ASGI middleware around the whole application."""

    def __init__(self, app: ASGIApp, web: Web) -> None:
        self._app = app
        self._web = web

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        request = Request(scope)
        visitor = await self._visitor(request)
        incoming = _Incoming(receive, self._limit(scope["path"], visitor))
        guarded = _Outgoing(send, self._web, visitor, incoming, scope)
        scope.setdefault("state", {})["visitor"] = visitor
        name = host_name(request.headers.get("host", ""))
        if not host_allowed(name, self._web.settings.share, self._web.names):
            await answer(
                self._web,
                request,
                WrongName(
                    "this server does not answer to that name",
                    "open it by its address in digits, or let the keeper add the name to its "
                    "settings",
                ),
            )(scope, receive, guarded)
            return
        try:
            incoming.check_length(request.headers)
            if incoming.exceeded is None:
                await self._app(scope, incoming, guarded)
        except ClientDisconnect:
            # Nobody is there to be answered, and a phone out of reach is no fault here.
            log.info("%s %s: the sender went away", scope["method"], scope["path"])
            return
        except Exception:
            if incoming.exceeded is None:
                log.exception("failed: %s %s", scope["method"], scope["path"])
                if guarded.started:
                    raise
                await failure(self._web, request)(scope, receive, guarded)
        if incoming.exceeded is not None and not guarded.started:
            refusal = answer(self._web, request, incoming.exceeded)
            incoming.exceeded = None
            await _refuse(refusal, scope, incoming, guarded)

    async def _visitor(self, request: Request) -> Visitor:
        web = self._web
        local = is_loopback(request.client.host if request.client else None)
        scheme, _, token = request.headers.get("authorization", "").partition(" ")
        bearer = scheme.lower() == "bearer" and bool(token)
        session = web.signer.session(request.cookies.get(COOKIE))
        fresh = session is None
        session = session or new_session()
        named = web.signer.device_of(token.strip()) if bearer else session.device
        device = None
        if named:
            device = await to_thread.run_sync(web.store.devices.get, named)
            if device is not None and device.revoked_at is not None:
                device = None
        role: Role | None = device.role if device else None
        if role is None and local and not bearer and web.settings.loopback_keeper:
            role = "keeper"
        if device is not None and not request.url.path.startswith("/static/"):
            await to_thread.run_sync(web.store.devices.seen, device)
        return Visitor(
            session=session,
            fresh=fresh,
            device=device,
            role=role,
            local=local,
            bearer=bearer,
            csrf=web.signer.csrf(session),
            comma=_comma(session, request.headers.get("accept-language", "")),
        )

    def _limit(self, path: str, visitor: Visitor) -> int:
        if visitor.role is None:
            return STRANGER_BODY
        settings = self._web.settings
        if path in ("/api/import", "/api/verify", "/import", "/verify"):
            return settings.largest_import
        if path.startswith(("/api/attachments", "/api/tables/")) or path.endswith(
            ("/tables", "/photographs", "/photos", "/level/replay", "/samples")
        ):
            return settings.largest_upload
        return settings.largest_body


class WrongName(PageComplaint):
    """The Host header names something else."""

    status = 421


class _Incoming:
    """Counts the body and stops it at the limit."""

    def __init__(self, receive: Receive, limit: int) -> None:
        self._receive, self._limit, self._count = receive, limit, 0
        self.exceeded: TooLarge | None = None
        self.ended = False

    def check_length(self, headers: Headers) -> None:
        """Look at what the sender says the body will have."""
        said = headers.get("content-length", "")
        if said.isdigit() and int(said) > self._limit:
            self.exceeded = self._complaint(int(said))

    async def __call__(self) -> Message:
        message = await self._receive()
        self.ended = message["type"] != "http.request" or not message.get("more_body")
        if message["type"] == "http.request":
            self._count += len(message.get("body", b""))
            if self._count > self._limit:
                self.exceeded = self._complaint(self._count)
                raise self.exceeded
        return message

    async def swallow(self) -> None:
        """Take what is still being sent, and forget it."""
        with move_on_after(DRAIN_SECONDS):
            while not self.ended and self._count < DRAIN_BYTES:
                message = await self._receive()
                self.ended = message["type"] != "http.request" or not message.get("more_body")
                self._count += len(message.get("body", b""))

    def _complaint(self, size: int) -> TooLarge:
        return TooLarge(
            f"{_megabytes(size)} were sent, and at most {_megabytes(self._limit)} are taken here",
            "send a smaller file; nothing was kept",
            field="file",
        )


def _megabytes(size: int) -> str:
    return f"{size / MB:.0f} MB" if size >= MB else f"{size / 1024:.0f} kB"


class _Outgoing:
    """Adds the headers that every answer carries, and the session's cookie where it is new."""

    def __init__(
        self, send: Send, web: Web, visitor: Visitor, incoming: _Incoming, scope: Scope
    ) -> None:
        self._send, self._web, self._visitor = send, web, visitor
        self._incoming, self._scope = incoming, scope
        self._began = time.perf_counter()
        self.started = False

    async def __call__(self, message: Message) -> None:
        if self._incoming.exceeded is not None and not self.started:
            # Whatever the application makes of a body cut short, the size is what to tell.
            return
        if message["type"] == "http.response.start":
            self.started = True
            self._dress(MutableHeaders(scope=message))
            # The screens of a job beat every other second; that is no news.
            level = logging.DEBUG if self._scope["path"].endswith("/beat") else logging.INFO
            log.log(
                level,
                "%s %s %s %.0f ms",
                self._scope["method"],
                self._scope["path"],
                message["status"],
                (time.perf_counter() - self._began) * 1e3,
            )
        await self._send(message)

    def _dress(self, headers: MutableHeaders) -> None:
        for key, value in HEADERS.items():
            headers.setdefault(key, value)
        headers.setdefault("cache-control", "no-store")
        html = headers.get("content-type", "").startswith("text/html")
        if self._visitor.fresh and html and "set-cookie" not in headers:
            headers.append(
                "set-cookie", cookie_header(self._web, self._visitor.session, self._scope)
            )


def cookie_header(web: Web, session: Session, scope: Scope) -> str:
    """Return the Set-Cookie header of a session."""
    secure = "; Secure" if scope.get("scheme") == "https" else ""
    return (
        f"{COOKIE}={web.signer.cookie(session)}; Max-Age={SESSION_SECONDS}; Path=/; HttpOnly; "
        f"SameSite=Strict{secure}"
    )


async def _refuse(response: ASGIApp, scope: Scope, incoming: _Incoming, send: Send) -> None:
    """Answer at once, then swallow what is still being sent: who cannot write does not read."""

    async def hold(message: Message) -> None:
        if message["type"] == "http.response.body" and not message.get("more_body"):
            await send({**message, "more_body": True})
            return
        if message["type"] == "http.response.start":
            MutableHeaders(scope=message)["connection"] = "close"
        await send(message)

    await response(scope, incoming, hold)
    await incoming.swallow()
    await send({"type": "http.response.body", "body": b"", "more_body": False})


def _comma(session: Session, languages: str) -> bool:
    if session.comma is not None:
        return session.comma
    first = languages.split(",")[0].split(";")[0].strip().lower()
    return first.partition("-")[0] in _COMMA_LANGUAGES.split()
