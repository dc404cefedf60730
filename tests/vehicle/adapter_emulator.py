"""A small AT-command adapter on a pseudo terminal or a TCP port, scripted by the test.

Written from the common dialect, apart from the product's driver: commands end with a
carriage return, ``>`` ends an answer, echo and headers are on after a restart.
"""

from __future__ import annotations

import contextlib
import os
import pty
import select
import socket
import threading
import tty
from collections.abc import Callable
from pathlib import Path

Script = Callable[[str], str | None]


class Adapter:
    """One adapter.

    Parameters
    ----------
    answer : callable
        From a message for the vehicle (hexadecimal) to the lines of the answer, or None to
        keep silent without a prompt.
    """

    def __init__(self, answer: Script) -> None:
        self.answer = answer
        self.commands: list[str] = []
        self.echo = True
        self.headers = False
        self._stop = threading.Event()
        self._threads: list[threading.Thread] = []

    def reply(self, command: str) -> bytes | None:
        """What the adapter sends back for one command."""
        self.commands.append(command)
        echo = f"{command}\r" if self.echo else ""
        text: str | None
        if command == "ATZ":
            self.echo, self.headers, text = True, False, "\r\rAT ADAPTER 1.0"
        elif command == "ATE0":
            self.echo, text = False, "OK"
        elif command == "ATH1":
            self.headers, text = True, "OK"
        elif command == "ATDPN":
            text = "A6"
        elif command.startswith("AT"):
            text = "OK"
        else:
            text = self.answer(command)
        return None if text is None else f"{echo}{text}\r\r>".encode("latin-1")

    def serve(self, read: Callable[[], bytes], write: Callable[[bytes], object]) -> None:
        """Answer until the other side is gone."""
        got = b""
        while not self._stop.is_set():
            try:
                more = read()
            except OSError:
                return
            if not more:
                return
            got += more
            while b"\r" in got:
                line, _, got = got.partition(b"\r")
                said = self.reply(line.decode("latin-1").replace(" ", "").upper())
                if said is not None:
                    try:
                        write(said)
                    except OSError:
                        return


class PtyAdapter(Adapter):
    """The adapter on a pseudo terminal, found under a fixed name like a plugged-in device."""

    def __init__(self, answer: Script, link: Path) -> None:
        super().__init__(answer)
        self.link = link
        self._master = -1

    def __enter__(self) -> PtyAdapter:
        self._master, slave = pty.openpty()
        tty.setraw(slave)
        self.link.unlink(missing_ok=True)
        self.link.symlink_to(os.ttyname(slave))
        self._slave = slave
        self._threads = [threading.Thread(target=self._run, daemon=True)]
        self._threads[0].start()
        return self

    def _run(self) -> None:
        master = self._master

        def read() -> bytes:
            while not self._stop.is_set():
                ready, _, _ = select.select([master], [], [], 0.05)
                if ready:
                    return os.read(master, 1024)
            return b""

        self.serve(read, lambda data: os.write(master, data))

    def __exit__(self, *_: object) -> None:
        """Unplug."""
        self._stop.set()
        self._threads[0].join(5.0)
        os.close(self._slave)
        os.close(self._master)
        self.link.unlink(missing_ok=True)


class TcpAdapter(Adapter):
    """The adapter on a TCP port of this machine."""

    def __init__(self, answer: Script, port: int = 0) -> None:
        super().__init__(answer)
        self.port = port
        self._clients: list[socket.socket] = []

    @property
    def place(self) -> str:
        return f"socket://127.0.0.1:{self.port}"

    def __enter__(self) -> TcpAdapter:
        self._server = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        self._server.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        self._server.bind(("127.0.0.1", self.port))
        self.port = self._server.getsockname()[1]
        self._server.listen(4)
        self._server.settimeout(0.05)
        self._threads = [threading.Thread(target=self._run, daemon=True)]
        self._threads[0].start()
        return self

    def _run(self) -> None:
        while not self._stop.is_set():
            try:
                client, _ = self._server.accept()
            except OSError:
                continue
            client.settimeout(None)
            client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._clients.append(client)
            thread = threading.Thread(
                target=self.serve, args=(lambda c=client: c.recv(1024), client.sendall), daemon=True
            )
            thread.start()
            self._threads.append(thread)

    def __exit__(self, *_: object) -> None:
        """Cut the power."""
        self._stop.set()
        self._threads[0].join(5.0)
        self._server.close()
        for client in self._clients:
            with contextlib.suppress(OSError):
                client.shutdown(socket.SHUT_RDWR)
            client.close()
        for thread in self._threads[1:]:
            thread.join(5.0)
