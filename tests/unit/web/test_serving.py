"""Starting the server from the shell."""

from __future__ import annotations

import json
import logging
import re
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx
import pytest

from sumpwright.errors import Complaint
from sumpwright.records.store import Store
from sumpwright.web.serving import JsonLines, listen, run
from webkit import fill_yard

SERVE = [sys.executable, "-c", "from sumpwright.cli import main; main()", "serve", "--port", "0"]


@contextmanager
def served(*options: str) -> Iterator[tuple[subprocess.Popen[str], str]]:
    process = subprocess.Popen(
        [*SERVE, *options], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    try:
        assert process.stdout is not None
        yield process, process.stdout.readline()
    finally:
        process.kill()
        process.communicate()


def test_the_shell_serves_until_it_is_stopped(tmp_path: Path) -> None:
    with served("--db", str(tmp_path / "yard.db"), "--json-log") as (process, line):
        found = re.search(r"http://127\.0\.0\.1:\d+", line)
        assert found, line
        assert "this machine only" in line
        assert httpx.get(f"{found[0]}/api/machines", timeout=20).json() == []
        process.send_signal(signal.SIGTERM)
        _, errors = process.communicate(timeout=20)
        assert process.returncode in (0, -signal.SIGTERM)
    entries = [json.loads(entry) for entry in errors.splitlines()]
    assert any("GET /api/machines 200" in entry["text"] for entry in entries)


def test_sharing_shows_the_way_in(tmp_path: Path) -> None:
    with served("--db", str(tmp_path / "yard.db"), "--share") as (process, line):
        assert "on the network" in line
        assert process.stdout is not None
        told = ""
        while "Further codes" not in told:
            told += process.stdout.readline()
    assert re.search(r"one hour: [A-Z2-9]{4}-[A-Z2-9]{4}", told)
    assert "█" in told or "▀" in told


def test_an_address_in_use_is_told() -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(Complaint, match="cannot listen") as caught:
            listen("127.0.0.1", port)
    assert "--port" in caught.value.do


@pytest.mark.parametrize("host", ["0.0.0.0", "192.0.2.1", "::", "yard.lan"])
def test_the_network_is_not_listened_to_by_accident(host: str, tmp_path: Path) -> None:
    with pytest.raises(Complaint, match="reached from the network"):
        run(host=host, port=0, db=str(tmp_path / "yard.db"))
    assert not (tmp_path / "yard.db").exists()


def test_a_database_that_cannot_be_opened_ends_the_command_in_one_line(tmp_path: Path) -> None:
    bad = tmp_path / "bad.db"
    bad.write_bytes(b"not a database, but long enough to be taken for one" * 20)
    done = subprocess.run(
        [*SERVE, "--db", str(bad)], capture_output=True, text=True, timeout=60, check=False
    )
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1
    assert "not a Sumpwright database" in done.stderr


def test_a_log_line_is_one_json_object() -> None:
    record = logging.LogRecord("x", logging.ERROR, "", 1, "a %s", ('"b"\nc',), None)
    assert json.loads(JsonLines().format(record))["text"] == 'a "b"\nc'


def test_a_sender_who_goes_away_and_a_stop_are_quiet(tmp_path: Path) -> None:
    db = tmp_path / "yard.db"
    with Store.open(str(db)) as store:
        fill_yard(store)
        van = store.machines.get("Van 1").id
        job = store.jobs.start(
            van, "gearbox", method="drain-and-refill", target=0.9, confidence=0.9
        )
    with served("--db", str(db)) as (process, line):
        port = int(line.split("127.0.0.1:")[1].split()[0])
        with socket.create_connection(("127.0.0.1", port)) as half:
            half.sendall(
                b"POST /machines/check HTTP/1.1\r\nHost: 127.0.0.1\r\n"
                b"Content-Type: application/x-www-form-urlencoded\r\n"
                b"Content-Length: 500\r\n\r\nname=a"
            )
        address = f"http://127.0.0.1:{port}/jobs/{job.id}/live"
        with httpx.stream("GET", address, timeout=20) as stream:
            next(stream.iter_lines())
            process.send_signal(signal.SIGINT)
            _, errors = process.communicate(timeout=20)
    assert "the sender went away" in errors
    assert " 500 " not in errors
    assert "Traceback" not in errors
    assert "ERROR" not in errors
