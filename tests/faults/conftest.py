from __future__ import annotations

import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from sumpwright.records.jobs import KeptJob
from sumpwright.records.store import Store
from yardkit import BACKENDS, Backend, ready_target, start_job


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """Try the records on a file and on a server; what stands on them, on a file alone."""
    own = any(mark.args[0] == "backend" for mark in metafunc.definition.iter_markers("parametrize"))
    if "backend" in metafunc.fixturenames and not own:
        records = metafunc.definition.path.name.startswith("test_records_")
        backends = BACKENDS if records else BACKENDS[:1]
        metafunc.parametrize("backend", backends, indirect=True)


@pytest.fixture
def backend(request: pytest.FixtureRequest) -> Backend:
    """Kind of database that a test runs on."""
    chosen: Backend = request.param
    return chosen


@pytest.fixture
def target(tmp_path: Path, backend: Backend) -> Iterator[str]:
    with ready_target(tmp_path, backend) as address:
        yield address


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of 2 MB, so that it can really be full."""
    folder = tmp_path / "disk"
    folder.mkdir()
    mount = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", str(folder)],
        capture_output=True,
        text=True,
        check=False,
    )
    if mount.returncode != 0:
        pytest.skip(f"mounting a small disk is not permitted here: {mount.stderr.strip()}")
    yield folder
    subprocess.run(["umount", str(folder)], check=True)


@pytest.fixture
def store(target: str) -> Iterator[Store]:
    with Store.open(target) as opened:
        yield opened


@pytest.fixture
def job(store: Store) -> KeptJob:
    return start_job(store)
