"""What the dates of a large yard rest on, as bare columns read in a few queries.

Nothing is made here that is not needed to rank the yard: a reading is three numbers, a sheet
its limits and capacities. `sumpwright.records.books` reads the whole past of a machine.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
import sqlalchemy as sa
from numpy.typing import NDArray
from pydantic import TypeAdapter
from sqlalchemy.orm import Session

from sumpwright.planning.clock import seconds
from sumpwright.planning.due import Rule, ServiceKind
from sumpwright.planning.due_many import Readings
from sumpwright.planning.machine import ServiceLimit, Span, WetSystem
from sumpwright.planning.rules import rules_of
from sumpwright.planning.use import Drive
from sumpwright.records.books import WHAT, Shown, drive_of
from sumpwright.records.schema import JobRow, MachineRow, ReadingRow, SheetRow, ToldRow
from sumpwright.records.telling import entry_of
from sumpwright.records.told import (
    Entry,
    Told,
    ToldDrive,
    ToldExpense,
    ToldReport,
    ToldService,
    ToldUse,
)

if TYPE_CHECKING:
    from sumpwright.records.store import Store

Array = NDArray[np.float64]
AT_ONCE = 2_000
"""Rows that are fetched together: few, so that the garbage collector has few to look at."""
MOST_RULES = 24
"""Rules of one machine beyond which it is worked out by itself."""


@dataclass
class BareSystem:
    """A wet system: capacity in m³, what is to be done to it, and what was."""

    name: str
    capacity: float
    rules: tuple[Rule, ...]
    services: list[Entry[ToldService]] = field(default_factory=list)


@dataclass
class Bare:
    """A machine: its systems, its logged drives, and what the user says of its use."""

    id: str
    name: str
    systems: tuple[BareSystem, ...]
    drives: list[Drive] = field(default_factory=list)
    service: ServiceKind | None = None


@dataclass(frozen=True)
class Columns:
    """The machines of a yard, their readings by meter, and those of which more is kept.

    ``apart`` are places of machines that these columns do not tell whole.
    """

    machines: tuple[Bare, ...]
    readings: dict[Shown, Readings]
    apart: set[int]


def read_columns(store: Store) -> Columns:
    """Read the columns of every machine that is not retired.

    Examples
    --------
    >>> import tempfile
    >>> from sumpwright.records.store import Store
    >>> with tempfile.TemporaryDirectory() as folder, Store.open(folder + "/yard.db") as store:
    ...     read_columns(store).machines
    ()
    """
    with store.reading(snapshot=True) as session:
        reader = _Reader(session)
        return Columns(tuple(reader.machines), {m: reader.readings(m) for m in WHAT}, reader.apart)


def micros(column: Any, dialect: str) -> sa.ColumnElement[int]:
    """Return a time as whole microseconds since 1970, worked out by the database."""
    if dialect == "postgresql":
        return sa.cast(sa.func.extract("epoch", column) * 1_000_000, sa.BigInteger)
    # Times are kept there as text with six decimals; only whole seconds are read as a time,
    # because the database would round the rest to milliseconds.
    text = sa.type_coerce(column, sa.String)
    whole = sa.cast(sa.func.strftime("%s", sa.func.substr(text, 1, 19)), sa.BigInteger)
    return whole * 1_000_000 + sa.cast(sa.func.substr(text, 21, 6), sa.BigInteger)


class _Reader:
    def __init__(self, session: Session) -> None:
        self._session = session
        self._dialect = session.get_bind().dialect.name
        self.machines: list[Bare] = []
        self.apart: set[int] = set()
        self._place: dict[str, int] = {}
        self._shown: dict[Shown, list[tuple[int, float, float]]] = {m: [] for m in WHAT}
        self._sheets: list[tuple[int, float, dict[str, Any]]] = []
        self._read_machines()
        self._read_jobs()
        self._read_told()

    def _read_machines(self) -> None:
        query = (
            sa.select(MachineRow.id, MachineRow.name, SheetRow.version, SheetRow.at, SheetRow.plain)
            .join(
                SheetRow,
                (SheetRow.machine_id == MachineRow.id) & (SheetRow.version == MachineRow.version),
            )
            .where(MachineRow.retired_at.is_(None))
            .order_by(MachineRow.name_key)
        )
        for id, name, version, at, text in self._session.execute(query):
            plain: dict[str, Any] = json.loads(text)["machine"]
            place = self._place[id] = len(self.machines)
            systems = tuple(_system(each) for each in plain["systems"])
            rules = [rule for system in systems for rule in system.rules]
            kinds = {limit.kind for rule in rules for limit in rule.limits}
            if "thermal" in kinds or len(rules) > MOST_RULES:
                self.apart.add(place)
            self.machines.append(Bare(id, name, systems))
            self._sheets.append((version, seconds(at), plain))

    def _read_jobs(self) -> None:
        query = sa.select(JobRow.machine_id).where(JobRow.closed_at.is_not(None)).distinct()
        self._set_apart(self._session.scalars(query))

    def _set_apart(self, ids: Iterable[str]) -> None:
        self.apart |= {self._place[id] for id in ids if id in self._place}

    def _read_told(self) -> None:
        query = (
            sa.select(*ToldRow.__table__.c)
            .where(ToldRow.withdrawn_at.is_(None), ToldRow.kind != ToldExpense.kind)
            .order_by(ToldRow.at, ToldRow.entered_at, ToldRow.id)
            .execution_options(yield_per=AT_ONCE)
        )
        for row in self._session.connection().execute(query):
            place = self._place.get(row.machine_id)
            if place is not None:
                self._take(place, entry_of(row))

    def _take(self, place: int, entry: Entry[Told]) -> None:
        told, bare = entry.told, self.machines[place]
        if isinstance(told, ToldService | ToldReport):
            for meter, what in WHAT.items():
                value: float | None = getattr(told, what)
                if value is not None:
                    self._shown[meter].append((place, seconds(entry.at), value))
        if isinstance(told, ToldService):
            for system in bare.systems:
                if system.name == told.system:
                    system.services.append(entry)  # type: ignore[arg-type]
        elif isinstance(told, ToldDrive):
            bare.drives.append(drive_of(entry))  # type: ignore[arg-type]
        elif isinstance(told, ToldUse) and told.distance is None and told.hours is None:
            bare.service = told.service
        else:
            self.apart.add(place)

    def readings(self, meter: Shown) -> Readings:
        """Read the readings of one meter, those told with services among them."""
        who, time, value, sure = self._read_readings(WHAT[meter])
        told = np.array(self._shown[meter], dtype=np.float64).reshape(-1, 3)
        who = np.concatenate([who, told[:, 0].astype(np.intp)])
        time, value = np.concatenate([time, told[:, 1]]), np.concatenate([value, told[:, 2]])
        sure = np.concatenate([sure, np.zeros(len(told), dtype=bool)])
        who, time, value, sure = self._with_sheets(WHAT[meter], who, time, value, sure)
        order = np.lexsort((value, time, who))
        who, time, value, sure = who[order], time[order], value[order], sure[order]
        twice = (np.diff(who) == 0) & (np.diff(time) == 0) & (np.diff(value) == 0)
        # One look that was told twice is one reading; whether it is sure must not depend on which.
        self.apart |= set(who[1:][twice & (sure[1:] != sure[:-1])].tolist())
        keep = np.concatenate([np.ones(min(1, len(who)), dtype=bool), ~twice])
        return Readings(who[keep], time[keep], value[keep], sure[keep])

    def _read_readings(self, what: str) -> tuple[NDArray[np.intp], Array, Array, NDArray[np.bool_]]:
        query = (
            sa.select(
                ReadingRow.machine_id,
                micros(ReadingRow.at, self._dialect),
                ReadingRow.value,
                ReadingRow.sure,
            )
            .where(ReadingRow.withdrawn_at.is_(None), ReadingRow.what == what)
            .execution_options(yield_per=AT_ONCE)
        )
        empty = (np.zeros(0, np.intp), np.zeros(0), np.zeros(0), np.zeros(0, bool))
        chunks = [empty]
        for rows in self._session.connection().execute(query).partitions():
            ids, at, values, sure = zip(*rows, strict=True)
            chunks.append(
                (
                    np.array([self._place.get(id, -1) for id in ids], dtype=np.intp),
                    np.array(at, dtype=np.int64) / 1e6,
                    np.array(values, dtype=np.float64),
                    np.array(sure, dtype=bool),
                )
            )
        who, time, value, certain = (np.concatenate(c) for c in zip(*chunks, strict=True))
        here = who >= 0
        return who[here], time[here], value[here], certain[here]

    def _with_sheets(
        self,
        what: str,
        who: NDArray[np.intp],
        time: Array,
        value: Array,
        sure: NDArray[np.bool_],
    ) -> tuple[NDArray[np.intp], Array, Array, NDArray[np.bool_]]:
        """Let the sheet stand in where a meter was never read."""
        read = np.bincount(who, minlength=len(self.machines)) > 0
        stand: list[tuple[int, float, float]] = []
        for place, (version, at, plain) in enumerate(self._sheets):
            if read[place] or plain.get(what) is None:
                continue
            stand.append((place, at, plain[what]))
            if version > 1:
                # When it was first written into a sheet is found among the older versions.
                self.apart.add(place)
        added = np.array(stand, dtype=np.float64).reshape(-1, 3)
        return (
            np.concatenate([who, added[:, 0].astype(np.intp)]),
            np.concatenate([time, added[:, 1]]),
            np.concatenate([value, added[:, 2]]),
            np.concatenate([sure, np.zeros(len(added), dtype=bool)]),
        )


def _system(plain: dict[str, Any]) -> BareSystem:
    capacity = plain["capacity"]
    rules = _rules(json.dumps(plain.get("limits") or []))
    return BareSystem(plain["name"], Span(capacity["low"], capacity["high"]).mid, rules)


_LIMITS = TypeAdapter(tuple[ServiceLimit, ...])


@lru_cache(maxsize=4096)
def _rules(limits: str) -> tuple[Rule, ...]:
    """Rules by the text of their limits: many machines of a fleet have the same."""
    given: Sequence[ServiceLimit] = _LIMITS.validate_json(limits)
    return rules_of(WetSystem("", "other", Span(1.0, 1.0), limits=tuple(given)))
