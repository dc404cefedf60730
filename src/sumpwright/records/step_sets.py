"""What good jobs taught about their steps, kept under a name."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from sumpwright.errors import Complaint
from sumpwright.planning.kept_steps import KeptSteps
from sumpwright.planning.kinds import canonical_kind
from sumpwright.records.bodies import check_body
from sumpwright.records.chain import canonical, new_id
from sumpwright.records.machines import name_key
from sumpwright.records.schema import StepSetRow

if TYPE_CHECKING:
    from sumpwright.records.store import Store


@dataclass(frozen=True)
class StepSet:
    """Kept steps with their name and the sort of job that they are for."""

    id: str
    name: str
    kind: str
    method: str
    at: datetime
    by: str
    job: str
    kept: KeptSteps


class StepSets:
    """The kept steps of a store."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def save(
        self, name: str, kind: str, method: str, kept: KeptSteps, *, job: str = "", by: str = ""
    ) -> StepSet:
        """Keep steps under a name; an earlier set of that name is replaced.

        Parameters
        ----------
        name : str
        kind : str
            Kind of wet system, in any spelling.
        method : str
        kept : KeptSteps
        job : str
            The job that taught it.
        by : str

        Raises
        ------
        Complaint
            For a name that is empty or cannot be kept, and when there is nothing to keep.
        """
        tidy = " ".join(name.split())
        if not tidy:
            raise Complaint("the kept steps have no name", "give them one", field="name")
        body = check_body("adopted", {"name": tidy, **kept.to_json()})
        if kept.empty:
            raise Complaint(
                "this job holds no remarks, left-out steps or wrenches that could be kept",
                "make notes at the steps first",
                field="name",
            )
        sort, _ = canonical_kind(kind)
        plain = canonical({key: body.get(key) for key in ("skipped", "remarks", "tools")})
        row = {
            "name": tidy,
            "name_key": name_key(tidy),
            "kind": sort,
            "method": method,
            "at": datetime.now(UTC),
            "by": by,
            "job_id": job or None,
            "plain": plain.decode(),
        }

        def keep(session: Session) -> StepSet:
            found = session.scalar(select(StepSetRow).where(StepSetRow.name_key == row["name_key"]))
            made = found or StepSetRow(id=new_id())
            for key, value in row.items():
                setattr(made, key, value)
            session.add(made)
            session.flush()
            return _set(made)

        return self._store.run(keep)

    def get(self, id: str) -> StepSet:
        """Return one set.

        Raises
        ------
        Complaint
            When there is none of that id.
        """
        with self._store.reading() as session:
            row = session.get(StepSetRow, id)
            if row is None:
                raise Complaint(f"there are no kept steps {id}", "look at the list", field="set")
            return _set(row)

    def all(self, kind: str | None = None, method: str | None = None) -> list[StepSet]:
        """Return the sets by name: all of them, or those for a sort of job."""
        query = select(StepSetRow).order_by(StepSetRow.name_key)
        if kind is not None:
            query = query.where(StepSetRow.kind == canonical_kind(kind)[0])
        if method is not None:
            query = query.where(StepSetRow.method == method)
        with self._store.reading() as session:
            return [_set(row) for row in session.scalars(query)]

    def forget(self, id: str) -> None:
        """Take a set away; jobs that took it over keep what they took."""
        with self._store.writing() as session:
            session.execute(delete(StepSetRow).where(StepSetRow.id == id))


def _set(row: StepSetRow) -> StepSet:
    kept = KeptSteps.from_json(json.loads(row.plain))
    return StepSet(row.id, row.name, row.kind, row.method, row.at, row.by, row.job_id or "", kept)
