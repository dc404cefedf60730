"""The real server in a process of its own, on a database of its own."""

from __future__ import annotations

import contextlib
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import httpx
from playwright.sync_api import BrowserContext

from sumpwright.records.store import Store

PHONE = {"width": 390, "height": 844}
TABLET = {"width": 768, "height": 1024}
LAPTOP = {"width": 1440, "height": 900}
SIZES = {"phone": PHONE, "tablet": TABLET, "laptop": LAPTOP}

Contexts = Callable[..., BrowserContext]

_RUN = (
    "import sys; from sumpwright.web.serving import run; "
    "run(port=int(sys.argv[1]), db=sys.argv[2], host='0.0.0.0' if sys.argv[3] else None, "
    "share=bool(sys.argv[3]), warm=False)"
)


class Server:
    """The server on a database of its own; it can be killed and started again."""

    def __init__(self, folder: Path, share: bool = False) -> None:
        self.db = folder / "yard.db"
        self.share = share
        self.port = _free_port()
        self.log = folder / "server.log"
        self._process: subprocess.Popen[bytes] | None = None

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    @property
    def pid(self) -> int:
        assert self._process is not None
        return self._process.pid

    def start(self) -> None:
        with self.log.open("ab") as log:
            self._process = subprocess.Popen(
                [sys.executable, "-c", _RUN, str(self.port), str(self.db), "x" * self.share],
                stdout=log,
                stderr=log,
                env={**os.environ, "PYTHONUNBUFFERED": "1"},
            )
        deadline = time.monotonic() + 60
        while time.monotonic() < deadline:
            with contextlib.suppress(httpx.TransportError):
                httpx.get(f"{self.address}/help", timeout=5)
                return
            assert self._process.poll() is None, self.log.read_text()
            time.sleep(0.05)
        raise AssertionError(self.log.read_text())

    def kill(self) -> None:
        """End it as a power cut would."""
        assert self._process is not None
        self._process.send_signal(signal.SIGKILL)
        self._process.wait()

    def stop(self) -> None:
        if self._process is not None and self._process.poll() is None:
            self._process.terminate()
            try:
                self._process.wait(15)
            except subprocess.TimeoutExpired:
                self.kill()

    def store(self) -> Store:
        """Open the same database beside the server, to look or to prepare."""
        return Store.open(self.db)


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])
