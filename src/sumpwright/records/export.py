"""Everything, or one job, as a JSON document that stands on its own."""

from __future__ import annotations

import base64
import contextlib
import json
import os
import tempfile
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sqlalchemy import select
from sqlalchemy.orm import Session

import sumpwright
from sumpwright.errors import Complaint
from sumpwright.records.chain import Event, stamp
from sumpwright.records.logs import find_jobs, load_events
from sumpwright.records.passing_on import looks_out, step_sets_out
from sumpwright.records.schema import (
    AttachmentRow,
    FluidRow,
    JobRow,
    MachineRow,
    OfferRow,
    ReadingRow,
    SheetRow,
    ToldRow,
)

if TYPE_CHECKING:
    from sumpwright.records.store import Store

YARD = "sumpwright-yard"
RECORD = "sumpwright-record"
VERSION = 1
"""Version of both documents; a reader refuses a higher one."""


def export_yard(store: Store, path: str | Path) -> Path:
    """Write everything that a store holds to a file, whole or not at all.

    Raises
    ------
    Complaint
        When the file cannot be written.
    """
    return write_whole(path, yard_chunks(store))


def export_record(store: Store, job: str, path: str | Path) -> Path:
    """Write the record of one job to a file, whole or not at all.

    Raises
    ------
    Complaint
        When there is no such job or the file cannot be written.
    """
    return write_whole(path, [json.dumps(record_document(store, job), indent=1), "\n"])


def record_document(store: Store, job: str) -> dict[str, Any]:
    """Return the record of one job: its log with the photographs that it names.

    The chain of hashes and the machine sheet are in the log itself, so that the
    document can be verified without the database.
    """
    kept = store.jobs.get(job)
    with store.reading(snapshot=True) as session:
        row = session.get_one(JobRow, kept.id)
        events = load_events(session, kept.id)
        return {
            "format": RECORD,
            "version": VERSION,
            "written": stamp(datetime.now(UTC)),
            "by": f"sumpwright {sumpwright.__version__}",
            "job": _job(row) | {"machine_name": kept.machine_name},
            "events": [event.plain() for event in events],
            "attachments": [
                _attachment(session.get_one(AttachmentRow, sha256))
                for sha256 in named_attachments(events)
                if session.get(AttachmentRow, sha256) is not None
            ],
        }


def yard_chunks(store: Store, *, files: bool = True) -> Iterator[str]:
    """Give the document of everything piece by piece, so that photographs need not fit in memory.

    Without ``files`` it has the books alone, for whoever works something out on them.

    All of it is read in one transaction: what others write meanwhile is not in it.
    """
    with store.reading(snapshot=True) as session:
        head = {
            "format": YARD,
            "version": VERSION,
            "written": stamp(datetime.now(UTC)),
            "by": f"sumpwright {sumpwright.__version__}",
        }
        yield json.dumps(head, indent=1)[:-2]
        yield from _list("machines", _machines(session))
        yield from _list("fluids", (_fluid(row) for row in session.scalars(_by(FluidRow.name_key))))
        yield from _list("offers", (_offer(row) for row in session.scalars(_by(OfferRow.id))))
        yield from _list("readings", _readings(session))
        yield from _list("told", (_told(row) for row in session.scalars(_by(ToldRow.id))))
        yield from _list("jobs", _jobs(session))
        yield from _list("step_sets", step_sets_out(session))
        yield from _list("looks", looks_out(session))
        yield from _list("attachments", _attachments(session) if files else ())
        yield "\n}\n"


def named_attachments(events: Iterable[Event]) -> list[str]:
    """Return the sha256 of each file that a log names, each once."""
    names = (event.body.get("attachment") for event in events)
    return list(dict.fromkeys(name for name in names if isinstance(name, str)))


def write_whole(path: str | Path, chunks: Iterable[str | bytes]) -> Path:
    """Write a file so that it is there whole or not at all.

    What is no file, such as ``/dev/stdout``, is written to as it is.

    Raises
    ------
    Complaint
        When the disk is full or the place cannot be written to.
    """
    target = Path(path)
    temporary = None
    try:
        if target.exists() and not target.is_file():
            with open(target, "wb") as stream:
                stream.writelines(_bytes(chunks))
            return target
        # A link shall go on to name the file, and not give way to it.
        target = Path(os.path.realpath(target))
        handle, temporary = tempfile.mkstemp(dir=target.parent, prefix=f".{target.name}.")
        with open(handle, "wb") as file:
            file.writelines(_bytes(chunks))
            file.flush()
            os.fsync(file.fileno())
        umask = os.umask(0)
        os.umask(umask)
        os.chmod(temporary, 0o666 & ~umask)
        os.replace(temporary, target)
    except OSError as error:
        raise Complaint(
            f"the file cannot be written ({error.strerror or error})",
            "free some space or name another place; nothing was half-written",
            str(path),
        ) from error
    finally:
        if temporary is not None:
            with contextlib.suppress(OSError):
                os.unlink(temporary)
    return Path(path)


def _bytes(chunks: Iterable[str | bytes]) -> Iterator[bytes]:
    for chunk in chunks:
        yield chunk.encode() if isinstance(chunk, str) else chunk


def _by(column: Any) -> Any:
    return select(column.class_).order_by(column)


def _list(name: str, entries: Iterable[dict[str, Any]]) -> Iterator[str]:
    yield f',\n "{name}": ['
    for place, entry in enumerate(entries):
        yield ("" if place == 0 else ",") + "\n  " + json.dumps(entry)
    yield "\n ]"


def _machines(session: Session) -> Iterator[dict[str, Any]]:
    for row in session.scalars(_by(MachineRow.id)):
        query = select(SheetRow).where(SheetRow.machine_id == row.id).order_by(SheetRow.version)
        yield {
            "id": row.id,
            "name": row.name,
            "created": stamp(row.created_at),
            "retired": stamp(row.retired_at) if row.retired_at else None,
            "sheets": [
                {
                    "version": kept.version,
                    "at": stamp(kept.at),
                    "by": kept.by,
                    "sheet": json.loads(kept.plain),
                    "source": kept.source,
                }
                for kept in session.scalars(query)
            ],
        }


def _fluid(row: FluidRow) -> dict[str, Any]:
    return {
        "name": row.name,
        "density_15": row.density_15,
        "viscosity_40": row.viscosity_40,
        "viscosity_100": row.viscosity_100,
        "updated": stamp(row.updated_at),
    }


def _offer(row: OfferRow) -> dict[str, Any]:
    return {
        "fluid": row.fluid,
        "seller": row.seller,
        "size": row.size,
        "price": row.price,
        "carriage": row.carriage,
        "stock": row.stock,
        "updated": stamp(row.updated_at),
    }


def _readings(session: Session) -> Iterator[dict[str, Any]]:
    query = select(ReadingRow).where(ReadingRow.job_id.is_(None)).order_by(ReadingRow.id)
    for row in session.scalars(query):
        yield {
            "id": row.id,
            "machine": row.machine_id,
            "what": row.what,
            "value": row.value,
            "at": stamp(row.at),
            "by": row.by,
            "note": row.note,
            "sure": row.sure,
            "withdrawn": stamp(row.withdrawn_at) if row.withdrawn_at else None,
        }


def _told(row: ToldRow) -> dict[str, Any]:
    return {
        "id": row.id,
        "machine": row.machine_id,
        "kind": row.kind,
        "at": stamp(row.at),
        "by": row.by,
        "note": row.note,
        "body": json.loads(row.body),
        "entered": stamp(row.entered_at),
        "withdrawn": stamp(row.withdrawn_at) if row.withdrawn_at else None,
    }


def _job(row: JobRow) -> dict[str, Any]:
    return {
        "id": row.id,
        "machine": row.machine_id,
        "sheet_version": row.version,
        "length": row.length,
        "head": row.head,
    }


def _jobs(session: Session) -> Iterator[dict[str, Any]]:
    for kept in reversed(find_jobs(session)):
        row = session.get_one(JobRow, kept.id)
        events = [event.plain() for event in load_events(session, kept.id)]
        yield _job(row) | {"events": events}


def _attachment(row: AttachmentRow) -> dict[str, Any]:
    return {
        "sha256": row.sha256,
        "media_type": row.media_type,
        "name": row.name,
        "at": stamp(row.at),
        "by": row.by,
        "data": base64.b64encode(row.data).decode("ascii"),
    }


def _attachments(session: Session) -> Iterator[dict[str, Any]]:
    for sha256 in session.scalars(
        select(AttachmentRow.sha256).order_by(AttachmentRow.sha256)
    ).all():
        row = session.get_one(AttachmentRow, sha256)
        yield _attachment(row)
        session.expunge(row)
