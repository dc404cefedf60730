"""The demo as a stranger runs it: a plan, a whole job, and a record that says where it is."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path

import pytest
from pypdf import PdfReader

from shellkit import environment
from sumpwright.records.proof import verify_file
from sumpwright.records.store import Store


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a demo run twice, with something of the user's own in it."""
    place = tmp_path_factory.mktemp("a place") / "the yard"
    place.mkdir()
    (place / "yard.db").write_bytes(b"somebody's own")
    (place / "invented-yard.db").write_bytes(b"of an earlier run")
    ran = subprocess.run(
        [sys.executable, "-m", "sumpwright.demo", str(place)],
        cwd=place.parent,
        env=environment(place),
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    assert ran.returncode == 0, ran.stderr
    # One report of the invented yard is on another fluid, and is told of; nothing else is.
    (warning,) = ran.stderr.splitlines()
    assert "this looks like a report on another fluid" in warning
    (place / "said.txt").write_text(ran.stdout, encoding="utf-8")
    return place


def words(path: Path) -> str:
    return " ".join(" ".join(page.extract_text() for page in PdfReader(path).pages).split())


def test_it_says_where_the_record_is(folder: Path) -> None:
    said = (folder / "said.txt").read_text(encoding="utf-8")
    assert "all data is invented" in said
    for name, label in (
        ("record.pdf", "The service record:"),
        ("job-card.pdf", "The job card:"),
        ("invented-yard.db", "The yard:"),
    ):
        (place,) = re.findall(rf"^{label} +(.*)$", said, re.MULTILINE)
        assert Path(place) == folder / name
        assert Path(place).is_file()
    assert (folder / "yard.db").read_bytes() == b"somebody's own"


def test_it_shows_a_plan_and_a_job(folder: Path) -> None:
    said = (folder / "said.txt").read_text(encoding="utf-8")
    lines = [line[2:] for line in said.splitlines() if line.startswith("$ ")]
    assert [line.split()[1] for line in lines[:7]] == ["machine"] * 5 + ["plan", "job"]
    assert "Why: " in said
    assert "Undone: " in said
    assert "Advice: Go on" in said
    assert "Advice: Stop" in said
    assert said.count("sound") == 1


def test_the_record_tells_what_was_done(folder: Path) -> None:
    text = words(folder / "record.pdf")
    # Drained 4.1 L, five bottles of 2 L; 4.1 L and five times 2 L filled in again.
    for word in ("Van 1", "gearbox", "Cable Green 7", "14.10 L", "L2207", "L2208", "27.0", "41"):
        assert word in text, word
    for word in ("187", "assumed", "licensed collector"):
        assert word in text, word
    proof = verify_file(folder / "record.json")
    assert proof.sound
    (job,) = proof.jobs
    assert job.state is not None
    assert job.state.balance.total_out == pytest.approx(0.0141)
    assert job.state.balance.total_in == pytest.approx(0.0141)
    assert job.state.cycles == 6
    # What was undone stays in the log, and counts no more.
    record = json.loads((folder / "record.json").read_bytes())
    volumes = [e["body"]["volume"] for e in record["events"] if e["kind"] == "filled"]
    assert 0.0043 in volumes


def test_the_card_warns(folder: Path) -> None:
    text = words(folder / "job-card.pdf")
    assert "Van 1" in text
    assert "service manual" in text
    assert "jack" in text


def test_the_yard_can_be_gone_on_with(folder: Path) -> None:
    with Store.open(folder / "invented-yard.db") as store:
        names = [machine.name for machine in store.machines.all()]
        assert names == ["Carrier 2", "Generator 1", "Pick-up 3", "Van 1"]
        (job,) = store.jobs.all()
        assert not job.open
        assert store.jobs.verify(job.id) == []
