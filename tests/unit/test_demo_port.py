"""The demo serves on the next port when its own is taken, and says so."""

from __future__ import annotations

import socket

import pytest

from sumpwright.demo import serving


def _listening(port: int) -> socket.socket:
    taken = socket.socket()
    taken.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    taken.bind(("127.0.0.1", port))
    taken.listen()
    return taken


def test_a_taken_port_is_passed_over() -> None:
    with _listening(0) as one:
        port = one.getsockname()[1]
        assert serving.next_free(port) in range(port + 1, port + 100)
    assert serving.next_free(port) == port


def test_the_demo_says_which_port_it_takes_instead(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    with _listening(0) as one:
        port = one.getsockname()[1]
        monkeypatch.setattr(serving, "PORT", port)
        assert serving.chosen_port() in range(port + 1, port + 100)
        said = capsys.readouterr().out
        assert f"Port {port}, which the pages usually have, is taken" in said
        assert "they are on port " in said
    assert serving.chosen_port() == port
    assert capsys.readouterr().out == ""
