"""Keeping what is told of machines; what is taken back stays in the books, marked."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, TypeVar, cast

from sqlalchemy import Row, insert, select
from sqlalchemy.orm import Session

from sumpwright.errors import Complaint
from sumpwright.planning.plausible import check_day, check_drive
from sumpwright.records.bodies import check_body
from sumpwright.records.body_fields import LONGEST_TEXT, unwelcome
from sumpwright.records.chain import canonical, check_id, new_id, utc
from sumpwright.records.machines import find_row, find_system
from sumpwright.records.schema import ToldRow
from sumpwright.records.told import (
    Entry,
    Told,
    ToldDrive,
    ToldReport,
    ToldTemperatures,
    from_text,
    plain,
)

if TYPE_CHECKING:
    from sumpwright.records.store import Store

T = TypeVar("T", bound=Told)
LOG = "log "
"""How the remark of a recorded log's temperatures begins, before the digest of its file."""


class Telling:
    """What is told of the machines of a store."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def add(
        self,
        machine: str,
        told: T,
        at: datetime,
        *,
        by: str = "",
        note: str = "",
        id: str | None = None,
    ) -> Entry[T]:
        """Keep one thing that is told.

        Parameters
        ----------
        machine : str
            Name or id.
        told : Told
        at : datetime
            When it happened.
        by, note : str
        id : str, optional
            UUID made on the device; the same id twice is one entry.

        Raises
        ------
        Complaint
            For an unknown machine or system, a drive or a day that cannot be, and an id that
            is kept with another content.
        """
        return self.add_many(machine, [(told, at, note)], by=by, ids=[id or new_id()])[0]

    def add_many(
        self,
        machine: str,
        things: Sequence[tuple[T, datetime, str]],
        *,
        by: str = "",
        ids: Sequence[str] | None = None,
    ) -> list[Entry[T]]:
        """Keep several things (what, when, remark) of a machine, all of them or none."""
        kept = self._store.machines.get(machine)
        now = datetime.now(UTC)
        entries = []
        for place, (told, at, note) in enumerate(things):
            if told.system:
                system = find_system(kept.sheet, told.system).name
                told = told.model_copy(update={"system": system})
            check_day(utc(at).date())
            if isinstance(told, ToldDrive):
                check_drive(told.distance, told.duration, told.idle, told.load, told.outside)
            id = check_id(ids[place], "id") if ids else new_id()
            entries.append(Entry(id, kept.id, utc(at), _short(by), _remark(note), told, now))

        def keep(session: Session) -> list[Entry[T]]:
            out, rows = [], []
            for entry in entries:
                known = session.get(ToldRow, entry.id)
                if known is None:
                    _refuse_log_again(session, entry)
                    rows.append(row_of(entry))
                    out.append(entry)
                else:
                    out.append(_same(cast(Entry[T], entry_of(known)), entry))
            if rows:
                session.execute(insert(ToldRow), rows)
            return out

        return self._store.run(keep)

    def of(
        self, machine: str, kind: type[T], *, system: str | None = None, withdrawn: bool = False
    ) -> list[Entry[T]]:
        """Return what is told of a machine, of one kind, the oldest first."""
        with self._store.reading() as session:
            query = (
                select(ToldRow)
                .where(ToldRow.machine_id == find_row(session, machine).id)
                .where(ToldRow.kind == kind.kind)
                .order_by(ToldRow.at, ToldRow.entered_at, ToldRow.id)
            )
            if system is not None:
                query = query.where(ToldRow.system == system)
            if not withdrawn:
                query = query.where(ToldRow.withdrawn_at.is_(None))
            return [cast(Entry[T], entry_of(row)) for row in session.scalars(query)]

    def find(self, id: str) -> Entry[Told]:
        """Return one thing by its id, or the end of it.

        Raises
        ------
        Complaint
            When there is none, or several.
        """
        wanted = id.strip().lower()
        with self._store.reading() as session:
            query = select(ToldRow).where(ToldRow.id.endswith(wanted, autoescape=True)).limit(2)
            rows = list(session.scalars(query)) if wanted else []
            if not rows:
                raise Complaint(f"nothing told has the id '{id}'", "look at the list", field="id")
            if len(rows) > 1:
                raise Complaint(f"several entries end in '{id}'", "give more of the id", field="id")
            return entry_of(rows[0])

    def confirm(self, id: str, *, by: str = "") -> Entry[Told]:
        """Let a report in that was kept out because it names or looks like another fluid.

        It is told anew, confirmed, in place of the old entry, which stays in the books.

        Raises
        ------
        Complaint
            When there is no such entry, it is no report, was taken back or is confirmed.
        """
        entry = self.find(id)
        told = entry.told
        if not isinstance(told, ToldReport):
            raise Complaint("only a report is confirmed", "give the id of a report", field="id")
        if entry.withdrawn_at is not None:
            raise Complaint("this entry was taken back already", "enter the report again")
        if told.sure:
            raise Complaint("this report is confirmed already", "nothing is left to do")
        now = datetime.now(UTC)
        sure = replace(
            entry,
            id=new_id(),
            by=_short(by),
            told=told.model_copy(update={"sure": True}),
            entered_at=now,
        )
        with self._store.writing() as session:
            session.get_one(ToldRow, entry.id).withdrawn_at = now
            session.execute(insert(ToldRow), [row_of(sure)])
        return sure

    def withdraw(self, id: str) -> Entry[Told]:
        """Take something back: it stays in the books and counts no longer.

        Raises
        ------
        Complaint
            When there is no such entry, or it was taken back already.
        """
        entry = self.find(id)
        if entry.withdrawn_at is not None:
            raise Complaint("this entry was taken back already", "nothing is left to do")
        with self._store.writing() as session:
            row = session.get_one(ToldRow, entry.id)
            row.withdrawn_at = datetime.now(UTC)
            return replace(entry, withdrawn_at=row.withdrawn_at)


def _refuse_log_again(session: Session, entry: Entry[Any]) -> None:
    """Refuse a recorded log that counts already: its remark names the content of the file."""
    if not isinstance(entry.told, ToldTemperatures) or not entry.note.startswith(LOG):
        return
    same = (
        select(ToldRow.at)
        .where(ToldRow.machine_id == entry.machine, ToldRow.kind == ToldTemperatures.kind)
        .where(ToldRow.system == entry.told.system, ToldRow.note == entry.note)
        .where(ToldRow.withdrawn_at.is_(None))
    )
    at = session.scalars(same).first()
    if at is not None:
        raise Complaint(
            f"this log is counted already, on {at.date().isoformat()}",
            "leave it out, or give the log of this drive",
        )


def row_of(entry: Entry[Any]) -> dict[str, Any]:
    """Return the columns of an entry."""
    return {
        "id": entry.id,
        "machine_id": entry.machine,
        "kind": entry.told.kind,
        "system": entry.told.system,
        "at": entry.at,
        "by": entry.by,
        "note": entry.note,
        "body": canonical(plain(entry.told)).decode(),
        "entered_at": entry.entered_at,
        "withdrawn_at": entry.withdrawn_at,
    }


def entry_of(row: ToldRow | Row[Any]) -> Entry[Told]:
    """Return an entry as it is kept; of a row or of its plain columns."""
    return Entry(
        row.id,
        row.machine_id,
        row.at,
        row.by,
        row.note,
        from_text(row.kind, row.body),
        row.entered_at,
        row.withdrawn_at,
    )


def _same(known: Entry[T], entry: Entry[T]) -> Entry[T]:
    """Refuse an id that is used again for something else; a repeated entry is none."""
    if (known.machine, known.at, known.told) != (entry.machine, entry.at, entry.told):
        raise Complaint(
            f"the entry {known.id} is kept already with another content",
            "give each entry an id of its own",
            field="id",
        )
    return known


def _short(by: str) -> str:
    tidy = by.strip()
    if tidy:
        check_body("did", {"step": tidy})
    return tidy


def _remark(note: str) -> str:
    if len(note) > LONGEST_TEXT or any(unwelcome(c) for c in note):
        raise Complaint("this remark cannot be kept", "shorten it", field="note")
    return note
