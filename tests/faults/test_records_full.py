"""Disks that are full, databases that are locked, read-only, cut off or gone."""

from __future__ import annotations

import os
import sqlite3
import subprocess
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from sumpwright.errors import Complaint
from sumpwright.records import database
from sumpwright.records.export import export_yard
from sumpwright.records.store import Store
from yardkit import START, carrier, start_job


def complaint_of_a_write(store: Store, job: str) -> str:
    try:
        store.jobs.append(job, "noted", {"text": os.urandom(4000).hex()})
    except Complaint as complaint:
        return str(complaint)
    return ""


def fill_up(store: Store, job: str, says: str) -> int:
    """Write until the disk takes no more; return how many entries it took."""
    for taken in range(2000):
        said = complaint_of_a_write(store, job)
        if said:
            assert says in said
            assert "\n" not in said
            return taken
    pytest.fail("the disk never filled")


def test_a_disk_that_is_really_full(small_disk: Path) -> None:
    with Store.open(small_disk / "yard.db") as store:
        job = start_job(store)
        taken = fill_up(store, job.id, "the disk is full; free some space")
        assert taken > 3
        events = store.jobs.events(job.id)
        assert len(events) == taken + 1
        assert store.jobs.verify(job.id) == []
        before = sorted(p.name for p in small_disk.iterdir())
        with pytest.raises(Complaint, match="cannot be written"):
            export_yard(store, small_disk / "all.json")
        assert sorted(p.name for p in small_disk.iterdir()) == before
    with Store.open(small_disk / "yard.db") as store:
        assert store.jobs.events(job.id) == events
        subprocess.run(["mount", "-o", "remount,size=8m", str(small_disk)], check=True)
        assert store.jobs.append(job.id, "noted", {"text": "room again"}).event.seq == taken + 2
        assert store.jobs.verify(job.id) == []


def test_a_full_disk_when_the_database_is_made(small_disk: Path) -> None:
    (small_disk / "ballast").write_bytes(bytes(2 * 1024 * 1024 - 16 * 1024))
    with pytest.raises(Complaint, match="the disk"):
        Store.open(small_disk / "yard.db")
    (small_disk / "ballast").unlink()
    with Store.open(small_disk / "yard.db") as store:
        assert store.machines.all() == []


def test_a_database_that_may_not_grow(tmp_path: Path) -> None:
    with Store.open(tmp_path / "yard.db") as store:
        job = start_job(store)
        store.close()

        @sa.event.listens_for(store.engine, "connect")
        def limit(connection: sqlite3.Connection, _record: Any) -> None:
            pages = connection.execute("PRAGMA page_count").fetchone()[0]
            connection.execute(f"PRAGMA max_page_count = {pages + 20}")

        taken = fill_up(store, job.id, "the disk is full; free some space")
        assert taken > 3
        with pytest.raises(Complaint, match="the disk is full"):
            store.attachments.add(b"%PDF-" + os.urandom(200_000), "application/pdf")
        assert len(store.jobs.events(job.id)) == taken + 1
        assert store.jobs.verify(job.id) == []
        assert store.attachments.all() == []
        assert store.jobs.state(job.id).length == taken + 1


def test_a_locked_database(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(database, "BUSY_SECONDS", 0.2)
    with Store.open(tmp_path / "yard.db") as store:
        job = start_job(store)
        other = sqlite3.connect(tmp_path / "yard.db", isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(Complaint, match="keeps the database busy"):
            store.jobs.append(job.id, "noted", {"text": "cold"})
        assert len(store.jobs.events(job.id)) == 1
        other.execute("ROLLBACK")
        other.close()
        assert store.jobs.append(job.id, "noted", {"text": "cold"}).new


def test_a_disk_that_may_only_be_read(small_disk: Path) -> None:
    with Store.open(small_disk / "yard.db") as store:
        job = start_job(store)
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    for name in ("yard.db", "new.db"):
        with pytest.raises(Complaint, match="that you may write to") as caught:
            Store.open(small_disk / name)
        assert str(small_disk / name) in str(caught.value)
    subprocess.run(["mount", "-o", "remount,rw", str(small_disk)], check=True)
    with Store.open(small_disk / "yard.db") as store:
        assert store.jobs.verify(job.id) == []


def test_a_damaged_database(tmp_path: Path) -> None:
    path = tmp_path / "yard.db"
    with Store.open(path) as store:
        store.machines.add(carrier())
        store.readings.add_many("Carrier 2", [("hours", float(n), START) for n in range(300)])
        with store.engine.connect() as connection:
            connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)")
    size = path.stat().st_size
    with path.open("r+b") as file:
        file.seek(4096)
        file.write(os.urandom(size - 4096))
    with pytest.raises(Complaint, match=r"damaged|not a Sumpwright database"):
        Store.open(path).machines.all()


def test_a_database_cut_short(tmp_path: Path) -> None:
    path = tmp_path / "yard.db"
    with Store.open(path) as store:
        store.machines.add(carrier())
    with path.open("r+b") as file:
        file.truncate(10_000)
    with pytest.raises(Complaint, match="damaged"):
        Store.open(path).machines.all()
