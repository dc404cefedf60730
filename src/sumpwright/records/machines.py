"""Machines: every version of every sheet is kept."""

from __future__ import annotations

import difflib
import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from sqlalchemy import select, update
from sqlalchemy.orm import Session

from sumpwright.errors import Complaint
from sumpwright.planning.machine import Sheet, WetSystem
from sumpwright.records.chain import canonical, new_id
from sumpwright.records.fluids import keep_from_sheet
from sumpwright.records.schema import MachineRow, SheetRow, SystemRow
from sumpwright.records.snapshot import sheet_from_plain, sheet_to_plain

if TYPE_CHECKING:
    from sumpwright.records.store import Store


@dataclass(frozen=True)
class KeptMachine:
    """A machine and one version of its sheet.

    Parameters
    ----------
    id, name : str
        UUID and name of the machine.
    version : int
        Which version of the sheet this is, from 1.
    at, by : datetime, str
        When the version was kept, and who kept it.
    sheet : Sheet
        The sheet.
    source : str or None
        The text it was read from, if there was one.
    retired : bool
        Whether the machine has left the yard.
    """

    id: str
    name: str
    version: int
    at: datetime
    by: str
    sheet: Sheet
    source: str | None
    retired: bool

    def system(self, name: str | None = None) -> WetSystem:
        """Return a wet system by name; without a name, the only one.

        Raises
        ------
        Complaint
            When there is no such system, or none was named and there are several.
        """
        return find_system(self.sheet, name)


def find_system(sheet: Sheet, name: str | None = None) -> WetSystem:
    """Return a wet system of a sheet by name; without a name, the only one.

    Raises
    ------
    Complaint
        When there is no such system, or none was named and there are several.
    """
    systems = sheet.machine.systems
    names = ", ".join(s.name for s in systems)
    if name is None:
        if len(systems) == 1:
            return systems[0]
        raise Complaint(
            f"{sheet.machine.name} has {len(systems)} wet systems",
            f"name one of: {names}" if systems else "add a [[system]] to its sheet",
            field="system",
        )
    for system in systems:
        if system.name.casefold() == name.strip().casefold():
            return system
    raise Complaint(
        f"{sheet.machine.name} has no wet system '{name}'", f"name one of: {names}", field="system"
    )


def name_key(name: str) -> str:
    """Return the spelling under which a name is unique.

    Examples
    --------
    >>> name_key("  Carrier  2 ")
    'carrier 2'
    """
    return " ".join(name.split()).casefold()


class Machines:
    """The machines of a store."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def add(self, sheet: Sheet, *, by: str = "", source: str | None = None) -> KeptMachine:
        """Keep a machine that is not known yet.

        Raises
        ------
        Complaint
            When its name is taken or empty.
        """
        return self._keep(sheet, by, source, known=False)

    def change(
        self, name: str, sheet: Sheet, *, by: str = "", source: str | None = None
    ) -> KeptMachine:
        """Keep a new version of a machine's sheet, which may also rename it.

        Raises
        ------
        Complaint
            When there is no such machine, or the new name is taken.
        """
        return self._keep(sheet, by, source, known=True, name=name)

    def save(self, sheet: Sheet, *, by: str = "", source: str | None = None) -> KeptMachine:
        """Keep a sheet under its machine's name, whether that is known yet or not."""
        return self._keep(sheet, by, source, known=None)

    def add_all(self, sheets: Sequence[Sheet], *, by: str = "") -> list[KeptMachine]:
        """Keep several machines that are not known yet, all of them or none.

        Raises
        ------
        Complaint
            As `add`, for the first that cannot be kept.
        """
        works = [self._work(sheet, by, None, known=False) for sheet in sheets]
        return self._store.run(lambda session: [work(session) for work in works])

    def _keep(
        self, sheet: Sheet, by: str, source: str | None, *, known: bool | None, name: str = ""
    ) -> KeptMachine:
        return self._store.run(self._work(sheet, by, source, known=known, name=name))

    def _work(
        self, sheet: Sheet, by: str, source: str | None, *, known: bool | None, name: str = ""
    ) -> Callable[[Session], KeptMachine]:
        new_name = " ".join(sheet.machine.name.split())
        if not new_name or len(new_name) > 200:
            raise Complaint(
                "the machine has no name" if not new_name else "the machine's name is too long",
                "name it in up to 200 characters",
                field="name",
            )
        if not sheet.machine.systems:
            raise Complaint(f"{new_name} has no wet system", "add a [[system]]", field="system")
        plain = canonical(sheet_to_plain(sheet)).decode()

        def keep(session: Session) -> KeptMachine:
            if known:
                row: MachineRow | None = find_row(session, name)
                taken = find_by_name(session, new_name)
                if taken is not None and taken is not row:
                    raise _taken(taken.name)
            else:
                row = find_by_name(session, new_name)
                if row is not None and known is False:
                    raise _taken(row.name)
            return self._put(session, row, new_name, plain, by, source)

        return keep

    def _put(
        self,
        session: Session,
        row: MachineRow | None,
        name: str,
        plain: str,
        by: str,
        source: str | None,
    ) -> KeptMachine:
        now = datetime.now(UTC)
        if row is None:
            row = MachineRow(
                id=new_id(), name=name, name_key=name_key(name), version=0, created_at=now
            )
            session.add(row)
            session.flush()
        else:
            last = session.get_one(SheetRow, (row.id, row.version))
            if last.plain == plain and (source is None or last.source == source):
                row.retired_at = None
                return _kept(row, last)
        # Counting up in the database makes two writers at once collide instead of overwriting.
        session.execute(
            update(MachineRow)
            .where(MachineRow.id == row.id)
            .values(
                version=MachineRow.version + 1, name=name, name_key=name_key(name), retired_at=None
            )
        )
        session.refresh(row)
        kept = SheetRow(
            machine_id=row.id, version=row.version, at=now, by=by, plain=plain, source=source
        )
        session.add(kept)
        session.flush()
        sheet = sheet_from_plain(json.loads(plain))
        add_systems(session, row.id, row.version, sheet)
        keep_from_sheet(session, sheet, now)
        return _kept(row, kept)

    def get(self, name: str, version: int | None = None) -> KeptMachine:
        """Return a machine by name or id, with the newest or a given version of its sheet.

        Raises
        ------
        Complaint
            When there is none, with the nearest name.
        """
        with self._store.reading() as session:
            row = find_row(session, name)
            kept = session.get(SheetRow, (row.id, version or row.version))
            if kept is None:
                raise Complaint(
                    f"{row.name} has no version {version} of its sheet",
                    f"name one from 1 to {row.version}",
                )
            return _kept(row, kept)

    def all(self, *, retired: bool = False) -> list[KeptMachine]:
        """Return the machines by name, each with the newest version of its sheet."""
        query = (
            select(MachineRow, SheetRow)
            .join(
                SheetRow,
                (SheetRow.machine_id == MachineRow.id) & (SheetRow.version == MachineRow.version),
            )
            .order_by(MachineRow.name_key)
        )
        if not retired:
            query = query.where(MachineRow.retired_at.is_(None))
        with self._store.reading() as session:
            return [_kept(row, kept) for row, kept in session.execute(query)]

    def names(self) -> dict[str, str]:
        """Return the name of every machine by its id, in the order of the names."""
        query = select(MachineRow.id, MachineRow.name).where(MachineRow.retired_at.is_(None))
        with self._store.reading() as session:
            return {
                row.id: row.name for row in session.execute(query.order_by(MachineRow.name_key))
            }

    def some(self, ids: Sequence[str]) -> list[KeptMachine]:
        """Return some hundred machines by their ids, in their order, those that are not retired."""
        query = (
            select(MachineRow, SheetRow)
            .join(
                SheetRow,
                (SheetRow.machine_id == MachineRow.id) & (SheetRow.version == MachineRow.version),
            )
            .where(MachineRow.retired_at.is_(None), MachineRow.id.in_(list(ids)))
        )
        with self._store.reading() as session:
            found = {row.id: _kept(row, kept) for row, kept in session.execute(query)}
        return [found[id] for id in ids if id in found]

    def versions(self, name: str) -> list[KeptMachine]:
        """Return every version of a machine's sheet, the oldest first."""
        with self._store.reading() as session:
            row = find_row(session, name)
            query = select(SheetRow).where(SheetRow.machine_id == row.id).order_by(SheetRow.version)
            return [_kept(row, kept) for kept in session.scalars(query)]

    def retire(self, name: str) -> None:
        """Take a machine out of the yard; its jobs and sheets stay."""
        with self._store.writing() as session:
            find_row(session, name).retired_at = datetime.now(UTC)


def add_systems(session: Session, machine_id: str, version: int, sheet: Sheet) -> None:
    """Keep the systems of a sheet where they can be searched."""
    session.add_all(
        SystemRow(
            machine_id=machine_id,
            version=version,
            place=place,
            name=system.name,
            kind=system.kind,
            fluid=system.fluid,
            capacity_low=system.capacity.low,
            capacity_high=system.capacity.high,
        )
        for place, system in enumerate(sheet.machine.systems, start=1)
    )
    session.flush()


def find_by_name(session: Session, name: str) -> MachineRow | None:
    """Return the row of a machine by its name, however it is capitalised, or ``None``."""
    return session.scalar(select(MachineRow).where(MachineRow.name_key == name_key(name)))


def _taken(name: str) -> Complaint:
    return Complaint(
        f"a machine called {name} is known already",
        "change that one, or choose another name",
        field="name",
    )


def find_row(session: Session, name: str) -> MachineRow:
    """Return the row of a machine named by name or id."""
    row = session.get(MachineRow, name) or find_by_name(session, name)
    if row is None:
        names = list(session.scalars(select(MachineRow.name).order_by(MachineRow.name_key)))
        close = difflib.get_close_matches(name, names, n=1, cutoff=0.5)
        if close:
            do = f"did you mean '{close[0]}'?"
        elif names:
            do = f"name one of: {', '.join(names[:20])}"
        else:
            do = "add a machine first"
        raise Complaint(f"no machine is called '{name}'", do, field="machine")
    return row


def _kept(row: MachineRow, kept: SheetRow) -> KeptMachine:
    plain: dict[str, Any] = json.loads(kept.plain)
    return KeptMachine(
        id=row.id,
        name=row.name,
        version=kept.version,
        at=kept.at,
        by=kept.by,
        sheet=sheet_from_plain(plain),
        source=kept.source,
        retired=row.retired_at is not None,
    )
