"""What a job's log adds to the books of its machine: batches and lasting readings."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any
from uuid import UUID, uuid5

from sqlalchemy import delete, insert, select
from sqlalchemy.orm import Session

from sumpwright.records.readings import LASTING
from sumpwright.records.schema import Base, BatchRow, ReadingRow
from sumpwright.records.state import JobState

PROJECTED = frozenset({"filled", "exchanged", "read", "closed", "reversed"})
"""Kinds of entry after which the books may differ."""


def project(session: Session, job: str, state: JobState) -> None:
    """Bring the batches and readings that come from a job in line with its log."""
    batches: dict[str, dict[str, Any]] = {}
    readings: dict[str, dict[str, Any]] = {}
    odometer = state.closing_odometer
    if odometer is None and state.readings.get("odometer"):
        odometer = state.readings["odometer"][-1].value
    for event in state.effective:
        common = {"id": event.id, "machine_id": state.machine, "at": event.at, "job_id": job}
        if event.kind in ("filled", "exchanged"):
            batches[event.id] = common | {
                "system": state.system_name,
                "fluid": event.body["fluid"],
                "lot": event.body.get("lot", ""),
                "volume": event.body["volume"],
                "price": event.body.get("price"),
                "odometer": odometer,
                "note": "",
            }
        elif event.kind == "read" and event.body["what"] in LASTING:
            readings[event.id] = common | {
                "what": event.body["what"],
                "value": event.body["value"],
                "by": event.by,
                "note": "",
                "sure": False,
                "withdrawn_at": None,
            }
        elif event.kind == "closed":
            for what in LASTING:
                if event.body.get(what) is None:
                    continue
                # Both meters may be told by one entry, and each reading has an id of its own.
                first = what == "odometer" or event.body.get("odometer") is None
                id = event.id if first else str(uuid5(UUID(event.id), what))
                readings[id] = common | {
                    "id": id,
                    "what": what,
                    "value": event.body[what],
                    "by": event.by,
                    "note": "",
                    "sure": False,
                    "withdrawn_at": None,
                }
    _sync(session, BatchRow, job, batches)
    _sync(session, ReadingRow, job, readings)


def _sync(
    session: Session, table: type[Base], job: str, wanted: Mapping[str, Mapping[str, Any]]
) -> None:
    columns = table.__table__.c
    kept = {
        row["id"]: dict(row)
        for row in session.execute(select(*columns).where(columns.job_id == job)).mappings()
    }
    stale = [id for id, row in kept.items() if id not in wanted or row != wanted[id]]
    missing = [dict(row) for id, row in wanted.items() if id not in kept or id in stale]
    if stale:
        session.execute(delete(table).where(columns.job_id == job, columns.id.in_(stale)))
    if missing:
        session.execute(insert(table), missing)
