"""Starting the processes of ``record_writer``."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent


def writer(target: str, job: str, who: str, ids: list[str]) -> subprocess.Popen[str]:
    """Start a writer and wait until it is ready to begin."""
    process = subprocess.Popen(
        [sys.executable, str(HERE / "record_writer.py"), target, job, who, *ids],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env=os.environ | {"PYTHONPATH": str(HERE.parents[1] / "src")},
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "ready\n"
    return process


def begin(process: subprocess.Popen[str]) -> None:
    assert process.stdin is not None
    process.stdin.write("go\n")
    process.stdin.flush()


def finish(process: subprocess.Popen[str]) -> list[str]:
    """Return what the process still has to say."""
    out, _ = process.communicate(timeout=60)
    assert process.returncode == 0
    return out.split("\n")[:-1]
