"""Serve the invented yard: here where somebody looks, behind the scenes in a pipe."""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

PORT = 8420
HOURS = 1
PATIENCE = 60.0
"""Seconds that a slow machine may take to start the server."""


def stop(folder: Path) -> None:
    """Stop the pages that an earlier demo in this folder serves behind the scenes."""
    note = folder / "server.pid"
    with contextlib.suppress(OSError, ValueError):
        pid = int(note.read_text())
        # A number may have passed to another program since.
        if b"sumpwright" in Path(f"/proc/{pid}/cmdline").read_bytes():
            os.kill(pid, signal.SIGTERM)
    note.unlink(missing_ok=True)


def serve(folder: Path) -> None:
    """Serve the demo's yard with a pairing code for phones.

    On a terminal it runs until Ctrl-C. In a pipe, where nobody could stop it, it
    goes on behind the scenes for an hour.
    """
    port = chosen_port()
    if sys.stdout.isatty():
        from sumpwright.web.serving import run

        run(port=port, share=True)
        return
    command = [sys.executable, "-m", "sumpwright", "serve", "--share", "--port", str(port)]
    keeper = shutil.which("timeout")
    if keeper:
        command = [keeper, str(HOURS * 3600), *command]
    log = folder / "server.log"
    with log.open("wb") as out:
        server = subprocess.Popen(
            command,
            stdin=subprocess.DEVNULL,
            stdout=out,
            stderr=subprocess.STDOUT,
            start_new_session=True,
            env={**os.environ, "PYTHONUNBUFFERED": "1"},
        )
    (folder / "server.pid").write_text(str(server.pid))
    until = time.monotonic() + PATIENCE
    while time.monotonic() < until and server.poll() is None:
        if "Ctrl-C" in log.read_text(errors="replace"):
            break
        time.sleep(0.1)
    said = log.read_text(errors="replace").replace("Stop with Ctrl-C.", "")
    print(f"\n{said.rstrip()}")
    if server.poll() is None:
        print(f"The pages are served for {HOURS} h; stop them with 'make demo-stop'.")


def chosen_port() -> int:
    """Return the port of the pages, and say so where it is not the usual one."""
    port = next_free(PORT)
    if port != PORT:
        where = f"they are on port {port}" if port else "they are on another"
        print(f"\nPort {PORT}, which the pages usually have, is taken: {where}.", flush=True)
    return port


def next_free(first: int) -> int:
    """Return the first port from ``first`` on that nobody has; 0 where a hundred are taken."""
    return next((port for port in range(first, first + 100) if _free(port)), 0)


def _free(port: int) -> bool:
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind(("0.0.0.0", port))
        except OSError:
            return False
    return True
