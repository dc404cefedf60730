"""Kept steps and looks on their way out into an export, and in again."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from sumpwright.errors import Complaint
from sumpwright.planning.kept_steps import KeptSteps
from sumpwright.records.bodies import check_body
from sumpwright.records.chain import canonical, check_id, stamp, unstamp
from sumpwright.records.machines import name_key
from sumpwright.records.schema import JobRow, LookRow, MachineRow, StepSetRow


def step_sets_out(session: Session) -> Iterator[dict[str, Any]]:
    """Give every set of kept steps."""
    for row in session.scalars(select(StepSetRow).order_by(StepSetRow.id)):
        yield {
            "id": row.id,
            "name": row.name,
            "kind": row.kind,
            "method": row.method,
            "at": stamp(row.at),
            "by": row.by,
            "job": row.job_id,
            "kept": json.loads(row.plain),
        }


def looks_out(session: Session) -> Iterator[dict[str, Any]]:
    """Give every look, taken or not."""
    for row in session.scalars(select(LookRow).order_by(LookRow.id)):
        yield {
            "id": row.id,
            "machine": row.machine_id,
            "job": row.job_id,
            "system": row.system,
            "distance": row.distance,
            "odometer": row.odometer,
            "at": stamp(row.at),
            "by": row.by,
            "done": stamp(row.done_at) if row.done_at else None,
            "done_by": row.done_by,
            "note": row.note,
        }


def checked_step_set(entry: Mapping[str, Any]) -> dict[str, Any]:
    """Return the row of a set of kept steps.

    Raises
    ------
    Complaint
        When something in it cannot be kept.
    """
    name = _name(entry["name"])
    kept = KeptSteps.from_json(entry["kept"])
    body = check_body("adopted", {"name": name, **kept.to_json()})
    return {
        "id": check_id(entry["id"], "id of the kept steps"),
        "name": name,
        "name_key": name_key(name),
        "kind": _name(entry["kind"]),
        "method": _name(entry["method"]),
        "at": unstamp(entry["at"]),
        "by": _text(entry["by"]),
        "job_id": None if entry["job"] is None else check_id(entry["job"], "job id"),
        "plain": canonical({key: body[key] for key in ("skipped", "remarks", "tools")}).decode(),
    }


def checked_look(entry: Mapping[str, Any]) -> dict[str, Any]:
    """Return the row of a look.

    Raises
    ------
    Complaint
        When something in it cannot be kept.
    """
    done = entry["done"]
    return {
        "id": check_id(entry["id"], "id of the look"),
        "machine_id": check_id(entry["machine"], "machine id"),
        "job_id": check_id(entry["job"], "job id"),
        "system": _name(entry["system"]),
        "distance": _distance(entry["distance"]),
        "odometer": _distance(entry["odometer"]),
        "at": unstamp(entry["at"]),
        "by": _text(entry["by"]),
        "done_at": None if done is None else unstamp(done),
        "done_by": _text(entry["done_by"]),
        "note": _text(entry["note"]),
    }


def write_step_set(session: Session, row: Mapping[str, Any]) -> bool:
    """Keep a set that is new or newer than the one of its name; return whether it was."""
    if row["job_id"] is not None and session.get(JobRow, row["job_id"]) is None:
        raise _missing("job", row["job_id"])
    named = session.scalar(select(StepSetRow).where(StepSetRow.name_key == row["name_key"]))
    known = session.get(StepSetRow, row["id"]) or named
    if known is None:
        session.add(StepSetRow(**row))
        session.flush()
        return True
    at: datetime = row["at"]
    if known.at >= at or (named is not None and named is not known):
        return False
    for key, value in row.items():
        if key != "id":
            setattr(known, key, value)
    session.flush()
    return True


def write_look(session: Session, row: Mapping[str, Any]) -> bool:
    """Keep a look that is new, or was taken meanwhile; return whether it was."""
    if session.get(MachineRow, row["machine_id"]) is None:
        raise _missing("machine", row["machine_id"])
    if session.get(JobRow, row["job_id"]) is None:
        raise _missing("job", row["job_id"])
    known = session.get(LookRow, row["id"])
    if known is None:
        session.add(LookRow(**row))
        return True
    if row["done_at"] is None or known.done_at is not None:
        return False
    known.done_at, known.done_by, known.note = row["done_at"], row["done_by"], row["note"]
    return True


def _missing(what: str, id: str) -> Complaint:
    # The reader of documents itself needs the writer, which needs this module.
    from sumpwright.records.proof import WHOLE

    return Complaint(f"the file names {what} {id} and does not hold it", WHOLE)


def _name(text: Any) -> str:
    return str(check_body("did", {"step": text})["step"])


def _text(text: Any) -> str:
    if text == "":
        return ""
    return str(check_body("noted", {"text": text})["text"])


def _distance(value: Any) -> float | None:
    if value is None:
        return None
    return float(check_body("closed", {"odometer": value})["odometer"])
