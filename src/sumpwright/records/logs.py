"""Rows of jobs and of their logs."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, CursorResult, insert, select, update
from sqlalchemy.orm import Session

from sumpwright.errors import Complaint
from sumpwright.records.chain import Event, body_text
from sumpwright.records.projection import PROJECTED, project
from sumpwright.records.schema import EventRow, JobRow, MachineRow
from sumpwright.records.state import JobState
from sumpwright.records.store import MovedError

NO_MACHINE = "(machine not in the yard)"


@dataclass(frozen=True)
class KeptJob:
    """A job as the list of jobs shows it."""

    id: str
    machine: str
    machine_name: str
    version: int
    system: str
    method: str
    opened_at: datetime
    closed_at: datetime | None
    length: int
    head: str

    @property
    def open(self) -> bool:
        """Whether the job goes on."""
        return self.closed_at is None


def load_events(session: Session, job: str, after: int = 0) -> list[Event]:
    """Return a job's log from the database."""
    query = (
        select(
            EventRow.id,
            EventRow.job_id,
            EventRow.seq,
            EventRow.at,
            EventRow.by,
            EventRow.kind,
            EventRow.body,
            EventRow.prev,
            EventRow.hash,
        )
        .where(EventRow.job_id == job, EventRow.seq > after)
        .order_by(EventRow.seq)
    )
    return [as_event(row) for row in session.execute(query)]


def as_event(row: Any) -> Event:
    """Return an entry as it is kept.

    Raises
    ------
    Complaint
        When its body is no longer what was written.
    """
    try:
        body = json.loads(row.body)
    except ValueError:
        body = None
    if not isinstance(body, dict):
        raise Complaint(
            f"entry {row.seq} ({row.id}) was altered: its body cannot be read",
            "look at 'sumpwright verify', and use a copy that nobody changed",
        )
    return Event(
        row.id,
        row.job_id,
        row.seq,
        row.at,
        row.by,
        row.kind,
        body,
        row.prev,
        row.hash,
    )


def write_events(
    session: Session,
    row: JobRow | None,
    job: str,
    state: JobState,
    fresh: Sequence[Event],
    version: int | None,
) -> None:
    """Add entries at the end of a job's log, making the job if it is new.

    Raises
    ------
    MovedError
        When the log has grown since it was read.
    """
    before = fresh[0]
    if row is None:
        session.add(
            JobRow(
                id=job,
                machine_id=state.machine,
                version=version,
                system=state.system_name,
                method=state.method,
                opened_at=state.opened_at,
                closed_at=state.closed_at,
                length=state.length,
                head=state.head,
            )
        )
        session.flush()
    else:
        moved: CursorResult[Any] = session.execute(  # type: ignore[assignment]
            update(JobRow)
            .where(JobRow.id == job, JobRow.length == before.seq - 1, JobRow.head == before.prev)
            .values(length=state.length, head=state.head, closed_at=state.closed_at)
            .execution_options(synchronize_session=False)
        )
        if moved.rowcount != 1:
            raise MovedError
    insert_events(session, fresh)
    if any(event.kind in PROJECTED for event in fresh):
        project(session, job, state)


def insert_events(session: Session, events: Sequence[Event]) -> None:
    """Add entries to the table of events, in their order."""
    session.execute(
        insert(EventRow),
        [
            {
                "id": event.id,
                "job_id": event.job,
                "seq": event.seq,
                "at": event.at,
                "by": event.by,
                "kind": event.kind,
                "body": body_text(event.body),
                "prev": event.prev,
                "hash": event.hash,
            }
            for event in events
        ],
    )


def find_jobs(session: Session, *where: ColumnElement[bool]) -> list[KeptJob]:
    """Return the jobs that meet all conditions, the newest first.

    A job whose machine is gone is among them, so that it is not overlooked.
    """
    query = (
        select(JobRow, MachineRow.name)
        .outerjoin(MachineRow, MachineRow.id == JobRow.machine_id)
        .where(*where)
        .order_by(JobRow.opened_at.desc(), JobRow.id.desc())
    )
    return [
        KeptJob(
            row.id,
            row.machine_id,
            NO_MACHINE if name is None else name,
            row.version,
            row.system,
            row.method,
            row.opened_at,
            row.closed_at,
            row.length,
            row.head,
        )
        for row, name in session.execute(query)
    ]
