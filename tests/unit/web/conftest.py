from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from sumpwright.records.store import Store
from webkit import Device, Site, fill_yard


@pytest.fixture(scope="session")
def empty_db(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("web") / "empty.db"
    Store.open(path).close()
    return path


@pytest.fixture(scope="session")
def yard_db(empty_db: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("web") / "yard.db"
    shutil.copy(empty_db, path)
    with Store.open(path) as store:
        fill_yard(store)
    return path


@pytest.fixture
def site(yard_db: Path, tmp_path: Path) -> Iterator[Site]:
    """A shared server on the demo yard."""
    shutil.copy(yard_db, tmp_path / "yard.db")
    made = Site(tmp_path / "yard.db")
    yield made
    made.store.close()


@pytest.fixture
def keeper(site: Site) -> Device:
    """Whoever sits at the machine itself."""
    return site.device()


@pytest.fixture
def van(site: Site) -> str:
    return site.store.machines.get("Van 1").id


@pytest.fixture
def job(site: Site, keeper: Device) -> Iterator[str]:
    """A job of a van by the line whose watches end with the test."""
    answer = keeper.api(
        "POST",
        "/jobs",
        json={"machine": "Van 1", "system": "gearbox", "method": "line-discharge"},
    )
    assert answer.status_code == 201, answer.text
    yield answer.json()["id"]
    site.app.state.web.watches.close()
