"""The temperature logs of a job in the shell, and what they age the fluid."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from shellkit import Shell
from sumpwright.link.soak import pack
from sumpwright.records.store import Store
from sumpwright.records.temperatures import LOG_TYPE


@pytest.fixture
def log(shell: Shell) -> Path:
    """A job that keeps a log, which lies in the folder as a file as well."""
    shell.start_job()
    t = np.arange(0.0, 3600.0, 10.0) + 1.7e9
    kelvin = np.full(t.size, 363.15)
    with Store.open(shell.db) as store:
        (job,) = store.jobs.all()
        kept = store.attachments.add(pack(t, kelvin), LOG_TYPE, name="x.soak")
        body = {"attachment": kept.sha256, "what": "temperature", "readings": t.size}
        body |= {"lowest": 363.15, "highest": 363.15, "seconds": 3590.0}
        store.jobs.append(job.id, "logged", body)
    path = shell.folder / "kept.soak"
    path.write_bytes(pack(t, kelvin))
    return path


def test_logs_of_a_job_are_counted_once(shell: Shell, log: Path) -> None:
    told = shell.done("job logs")
    assert "not counted" in told
    assert "Count them with --count." in told
    assert "Counted now: 1." in shell.done("job logs --count --by Ines")
    data = shell("job logs --count --json").data
    assert data["added"] == 0
    assert [row["counted"] for row in data["logs"]] == [True]
    # The same log taken away as a file is not told again with a drive.
    again = shell("drive add 'Carrier 2' --distance 12 km --log kept.soak").complaint
    assert "this log is counted already" in again
    assert log.name in again


def test_a_soak_log_comes_with_a_drive_and_is_not_counted_from_the_job_again(
    shell: Shell, log: Path
) -> None:
    assert "Temperatures of 60 min" in shell.done(
        f"drive add 'Carrier 2' --distance 12 km --log {log.name}"
    )
    assert shell("job logs --count --json").data["added"] == 0


def test_a_job_without_logs_says_where_they_come_from(shell: Shell) -> None:
    shell.start_job()
    assert "the level screen keeps what it watches" in shell.done("job logs")
