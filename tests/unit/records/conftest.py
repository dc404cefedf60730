from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from sumpwright.records.jobs import KeptJob
from sumpwright.records.store import Store
from yardkit import BACKENDS, Backend, ready_target, start_job


@pytest.fixture(params=BACKENDS)
def backend(request: pytest.FixtureRequest) -> Backend:
    """Every test of the records runs on a file and on a server."""
    chosen: Backend = request.param
    return chosen


@pytest.fixture
def target(tmp_path: Path, backend: Backend) -> Iterator[str]:
    with ready_target(tmp_path, backend) as address:
        yield address


@pytest.fixture
def store(target: str) -> Iterator[Store]:
    with Store.open(target) as opened:
        yield opened


@pytest.fixture
def job(store: Store) -> KeptJob:
    return start_job(store)
