"""Runs the server that is killed again and again; see ``faults/web_server.py``."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path
from types import TracebackType

SCRIPT = Path(__file__).parent / "faults" / "web_server.py"


class Killable:
    """A server whose socket stays while its process is killed and replaced."""

    def __init__(self, db: str) -> None:
        self._maker = subprocess.Popen(
            [sys.executable, str(SCRIPT), db],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        self.port = int(self._line())
        self.pid = 0
        self.start()

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def _line(self) -> str:
        assert self._maker.stdout is not None
        return self._maker.stdout.readline()

    def start(self) -> None:
        assert self._maker.stdin is not None
        self._maker.stdin.write("start\n")
        self._maker.stdin.flush()
        self.pid = int(self._line())

    def kill(self) -> None:
        """End the process as a power cut would."""
        os.kill(self.pid, signal.SIGKILL)
        assert self._line().strip() == "gone"

    def __enter__(self) -> Killable:
        return self

    def __exit__(
        self,
        _kind: type[BaseException] | None,
        _error: BaseException | None,
        _trace: TracebackType | None,
    ) -> None:
        self.kill()
        self._maker.communicate("stop\n", timeout=20)
