"""Running the server in the foreground."""

from __future__ import annotations

import io
import json
import logging
import socket
from collections.abc import Callable
from typing import Any

from sumpwright.errors import Complaint
from sumpwright.web.settings import WebSettings

KEEPER_MINUTES = 60.0
"""How long the first code of a shared yard holds: time to walk over with the phone."""


class JsonLines(logging.Formatter):
    """One JSON object a line."""

    def format(self, record: logging.LogRecord) -> str:
        """Return a record as JSON."""
        entry = {
            "at": self.formatTime(record, "%Y-%m-%dT%H:%M:%S%z"),
            "level": record.levelname.lower(),
            "logger": record.name,
            "text": record.getMessage(),
        }
        if record.exc_info:
            entry["trace"] = self.formatException(record.exc_info)
        return json.dumps(entry, ensure_ascii=False)


class Leaving(logging.Filter):
    """Drops what the server says of streams that are cut because it is being stopped.

    Parameters
    ----------
    stopping : callable
        Whether it is.
    """

    def __init__(self, stopping: Callable[[], bool]) -> None:
        super().__init__()
        self._stopping = stopping

    def filter(self, record: logging.LogRecord) -> bool:  # noqa: ARG002
        """Return whether a record is news."""
        return not self._stopping()


def set_up_log(kind: str) -> None:
    """Send log lines to standard error, as text or as JSON."""
    handler = logging.StreamHandler()
    handler.setFormatter(
        JsonLines()
        if kind == "json"
        else logging.Formatter("%(asctime)s %(levelname)s %(message)s")
    )
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(logging.WARNING)
    logging.getLogger("sumpwright").setLevel(logging.INFO)


def listen(host: str, port: int) -> socket.socket:
    """Return a listening socket.

    Raises
    ------
    Complaint
        When the address cannot be used.
    """
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    # The protocol is named because only then the event loop sends small answers at once
    # instead of waiting for more to send with them.
    made = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    try:
        made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        made.bind((host, port))
        made.listen(128)
    except OSError as error:
        made.close()
        raise Complaint(
            f"cannot listen on {host} port {port} ({error.strerror})",
            "choose another --port, or stop the program that uses it",
        ) from error
    return made


def run(
    *,
    host: str | None = None,
    port: int = 8420,
    share: bool = False,
    db: str | None = None,
    json_log: bool = False,
    out: Callable[[str], None] = print,
    **more: Any,
) -> None:
    """Serve until stopped.

    Parameters
    ----------
    host : str, optional
        This machine alone when left out, everything with ``share``.
    port : int
        0 for any that is free.
    share : bool
    db : str, optional
    json_log : bool
    out : callable
        Takes each line for the person who started the server.
    **more
        Further settings.

    Raises
    ------
    Complaint
        When the address is taken, is not this machine's own without ``share``, or the
        database cannot be opened.
    """
    import uvicorn

    from sumpwright.web.app import create_app
    from sumpwright.web.security import is_loopback

    host = host or ("0.0.0.0" if share else "127.0.0.1")
    if not share and host != "localhost" and not is_loopback(host):
        raise Complaint(
            f"{host} can be reached from the network",
            "add --share: then every other device needs a pairing code",
        )
    sock = listen(host, port)
    settings = WebSettings(
        host=host,
        port=sock.getsockname()[1],
        share=share,
        db=db,
        **more,
    )
    if json_log:
        settings = settings.model_copy(update={"log": "json"})
    set_up_log(settings.log)
    app = create_app(settings)
    for line in welcome(app):
        out(line)
    config = uvicorn.Config(
        app,
        log_config=None,
        access_log=False,
        proxy_headers=False,
        server_header=False,
        timeout_graceful_shutdown=3,
    )
    server = uvicorn.Server(config)
    leaving = Leaving(lambda: server.should_exit)
    logger = logging.getLogger("uvicorn.error")
    logger.addFilter(leaving)
    try:
        server.run(sockets=[sock])
    finally:
        logger.removeFilter(leaving)


def welcome(app: Any) -> list[str]:
    """Return what to tell the person who started the server: where, and how phones come in."""
    import segno

    from sumpwright.web.state import Web
    from sumpwright.web.views.pairing import address_of, code_shown

    web: Web = app.state.web
    local = f"http://127.0.0.1:{web.settings.port}"
    if not web.settings.share:
        return [f"Sumpwright: {address_of(web.settings)} (this machine only; stop with Ctrl-C)"]
    invitation = web.store.devices.invite("keeper", by="terminal", minutes=KEEPER_MINUTES)
    code = code_shown(web.settings, invitation)
    drawn = io.StringIO()
    segno.make(code.address, error="l", micro=False).terminal(drawn, compact=True, border=2)
    return [
        f"Sumpwright: {local} on this machine, {address_of(web.settings)} on the network",
        "",
        drawn.getvalue().rstrip("\n"),
        "",
        f"Pairing code for the keeper's phone, for one device and one hour: {invitation.code}",
        f"Or open {code.address}",
        "Further codes are made on the page Devices. Stop with Ctrl-C.",
    ]
