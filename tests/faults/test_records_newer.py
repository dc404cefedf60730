"""A database that a later version of the program has written."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest
import sqlalchemy as sa

from sumpwright.errors import Complaint
from sumpwright.records.jobs import KeptJob
from sumpwright.records.store import Store


@pytest.mark.parametrize("version", ["0999", "cafe"])
def test_a_newer_database_is_left_alone(
    store: Store, job: KeptJob, target: str, version: str
) -> None:
    with store.writing() as session:
        session.execute(sa.text(f"UPDATE alembic_version SET version_num = '{version}'"))
    store.close()
    with pytest.raises(Complaint) as caught:
        Store.open(target)
    assert "newer version of Sumpwright" in caught.value.what
    assert "nothing was touched" in caught.value.do
    with store.reading() as session:
        assert session.scalar(sa.text("SELECT version_num FROM alembic_version")) == version
        assert session.scalar(sa.text("SELECT count(*) FROM events")) == job.length


@pytest.mark.parametrize("mode", ["DELETE", "WAL"])
def test_not_one_byte_of_it_changes(tmp_path: Path, mode: str) -> None:
    path = tmp_path / "yard.db"
    newer = sqlite3.connect(path)
    newer.execute(f"PRAGMA journal_mode = {mode}")
    newer.execute("CREATE TABLE alembic_version (version_num VARCHAR(32))")
    newer.execute("INSERT INTO alembic_version VALUES ('0999')")
    newer.execute("CREATE TABLE of_the_future (x)")
    newer.commit()
    newer.close()
    before = path.read_bytes()
    with pytest.raises(Complaint, match="newer version"):
        Store.open(path)
    assert path.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["yard.db"]


def test_a_newer_database_in_use_is_refused_too(tmp_path: Path) -> None:
    path = tmp_path / "yard.db"
    Store.open(path).close()
    newer = sqlite3.connect(path)
    newer.execute("UPDATE alembic_version SET version_num = '0999'")
    newer.commit()
    assert path.with_name("yard.db-wal").exists()
    with pytest.raises(Complaint, match="newer version"):
        Store.open(path)
    newer.close()
