"""The shell on a running server: the same as on the file, and one line when it is gone."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from serverkit import Server
from shellkit import SHEET, Shell
from yardkit import empty_database

LIMIT = '[[system.limit]]\naction = "replace"\nperiod = "4 years"\n'

FLOW = (
    "machine add carrier.toml",
    "service add 'Carrier 2' --what filled --date 2019-05-01",
    "job start 'Carrier 2' --method drain-and-refill",
    "job drain 4.1 L",
    "job tighten drain 27 N.m --new-seal --tool 'wrench 2'",
    "job fill 4.3 qt",
    "job undo",
    "job fill 4.1 L --lot L12",
    "job reading temperature 41 C",
    "job sample A1 --old-share '40 %'",
    "job undo",
    "job undo --redo",
    "job close --odometer 84210 km --json-file record.json --pdf record.pdf",
    "verify record.json",
    "verify",
    "reading add 'Carrier 2' odometer 60000 km --date 2020-05-01",
    "spend 'Carrier 2' 3.50 --what 'crush washer'",
    "drive add 'Carrier 2' --distance 4 km",
    "use 'Carrier 2' --distance '9000-12000 km'",
)
LOOKS = (
    "job show --json",
    "job advise --job {job} --json",
    "job list --json",
    "due --json",
    "history 'Carrier 2' --json",
    "policy 'Carrier 2' --json",
    "costs --json",
    "machine show 'Carrier 2' --json",
    "machine list --json",
    "plan --machine 'Carrier 2' --json",
    "service list 'Carrier 2' --json",
    "reading list 'Carrier 2' --json",
    "drive list 'Carrier 2' --json",
)
_UUID = re.compile(r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}")
_OF_ITS_OWN = {"at", "opened", "closed", "hash", "prev", "head", "seconds"}


def _alike(data: Any) -> Any:
    """Drop what no two runs have in common: ids, times and hashes."""
    if isinstance(data, dict):
        return {k: _alike(v) for k, v in data.items() if k not in _OF_ITS_OWN}
    if isinstance(data, str):
        return _UUID.sub("id", data)
    return [_alike(each) for each in data] if isinstance(data, list) else data


def _same(here: Any, there: Any, where: str) -> None:
    """Compare two answers; ages in seconds grow between the two runs."""
    if isinstance(here, dict):
        assert list(here) == list(there), where
        for key in here:
            _same(here[key], there[key], f"{where} {key}")
    elif isinstance(here, list):
        assert len(here) == len(there), where
        for place, (one, other) in enumerate(zip(here, there, strict=True)):
            _same(one, other, f"{where} {place}")
    elif isinstance(here, float) and abs(here) > 1e4:
        assert there == pytest.approx(here, abs=600.0), where
    else:
        assert here == there, where


@pytest.fixture
def server(tmp_path: Path) -> Iterator[Server]:
    folder = tmp_path / "server"
    folder.mkdir()
    made = Server(folder)
    made.db.write_bytes(empty_database())
    made.start()
    yield made
    made.stop()


def _run(shell: Shell) -> list[Any]:
    shell.sheet(SHEET.replace("[[fluid]]", LIMIT + "[[fluid]]", 1))
    for line in FLOW:
        shell.done(line)
    (job,) = [each["job"] for each in shell("job list --json").data]
    return [_alike(shell(line.format(job=job)).data) for line in LOOKS]


def test_the_same_verbs_say_the_same_through_a_server(
    shell: Shell, server: Server, monkeypatch: pytest.MonkeyPatch
) -> None:
    on_the_file = _run(shell)
    monkeypatch.setenv("SUMPWRIGHT_DB", server.address)
    through_it = _run(shell)
    for line, here, there in zip(LOOKS, on_the_file, through_it, strict=True):
        _same(here, there, line)
    with server.store() as store:
        (job,) = store.jobs.all()
        assert store.jobs.verify(job.id) == []
        assert not job.open

    shell.done("export all.json")
    held = json.loads((shell.folder / "all.json").read_text(encoding="utf-8"))
    assert [len(held[part]) for part in ("machines", "jobs", "readings")] == [1, 1, 1]
    shell.done("import all.json")


def test_files_and_tables_go_through_a_server(
    shell: Shell, server: Server, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SUMPWRIGHT_DB", server.address)
    shell.start_job()
    from PIL import Image

    Image.new("RGB", (40, 30), "green").save(shell.folder / "vial.png")
    shell.done("job photo vial.png --caption 'first vial'")
    shell.done("job record --pdf record.pdf")
    assert (shell.folder / "record.pdf").read_bytes().startswith(b"%PDF")
    (shell.folder / "readings.csv").write_text("date,odometer (km)\n2020-05-01,60000\n")
    shell.done("import-table readings readings.csv --machine 'Carrier 2'")
    found = shell("reading list 'Carrier 2' --json").data
    (kept,) = [each for each in found["readings"] if each["id"]]
    assert kept["value"] == 60_000_000
    shell.done(f"reading withdraw {kept['id']}")
    (shell.folder / "lab.csv").write_text("date,fluid,Fe (ppm)\n2025-05-01,Rope Amber 3,30\n")
    shell.done("lab import lab.csv --machine 'Carrier 2'")
    (report,) = shell("lab show 'Carrier 2' --json").data["systems"][0]["reports"]
    assert report["kept_out"]
    shell.done(f"lab confirm {report['id']} --by Ines")
    (report,) = shell("lab show 'Carrier 2' --json").data["systems"][0]["reports"]
    assert (report["kept_out"], report["sure"], report["by"]) == (False, True, "Ines")
    refused = shell("job start 'Carrier 2'").complaint
    assert "is open already" in refused
    assert "no machine is called" in shell("machine show nobody").complaint
    assert "did you mean 'Carrier 2'?" in shell("machine show 'Carrier 3'").complaint


def test_a_server_that_is_gone_is_told_in_one_line(
    shell: Shell, server: Server, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SUMPWRIGHT_DB", server.address)
    shell.start_job()
    server.kill()
    for line in ("job drain 4.1 L", "due", "machine list", "export all.json", "import all.json"):
        (shell.folder / "all.json").write_text("{}")
        assert "the server does not answer" in shell(line).complaint, line


def test_a_shell_elsewhere_needs_to_be_paired(
    shell: Shell, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.setenv("SUMPWRIGHT_WEB_LOOPBACK_KEEPER", "false")
    folder = tmp_path / "shared"
    folder.mkdir()
    server = Server(folder)
    server.db.write_bytes(empty_database())
    server.start()
    try:
        monkeypatch.setenv("SUMPWRIGHT_DB", server.address)
        assert f"sumpwright pair {server.address} CODE" in shell("job list").complaint
        with server.store() as store:
            code = store.devices.invite("keeper").code
        shell.done(f"pair {server.address} {code} --name Ines")
        assert "does not hold" in shell(f"pair {server.address} {code}").complaint
        shell.start_job()
        assert shell("job show --json").data["log"][0]["by"] == "Ines"
        kept = tmp_path / "config" / "sumpwright" / "tokens.json"
        assert kept.stat().st_mode & 0o077 == 0
        token = json.loads(kept.read_text())[server.address]
        kept.unlink()
        monkeypatch.setenv("SUMPWRIGHT_TOKEN", token)
        shell.done("job list")
        with server.store() as store:
            store.devices.revoke(store.devices.all()[0].id)
        assert "no longer" in shell("job list").complaint
    finally:
        server.stop()


def test_what_is_no_server_of_a_yard_is_told(shell: Shell, server: Server) -> None:
    assert httpx.get(f"{server.address}/help").status_code == 200
    for address in ("http://", "http://127.0.0.1:no", "http://ines@127.0.0.1:1"):
        assert "is no address of a server" in shell("job", "list", "--db", address).complaint
