"""Odometer and hour readings of a machine."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from sqlalchemy import Row, insert, select

from sumpwright.errors import Complaint
from sumpwright.planning.plausible import check_day
from sumpwright.records.bodies import UNITS, check_body
from sumpwright.records.chain import new_id, utc
from sumpwright.records.machines import find_row
from sumpwright.records.schema import ReadingRow

if TYPE_CHECKING:
    from sumpwright.records.store import Store

LASTING = ("odometer", "hours")
"""Readings of a job that belong to the machine as well."""


@dataclass(frozen=True)
class KeptReading:
    """A reading of a machine: odometer in m, hours in s; ``job`` is empty outside a job.

    ``sure`` when the user confirmed a reading that was doubted.
    """

    id: str
    machine: str
    what: str
    value: float
    at: datetime
    by: str
    note: str
    job: str
    sure: bool = False
    withdrawn_at: datetime | None = None


class Readings:
    """The readings of a store."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def add(
        self,
        machine: str,
        what: str,
        value: float,
        at: datetime,
        *,
        by: str = "",
        note: str = "",
        sure: bool = False,
    ) -> KeptReading:
        """Keep one reading.

        Raises
        ------
        Complaint
            For an unknown machine, another kind of reading and an absurd value.
        """
        return self.add_many(machine, [(what, value, at)], by=by, note=note, sure=sure)[0]

    def add_many(
        self,
        machine: str,
        readings: Sequence[tuple[str, float, datetime]],
        *,
        by: str = "",
        note: str = "",
        sure: bool = False,
    ) -> list[KeptReading]:
        """Keep several readings (what, value in SI, when), all of them or none."""
        rows = []
        for what, value, at in readings:
            if what not in LASTING:
                raise Complaint(
                    f"'{what}' is not a reading of a machine",
                    f"use one of: {', '.join(LASTING)}",
                    field="what",
                )
            check_body("read", {"what": what, "value": value, "unit": UNITS[what]})
            check_day(utc(at).date())
            rows.append({"id": new_id(), "what": what, "value": float(value), "at": utc(at)})
        with self._store.writing() as session:
            machine_id = find_row(session, machine).id
            for row in rows:
                row.update(machine_id=machine_id, by=by, note=note, job_id=None, sure=sure)
            if rows:
                session.execute(insert(ReadingRow), rows)
        return [
            KeptReading(str(row["id"]), machine_id, what, float(value), utc(at), by, note, "", sure)
            for row, (what, value, at) in zip(rows, readings, strict=True)
        ]

    def withdraw(self, id: str) -> KeptReading:
        """Take a reading back, named by its id or the end of it; it stays in the books.

        Raises
        ------
        Complaint
            When there is none, or several, and for a reading that belongs to a job.
        """
        wanted = id.strip().lower()
        with self._store.writing() as session:
            query = select(ReadingRow).where(ReadingRow.id.endswith(wanted, autoescape=True))
            rows = list(session.scalars(query.limit(2))) if wanted else []
            if len(rows) != 1:
                some = "several readings end in" if rows else "no reading has the id"
                raise Complaint(f"{some} '{id}'", "look at the list of readings", field="id")
            (row,) = rows
            if row.job_id is not None:
                raise Complaint(
                    "this reading belongs to a job", "undo its entry in the job", field="id"
                )
            if row.withdrawn_at is not None:
                raise Complaint("this reading was taken back already", "nothing is left to do")
            row.withdrawn_at = datetime.now(UTC)
            return kept_reading(row)

    def of(
        self, machine: str, what: str | None = None, *, withdrawn: bool = False
    ) -> list[KeptReading]:
        """Return the readings of a machine, the oldest first."""
        with self._store.reading() as session:
            query = (
                select(ReadingRow)
                .where(ReadingRow.machine_id == find_row(session, machine).id)
                .order_by(ReadingRow.at, ReadingRow.id)
            )
            if what is not None:
                query = query.where(ReadingRow.what == what)
            if not withdrawn:
                query = query.where(ReadingRow.withdrawn_at.is_(None))
            return [kept_reading(row) for row in session.scalars(query)]


def kept_reading(row: ReadingRow | Row[Any]) -> KeptReading:
    """Return a reading as it is kept; of a row or of its plain columns."""
    return KeptReading(
        row.id,
        row.machine_id,
        row.what,
        row.value,
        row.at,
        row.by,
        row.note,
        row.job_id or "",
        row.sure,
        row.withdrawn_at,
    )
