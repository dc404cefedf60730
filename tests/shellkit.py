"""The shell as tests use it: in this process for speed, or as a command of its own."""

from __future__ import annotations

import io
import json
import os
import shlex
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from sumpwright.cli import main
from sumpwright.records.chain import Event
from sumpwright.records.store import Store
from yardkit import empty_database

COMMAND = [sys.executable, "-m", "sumpwright"]

SHEET = """\
[machine]
name = "Carrier 2"
[[system]]
name = "gearbox"
kind = "torque-converter automatic"
capacity = "9.2 L"
drain = "4.1 L"
sump = "4.8 L"
cooler_loop = "0.7 L"
tanks = 2
pockets = 0.10
pickup_reserve = "1.5 L"
fluid = "Cable Green 7"
window = ["38 C", "46 C"]
[[system.plug]]
name = "drain"
torque = "27 N.m"
seal = "crush washer"
drive = "10 mm hex"
[[system.plug]]
name = "fill"
[[fluid]]
name = "Cable Green 7"
density_15 = "846 kg/m3"
viscosity_40 = "29.6 mm2/s"
viscosity_100 = "6.0 mm2/s"
[[offer]]
fluid = "Cable Green 7"
seller = "Yard store"
size = "1 L"
price = 11.40
"""
"""A sheet in which nothing is left to be assumed, of an invented machine."""


@dataclass(frozen=True)
class Outcome:
    """What a command printed, and how it ended."""

    code: int
    out: str
    err: str

    @property
    def complaint(self) -> str:
        """The one line on standard error with which a command that failed must end."""
        assert self.code == 2, (self.code, self.out, self.err)
        assert self.err.endswith("\n")
        (line,) = self.err.splitlines()
        assert line.startswith("sumpwright: ")
        assert line.isprintable()
        return line.removeprefix("sumpwright: ")

    @property
    def data(self) -> Any:
        """The JSON on standard output."""
        assert self.code == 0, self.err
        return json.loads(self.out)


class Shell:
    """Runs commands in this process, in a folder and on a database of their own."""

    def __init__(
        self, folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
    ) -> None:
        self.folder = folder
        self.db = folder / "yard.db"
        self._monkeypatch = monkeypatch
        self._capsys = capsys
        monkeypatch.chdir(folder)
        monkeypatch.setenv("SUMPWRIGHT_DB", str(self.db))
        for name in ("UNITS", "BY", "JOB"):
            monkeypatch.delenv(f"SUMPWRIGHT_{name}", raising=False)

    def __call__(self, *words: str, stdin: bytes = b"") -> Outcome:
        """Run a command given as words, or as one line to be split as a shell would."""
        args = shlex.split(words[0]) if len(words) == 1 else list(words)
        self._monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(stdin)))
        self._capsys.readouterr()
        with pytest.raises(SystemExit) as ended:
            main(args)
        out, err = self._capsys.readouterr()
        assert isinstance(ended.value.code, int)
        return Outcome(ended.value.code, out, err)

    def done(self, line: str) -> str:
        """Run a command that must succeed; return what it printed."""
        outcome = self(line)
        assert outcome.code == 0, (line, outcome.err)
        return outcome.out

    def sheet(self, text: str = SHEET, name: str = "carrier.toml") -> Path:
        """Write a machine sheet."""
        path = self.folder / name
        path.write_text(text, encoding="utf-8")
        return path

    def events(self) -> list[Event]:
        """Every entry of every job, as the database has it, each log verified."""
        with Store.open(self.db) as store:
            found: list[Event] = []
            for job in store.jobs.all():
                assert store.jobs.verify(job.id) == []
                found += store.jobs.events(job.id)
            return found

    def start_job(self) -> None:
        """Put the machine into the yard and start a job with two entries."""
        self.sheet()
        for line in (
            "machine add carrier.toml",
            "job start 'Carrier 2' --method drain-and-refill",
            "job drain 4.1 L",
            "job fill 4.1 L --lot L12",
        ):
            self.done(line)


def make_shell(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Shell:
    """Return a shell on a new database that has its tables."""
    shell = Shell(folder, monkeypatch, capsys)
    shell.db.write_bytes(empty_database())
    return shell


def command(*words: str, folder: Path, **more: Any) -> subprocess.CompletedProcess[str]:
    """Run the real command in a process of its own, on the database of the folder."""
    return subprocess.run(
        [*COMMAND, *words],
        cwd=folder,
        env=environment(folder),
        text=True,
        timeout=60,
        check=False,
        **{"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, **more},
    )


def environment(folder: Path) -> dict[str, str]:
    """Return the settings of a process whose yard is in a folder."""
    own = {k: v for k, v in os.environ.items() if not k.startswith("SUMPWRIGHT_")}
    return {**own, "SUMPWRIGHT_DB": str(folder / "yard.db")}
