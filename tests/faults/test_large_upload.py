"""An upload far too large, sent to a real server over a real socket."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from serverkit import Server

MB = 1024 * 1024


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    made = Server(tmp_path_factory.mktemp("upload"))
    made.start()
    yield made
    made.stop()


def memory(pid: int) -> int:
    """Bytes that a process holds, from the kernel's own books."""
    for line in Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith("VmRSS:"):
            return int(line.split()[1]) * 1024
    raise AssertionError


def chunks(total: int) -> Iterator[bytes]:
    for _ in range(total // MB):
        yield b"\xff\xd8\xff" + b"x" * (MB - 3)


def test_two_hundred_megabytes_are_refused_and_their_sender_hears_why(server: Server) -> None:
    before = memory(server.pid)
    for headers in ({"content-length": str(200 * MB)}, {}):
        answer = httpx.post(
            f"{server.address}/api/attachments",
            content=chunks(200 * MB),
            headers={"content-type": "image/jpeg", **headers},
            timeout=60,
        )
        assert answer.status_code == 413
        assert "at most 26 MB are taken here" in answer.json()["error"]["what"]
    assert memory(server.pid) - before < 64 * MB
    with server.store() as store:
        assert store.attachments.all() == []
    assert httpx.get(f"{server.address}/api/machines").json() == []


def test_the_answer_comes_before_the_body(server: Server) -> None:
    with socket.create_connection(("127.0.0.1", server.port), timeout=10) as connection:
        connection.sendall(
            b"POST /api/attachments HTTP/1.1\r\nHost: 127.0.0.1\r\n"
            b"Content-Type: image/jpeg\r\nContent-Length: 209715200\r\n\r\n"
        )
        assert connection.recv(4096).startswith(b"HTTP/1.1 413")


@pytest.mark.parametrize(
    "text",
    [
        b"GET /%2e%2e/%2e%2e/etc/passwd HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n",
        b"GET /static/../../../../../etc/passwd HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n",
        b"GET /static/%2e%2e/settings.py HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n",
    ],
)
def test_no_path_leads_out_of_the_static_files(server: Server, text: bytes) -> None:
    with socket.create_connection(("127.0.0.1", server.port), timeout=10) as connection:
        connection.sendall(text)
        head = connection.recv(65536)
    assert head.split(b" ")[1] == b"404"
    assert b"root:" not in head
    assert b"import" not in head
