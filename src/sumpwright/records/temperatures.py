"""Temperatures: the sources of a machine, and the log of a job while it grows.

What a source is and how a block is packed is known above this layer; here a source is
one line of text and a block is bytes that can be strung together.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from sumpwright.errors import Complaint
from sumpwright.records.body_fields import LONGEST_TEXT, unwelcome
from sumpwright.records.chain import new_id
from sumpwright.records.machines import find_row
from sumpwright.records.schema import LogBlockRow, SourceRow

if TYPE_CHECKING:
    from sumpwright.records.store import Store

LOG_TYPE = "application/x-sumpwright-log"
"""Media type of a temperature log."""

MOST_SOURCES = 50
"""Sources kept for one machine; more are a mistake of a program."""


@dataclass(frozen=True)
class KeptSource:
    """A source of temperatures kept for a machine."""

    id: str
    machine: str
    name: str
    description: str
    at: datetime
    by: str


@dataclass(frozen=True)
class Watched:
    """What a log was heard from: the source as text, its name, whether it is the fluid itself."""

    source: str
    name: str = ""
    live: bool = False


@dataclass(frozen=True)
class Growing:
    """A log that is not finished: its blocks strung together, and the id of the last one.

    ``heard`` is what it came from, where that was noted.
    """

    data: bytes
    count: int
    last: str
    heard: Watched | None = None


class Temperatures:
    """Sources and growing logs of a store."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def keep(self, machine: str, name: str, description: str, *, by: str = "") -> KeptSource:
        """Keep a source for a machine; one of the same name is replaced.

        Raises
        ------
        Complaint
            For an unknown machine, a name that cannot be kept, or too many sources.
        """
        name = " ".join(name.split())
        if not name or len(name) > 100 or any(unwelcome(c) for c in name):
            raise Complaint("the source needs a short name", "give one", field="name")
        if len(description) > LONGEST_TEXT or any(unwelcome(c) for c in description):
            raise Complaint("this source cannot be kept", "shorten it", field="place")

        def work(session: Session) -> KeptSource:
            owner = find_row(session, machine).id
            rows = list(session.scalars(select(SourceRow).where(SourceRow.machine_id == owner)))
            row = next((r for r in rows if r.name.casefold() == name.casefold()), None)
            if row is None:
                if len(rows) >= MOST_SOURCES:
                    raise Complaint(f"{len(rows)} sources are kept already", "forget some")
                row = SourceRow(id=new_id(), machine_id=owner)
                session.add(row)
            row.name, row.description = name, description
            row.at, row.by = datetime.now(UTC), by
            return _source(row)

        return self._store.run(work)

    def of(self, machine: str) -> list[KeptSource]:
        """Return the sources of a machine, the one kept last first."""
        with self._store.reading() as session:
            query = (
                select(SourceRow)
                .where(SourceRow.machine_id == find_row(session, machine).id)
                .order_by(SourceRow.at.desc(), SourceRow.id)
            )
            return [_source(row) for row in session.scalars(query)]

    def get(self, machine: str, source: str) -> KeptSource:
        """Return a source of a machine by its id.

        Raises
        ------
        Complaint
            When there is none.
        """
        found = next((kept for kept in self.of(machine) if kept.id == source), None)
        if found is None:
            raise Complaint("this source is not kept", "choose one of the list", field="source")
        return found

    def forget(self, machine: str, source: str) -> None:
        """Forget a source of a machine."""
        kept = self.get(machine, source)
        with self._store.writing() as session:
            session.execute(delete(SourceRow).where(SourceRow.id == kept.id))

    def add_block(self, job: str, data: bytes, count: int) -> None:
        """Keep a stretch of a job's log."""
        with self._store.writing() as session:
            session.add(
                LogBlockRow(id=new_id(), job_id=job, at=datetime.now(UTC), count=count, data=data)
            )

    def begin(self, job: str, heard: Watched) -> None:
        """Note what the blocks that follow are heard from: a block without readings."""
        self.add_block(job, json.dumps(asdict(heard), ensure_ascii=False).encode(), 0)

    def heard(self, job: str) -> Watched | None:
        """Return what the growing log of a job was heard from last."""
        query = (
            select(LogBlockRow.data)
            .where(LogBlockRow.job_id == job, LogBlockRow.count == 0)
            .order_by(LogBlockRow.id.desc())
            .limit(1)
        )
        with self._store.reading() as session:
            data = session.scalar(query)
        return None if data is None else _heard(data)

    def growing(self, job: str) -> tuple[Growing, ...]:
        """Return what is kept so far of a job's logs, one for each source, as they came.

        A source watched again after a crash goes on with its log. Those that hold no reading
        are among them.
        """
        query = (
            select(LogBlockRow.id, LogBlockRow.count, LogBlockRow.data)
            .where(LogBlockRow.job_id == job)
            .order_by(LogBlockRow.id)
        )
        with self._store.reading() as session:
            rows = [(id, count, data) for id, count, data in session.execute(query)]
        parts: list[tuple[Watched | None, list[tuple[str, int, bytes]]]] = []
        for id, count, data in rows:
            heard = None if count else _heard(data)
            if not parts or (heard is not None and parts[-1][0] != heard):
                parts.append((heard, []))
            parts[-1][1].append((id, count, data if count else b""))
        return tuple(
            Growing(b"".join(r[2] for r in held), sum(r[1] for r in held), held[-1][0], heard)
            for heard, held in parts
        )

    def drop(self, job: str, last: str) -> None:
        """Let go of a job's growing log up to a place, once it is kept as a file."""
        with self._store.writing() as session:
            session.execute(
                delete(LogBlockRow).where(LogBlockRow.job_id == job, LogBlockRow.id <= last)
            )


def _heard(data: bytes) -> Watched:
    return Watched(**json.loads(data))


def _source(row: SourceRow) -> KeptSource:
    return KeptSource(row.id, row.machine_id, row.name, row.description, row.at, row.by)
