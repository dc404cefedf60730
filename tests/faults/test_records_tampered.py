"""Logs that someone altered behind the program's back."""

from __future__ import annotations

import sqlite3
from contextlib import closing

import pytest
import sqlalchemy as sa

from sumpwright.errors import Complaint
from sumpwright.records.jobs import KeptJob
from sumpwright.records.store import Store
from yardkit import FLUID, carrier


@pytest.fixture
def full(store: Store, job: KeptJob) -> KeptJob:
    store.jobs.append(job.id, "drained", {"volume": 0.0041}, by="Ines")
    store.jobs.append(job.id, "filled", {"volume": 0.0043, "fluid": FLUID}, by="Ines")
    store.jobs.append(job.id, "noted", {"text": "cold"}, by="Ines")
    return store.jobs.get(job.id)


@pytest.mark.parametrize(
    ("statement", "says"),
    [
        ("UPDATE events SET body = '{}' WHERE seq = 2", "never changed"),
        ("DELETE FROM events WHERE seq = 4", "never changed"),
        (
            "INSERT INTO events SELECT '0', job_id, 9, at, by, kind, body, prev, hash "
            "FROM events WHERE seq = 2",
            "grows only at its end",
        ),
        (
            "INSERT INTO events SELECT '0', job_id, 5, at, by, kind, body, prev, hash "
            "FROM events WHERE seq = 2",
            "grows only at its end",
        ),
    ],
)
def test_the_database_itself_takes_nothing_but_the_next_entry(
    store: Store, full: KeptJob, statement: str, says: str
) -> None:
    with pytest.raises(Complaint, match=says), store.writing() as session:
        session.execute(sa.text(statement))
    assert store.jobs.verify(full.id) == []
    assert len(store.jobs.events(full.id)) == 4


@pytest.mark.parametrize("backend", ["sqlite"], indirect=True)
def test_replacing_a_row_is_no_way_round(store: Store, full: KeptJob) -> None:
    """Only SQLite knows INSERT OR REPLACE."""
    for pragma in ("ON", "OFF"):
        with store.engine.connect() as connection:
            connection.exec_driver_sql(f"PRAGMA recursive_triggers = {pragma}")
            connection.rollback()
            for seq in ("2", "5"):
                with pytest.raises(sa.exc.IntegrityError, match="grows only at its end"):
                    connection.exec_driver_sql(
                        f"INSERT OR REPLACE INTO events SELECT id, job_id, {seq}, at, 'Otto', "
                        "kind, body, prev, hash FROM events WHERE seq = 2"
                    )
                connection.rollback()
    assert store.jobs.verify(full.id) == []


def without_guards(store: Store, statement: str) -> None:
    """Alter the log as someone would who has the file and knows how."""
    with store.writing() as session:
        if store.engine.dialect.name == "sqlite":
            for trigger in ("events_follow", "events_no_update", "events_no_delete"):
                session.execute(sa.text(f"DROP TRIGGER {trigger}"))
        else:
            session.execute(sa.text("ALTER TABLE events DISABLE TRIGGER USER"))
        session.execute(sa.text(statement))


@pytest.mark.parametrize(
    ("statement", "says"),
    [
        ("UPDATE events SET body = replace(body, '41', '40') WHERE seq = 2", "was altered"),
        ("UPDATE events SET by = 'Otto' WHERE seq = 3", "was altered"),
        ("DELETE FROM events WHERE seq = 3", "1 missing before it"),
        ("DELETE FROM events WHERE seq = 4", "3 events are here where 4 were written"),
        ("UPDATE events SET seq = 9 WHERE seq = 4", "comes after a gap"),
        ("UPDATE events SET hash = prev WHERE seq = 4", "not the last event"),
    ],
)
def test_what_was_altered_all_the_same_is_found(
    store: Store, full: KeptJob, target: str, statement: str, says: str
) -> None:
    without_guards(store, statement)
    with Store.open(target) as other:
        assert any(says in problem.text for problem in other.jobs.verify(full.id))


OTHER = "01890a5d-ac96-774b-bcce-b302099a8057"


def beside(store: Store, statement: str) -> None:
    """Alter what is kept beside the log, past the checks of the database."""
    if store.engine.dialect.name == "sqlite":
        # A connection of one's own does not look at foreign keys.
        path = store.engine.url.database
        assert path
        with closing(sqlite3.connect(path)) as raw, raw:
            raw.execute(statement)
        return
    with store.engine.begin() as connection:
        connection.exec_driver_sql("SET LOCAL session_replication_role = replica")
        connection.exec_driver_sql(statement)


@pytest.mark.parametrize(
    ("statement", "says"),
    [
        ("UPDATE jobs SET machine_id = '{another}'", ["was opened on another machine"]),
        (
            f"UPDATE jobs SET machine_id = '{OTHER}'",
            ["was opened on another machine", f"its machine {OTHER} is not in the yard"],
        ),
        ("UPDATE jobs SET system = 'rear axle'", ["the system kept beside the log is another"]),
        ("UPDATE jobs SET closed_at = opened_at", ["the time of closing kept beside the log"]),
    ],
)
def test_what_is_kept_beside_the_log_is_held_against_it(
    store: Store, full: KeptJob, target: str, statement: str, says: list[str]
) -> None:
    another = store.machines.add(carrier("Carrier 3")).id
    beside(store, statement.format(another=another))
    with Store.open(target) as other:
        found = [problem.text for problem in other.jobs.verify(full.id)]
        assert len(found) == len(says)
        for text, said in zip(found, says, strict=True):
            assert text.startswith(said)
        assert [kept.id for kept in other.jobs.all()] == [full.id]


def test_a_body_that_cannot_be_read_is_found_and_named(
    store: Store, full: KeptJob, target: str
) -> None:
    without_guards(store, "UPDATE events SET body = '{' WHERE seq = 2")
    with Store.open(target) as other:
        (problem,) = other.jobs.verify(full.id)
        assert "its body cannot be read" in problem.text
        with pytest.raises(Complaint, match=r"entry 2 .* was altered"):
            other.jobs.state(full.id)


def test_entries_without_a_job_are_named(store: Store, full: KeptJob, target: str) -> None:
    assert store.jobs.strays() == []
    beside(store, "DELETE FROM jobs")
    with Store.open(target) as other:
        assert other.jobs.strays() == [full.id]


def test_nothing_is_added_after_a_cut(store: Store, full: KeptJob, target: str) -> None:
    without_guards(store, "DELETE FROM events WHERE seq = 4")
    with Store.open(target) as other:
        with pytest.raises(Complaint, match="verify"):
            other.jobs.append(full.id, "noted", {"text": "after"})
        assert len(other.jobs.events(full.id)) == 3
