"""Looks to be taken after a job: after the first drive, after a distance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from sqlalchemy import select, update

from sumpwright.errors import Complaint
from sumpwright.records.bodies import check_body
from sumpwright.records.chain import new_id
from sumpwright.records.schema import LookRow, MachineRow

if TYPE_CHECKING:
    from sumpwright.records.store import Store


@dataclass(frozen=True)
class Look:
    """A look to be taken: at every plug and joint, and at the level.

    Parameters
    ----------
    distance : float or None
        After so many metres; after the first drive when ``None``.
    odometer : float or None
        Reading at the end of the job [m], where one was taken.
    """

    id: str
    machine: str
    machine_name: str
    job: str
    system: str
    distance: float | None
    odometer: float | None
    at: datetime
    done_at: datetime | None
    done_by: str
    note: str

    @property
    def due_at(self) -> float | None:
        """Odometer reading at which the look is due [m], where that is known."""
        if self.distance is None or self.odometer is None:
            return None
        return self.odometer + self.distance


class Looks:
    """The looks of a store."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def plan(
        self,
        job: str,
        distances: Sequence[float | None],
        *,
        by: str = "",
        at: datetime | None = None,
    ) -> list[Look]:
        """Plan looks after a job in place of those planned before and not yet taken.

        Parameters
        ----------
        job : str
        distances : sequence of float or None
            [m]; ``None`` for after the first drive.

        Raises
        ------
        Complaint
            For an unknown job or an absurd distance.
        """
        for distance in distances:
            if distance is not None:
                check_body("drove", {"distance": float(distance)})
        state = self._store.jobs.state(job)
        readings = state.readings.get("odometer", ())
        odometer = state.closing_odometer
        if odometer is None and readings:
            odometer = readings[-1].value
        when = at or datetime.now(UTC)
        with self._store.writing() as session:
            for row in session.scalars(
                select(LookRow).where(LookRow.job_id == job, LookRow.done_at.is_(None))
            ):
                session.delete(row)
            for distance in distances:
                session.add(
                    LookRow(
                        id=new_id(),
                        machine_id=state.machine,
                        job_id=job,
                        system=state.system_name,
                        distance=None if distance is None else float(distance),
                        odometer=odometer,
                        at=when,
                        by=by,
                        done_by="",
                        note="",
                    )
                )
        return self.of(job)

    def get(self, look: str) -> Look:
        """Return one look.

        Raises
        ------
        Complaint
            When there is none of that id.
        """
        for kept in self._find(look=look):
            return kept
        raise Complaint(f"there is no look {look}", "look at the list", field="look")

    def of(self, job: str) -> list[Look]:
        """Return the looks after a job, taken or not."""
        return self._find(job=job)

    def open(self, machine: str | None = None) -> list[Look]:
        """Return the looks not yet taken, the oldest first."""
        return self._find(machine=machine, open=True)

    def _find(
        self,
        *,
        look: str | None = None,
        job: str | None = None,
        machine: str | None = None,
        open: bool = False,
    ) -> list[Look]:
        query = (
            select(LookRow, MachineRow.name)
            .join(MachineRow, MachineRow.id == LookRow.machine_id)
            .order_by(LookRow.at, LookRow.distance.is_not(None), LookRow.distance, LookRow.id)
        )
        if look is not None:
            query = query.where(LookRow.id == look)
        if job is not None:
            query = query.where(LookRow.job_id == job)
        if machine is not None:
            query = query.where(LookRow.machine_id == machine)
        if open:
            query = query.where(LookRow.done_at.is_(None))
        with self._store.reading() as session:
            return [_look(row, name) for row, name in session.execute(query)]

    def done(self, look: str, *, note: str = "", by: str = "") -> None:
        """Note that a look was taken, once.

        Raises
        ------
        Complaint
            When there is no such look, or the note cannot be kept.
        """
        if note:
            check_body("noted", {"text": note})
        with self._store.writing() as session:
            if session.get(LookRow, look) is None:
                raise Complaint(f"there is no look {look}", "look at the list", field="look")
            session.execute(
                update(LookRow)
                .where(LookRow.id == look, LookRow.done_at.is_(None))
                .values(done_at=datetime.now(UTC), done_by=by, note=note)
            )


def _look(row: LookRow, name: str) -> Look:
    return Look(
        row.id,
        row.machine_id,
        name,
        row.job_id,
        row.system,
        row.distance,
        row.odometer,
        row.at,
        row.done_at,
        row.done_by,
        row.note,
    )
