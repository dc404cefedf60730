"""Files of machines, readings, past services and reports taken into the yard.

A file is read whole and shown before anything is kept; then all of it is kept in one
transaction, or nothing. What the yard has already is passed over, so that the same file
twice is the same as once.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time
from typing import TYPE_CHECKING, Any, Literal
from uuid import UUID, uuid5

from sqlalchemy import insert, select
from sqlalchemy.orm import Session

from sumpwright.display import Display
from sumpwright.errors import Complaint
from sumpwright.planning.clock import today
from sumpwright.planning.ledger import Happening
from sumpwright.planning.machine import Fluid
from sumpwright.planning.reports import Report
from sumpwright.records.bodies import UNITS, check_body
from sumpwright.records.books import book_of, load, meters_of
from sumpwright.records.history_files import Preview, ReadingLine, read_readings, read_services
from sumpwright.records.laboratory_files import read_reports
from sumpwright.records.machine_files import read_machines
from sumpwright.records.machines import find_system, name_key
from sumpwright.records.meter_doubts import meter_doubts
from sumpwright.records.readings import LASTING, KeptReading
from sumpwright.records.report_checks import remarks
from sumpwright.records.row_words import machine_words, meter_words, report_words, service_words
from sumpwright.records.schema import ReadingRow, ToldRow
from sumpwright.records.tables import Fault
from sumpwright.records.telling import row_of
from sumpwright.records.told import Entry, Told, ToldReport, ToldService, from_text, make, plain
from sumpwright.records.yard_pasts import Yard

if TYPE_CHECKING:
    from sumpwright.records.store import Store

Sort = Literal["machines", "readings", "services", "reports"]
SORTS: tuple[Sort, ...] = ("machines", "readings", "services", "reports")
_SPACE = UUID("d0c1b7a4-8e55-4f0e-9a53-6a0c5a7f3b21")
"""Name space of the ids of rows that come from files; a constant, so that a row keeps its id."""
_AT_ONCE = 500


@dataclass(frozen=True)
class Row:
    """One row of a file as it will be kept; ``known`` when the yard has it already."""

    line: int
    machine: str
    system: str
    what: str
    known: bool
    thing: Any


@dataclass(frozen=True)
class Taking:
    """What a file holds, before anything is kept.

    Parameters
    ----------
    sort : str
    rows : tuple of Row
    faults : tuple of Fault
        Anything that keeps the whole file out.
    doubts : tuple of Fault
        What will be kept, and kept out of the computation until it is corrected or
        confirmed: reports of another fluid, and meters that contradict each other.
    notes : tuple of str
    """

    sort: Sort
    rows: tuple[Row, ...]
    faults: tuple[Fault, ...]
    doubts: tuple[Fault, ...]
    notes: tuple[str, ...]

    @property
    def new(self) -> tuple[Row, ...]:
        """Rows that the yard does not have yet."""
        return tuple(row for row in self.rows if not row.known)


def preview(
    store: Store,
    sort: Sort,
    data: bytes,
    name: str,
    *,
    machine: str = "",
    system: str = "",
    now: date | None = None,
    sure: bool = False,
    display: Display | None = None,
) -> Taking:
    """Read a file against what the yard has; nothing is kept.

    Parameters
    ----------
    store : Store
    sort : {'machines', 'readings', 'services', 'reports'}
    data : bytes
    name : str
        Name of the file; its ending says whether it is CSV or XLSX.
    machine, system : str
        Whose rows they are, where the file has no such column.
    now : date, optional
        Today, if left out; rows of later days are faults.
    sure : bool
        Whether reports that name or look like another fluid are confirmed.
    display : Display, optional
        Units in which the rows are shown.

    Returns
    -------
    Taking
        Every row with what it becomes, and every fault with its line.

    Raises
    ------
    Complaint
        When the file as a whole cannot be read, or ``machine`` is not in the yard.
    """
    moment, show = now or today(), display or Display()
    if sort == "machines":
        return _machines(store, data, name, show)
    if machine:
        machine = store.machines.get(machine).name
    yard = Yard(load(store))
    if sort == "readings":
        seen = _readings(yard, read_readings(data, name, moment, machine, yard.readings), show)
    elif sort == "services":
        seen = _services(yard, data, name, moment, (machine, system), show)
    else:
        seen = _reports(yard, data, name, moment, (machine, system), show)
        seen = _look(yard, seen, store.fluids.all(), moment, sure)
    with store.reading() as session:
        there = _kept_ids(session, _table(sort), [row.thing["id"] for row in seen.rows])
    rows = tuple(replace(r, known=r.known or r.thing["id"] in there) for r in seen.rows)
    doubts = (*seen.doubts, *_meter_doubts(yard, [r for r in rows if not r.known], moment, show))
    return replace(seen, rows=rows, doubts=_sorted(doubts))


def take(store: Store, taking: Taking, *, by: str = "") -> int:
    """Keep what is new of a file, all of it or nothing.

    Returns
    -------
    int
        How many rows were kept.

    Raises
    ------
    Complaint
        When any row has a fault.
    """
    if taking.faults:
        more = f" and {len(taking.faults) - 1} more" if len(taking.faults) > 1 else ""
        raise Complaint(
            f"nothing was imported: {taking.faults[0]}{more}", "correct the file and try again"
        )
    rows = [row.thing for row in taking.new]
    if taking.sort == "machines":
        store.machines.add_all(rows, by=by)
        return len(rows)
    ready = [{**row, "by": by} for row in rows]
    table = _table(taking.sort)

    def keep(session: Session) -> int:
        # Another import of the same file may have come between; a row has the same id in both.
        there = _kept_ids(session, table, [row["id"] for row in ready])
        fresh = [row for row in ready if row["id"] not in there]
        if fresh:
            session.execute(insert(table), fresh)
        return len(fresh)

    return store.run(keep)


def _table(sort: Sort) -> type[ReadingRow] | type[ToldRow]:
    return ReadingRow if sort == "readings" else ToldRow


def _kept_ids(
    session: Session, table: type[ReadingRow] | type[ToldRow], ids: Sequence[str]
) -> set[str]:
    """Return which of some ids are kept, taken back or not."""
    found: set[str] = set()
    for first in range(0, len(ids), _AT_ONCE):
        some = ids[first : first + _AT_ONCE]
        found.update(session.scalars(select(table.id).where(table.id.in_(some))))
    return found


def _id(*parts: Any) -> str:
    """Return the id of a row by what it says, so that it is kept once whoever imports it."""
    return str(uuid5(_SPACE, json.dumps(parts, ensure_ascii=False, default=str)))


def at_midnight(day: date) -> datetime:
    """Return the moment at which a bare date is kept."""
    return datetime.combine(day, time(), UTC)


def _machines(store: Store, data: bytes, name: str, show: Display) -> Taking:
    known = [machine.name for machine in store.machines.all(retired=True)]
    seen = read_machines(data, name, known)
    rows = tuple(
        Row(
            line.number,
            line.sheet.machine.name,
            ", ".join(system.name for system in line.sheet.machine.systems),
            machine_words(line.sheet, show),
            line.known,
            line.sheet,
        )
        for line in seen.lines
    )
    return Taking("machines", rows, seen.faults, (), seen.notes)


def _readings(yard: Yard, seen: Preview[ReadingLine], show: Display) -> Taking:
    rows, faults = [], list(seen.faults)
    for line in seen.lines:
        reading = line.reading
        what = "odometer" if line.meter == "distance" else "hours"
        assert what in LASTING
        assert isinstance(reading.when, date)
        try:
            kept = yard.machine(line.machine)
            check_body("read", {"what": what, "value": reading.value, "unit": UNITS[what]})
        except Complaint as complaint:
            faults.append(_fault(line.number, complaint, what))
            continue
        at = at_midnight(reading.when)
        row = {
            "id": _id(kept.id, what, reading.value, at),
            "machine_id": kept.id,
            "what": what,
            "value": reading.value,
            "at": at,
            "note": "",
            "job_id": None,
            "sure": False,
        }
        words = f"{meter_words(what, reading.value, show)} on {reading.when.isoformat()}"
        rows.append(Row(line.number, kept.name, "", words, line.known, row))
    return Taking("readings", tuple(rows), _sorted(faults), (), seen.notes)


def _services(
    yard: Yard, data: bytes, name: str, now: date, owner: tuple[str, str], show: Display
) -> Taking:
    # A file without a column of systems is about the only one of each machine.
    fallback = owner[1] or _ONLY
    seen = read_services(data, name, now, owner[0], fallback, yard.capacities, yard.services)
    rows, faults = [], list(seen.faults)
    for line in seen.lines:
        asked = "" if line.system == _ONLY else line.system
        happening = line.happening

        def told(
            system: str, happening: Happening = happening, price: float | None = line.price
        ) -> ToldService:
            return make(
                ToldService,
                {
                    "system": system,
                    "done": happening.what,
                    "volume": happening.volume,
                    "share": happening.share,
                    "times": happening.times,
                    "odometer": happening.distance,
                    "hours": happening.hours,
                    "fluid": happening.fluid,
                    "price": price,
                },
            )

        made = _told_row(yard, line, asked, told, happening.when, happening.note, faults)
        if made is not None:
            known = line.known or _is_there(yard, made)
            rows.append(replace(made, what=service_words(happening, show), known=known))
    rows, twice = _once(rows)
    faults += _contradictions(yard, rows, now)
    return Taking("services", tuple(rows), _sorted(faults), (), (*seen.notes, *twice))


_ONLY = "\x00"
"""Stands for the only system of a machine while a file is read."""


def _reports(
    yard: Yard, data: bytes, name: str, now: date, owner: tuple[str, str], show: Display
) -> Taking:
    seen = read_reports(data, name, now, *owner, known=yard.reports)
    rows, faults = [], list(seen.faults)
    for line in seen.lines:
        report = line.report

        def told(system: str, report: Report = report) -> ToldReport:
            return told_report(system, report)

        made = _told_row(yard, line, line.system, told, report.when, "", faults)
        if made is not None:
            known = line.known or _is_there(yard, made)
            rows.append(replace(made, what=report_words(report, show), known=known))
    return Taking("reports", tuple(rows), _sorted(faults), (), seen.notes)


def _look(yard: Yard, seen: Taking, fluids: Sequence[Fluid], now: date, sure: bool) -> Taking:
    """Name the new reports that will not count or hold a slip; confirm those about a fluid."""
    groups: dict[tuple[str, str], list[int]] = {}
    for place, row in enumerate(seen.rows):
        if not row.known:
            groups.setdefault((row.machine, row.system), []).append(place)
    rows, doubts = list(seen.rows), []
    for (machine, name), places in groups.items():
        past = yard.pasts[name_key(machine)]
        system = find_system(past.machine.sheet, name)
        entries: list[Entry[ToldReport]] = [_entry(rows[place]) for place in places]
        found = remarks(past, system, entries, fluids, now)
        wrong = {remark.place for remark in found if remark.wrong_fluid} if sure else set()
        if wrong:
            for at in wrong:
                told = entries[at].told.model_copy(update={"sure": True})
                entries[at] = replace(entries[at], told=told)
                rows[places[at]] = _confirmed(rows[places[at]], entries[at])
            found = remarks(past, system, entries, fluids, now)
        for remark in found:
            what = "; ".join(str(each) for each in remark.says)
            doubts.append(Fault(rows[places[remark.place]].line, "", what))
    return replace(seen, rows=tuple(rows), doubts=_sorted(doubts))


def _confirmed(row: Row, entry: Entry[ToldReport]) -> Row:
    id = _id(entry.machine, entry.told.kind, plain(entry.told), entry.at)
    return replace(row, thing=row_of(replace(entry, id=id)))


def told_report(system: str, report: Report, *, of_new: bool = False) -> ToldReport:
    """Return a report as it is kept; its meters are what they showed."""
    return make(
        ToldReport,
        {
            "system": system,
            "odometer": report.distance,
            "hours": report.hours,
            "sample": report.sample,
            "fluid": report.fluid,
            "elements": dict(report.elements),
            "viscosity_40": report.viscosity_40,
            "viscosity_100": report.viscosity_100,
            "index": report.index,
            "water": report.water,
            "acid": report.acid,
            "particles": report.particles,
            "counts": None if report.counts is None else list(report.counts),
            "of_new": of_new,
        },
    )


def _told_row(
    yard: Yard,
    line: Any,
    system: str,
    told: Callable[[str], Told],
    when: Any,
    note: str,
    faults: list[Fault],
) -> Row | None:
    assert isinstance(when, date)
    try:
        kept, name = yard.system(line.machine, system)
        made = told(name)
    except Complaint as complaint:
        faults.append(_fault(line.number, complaint))
        return None
    at = at_midnight(when)
    id = _id(kept.id, made.kind, plain(made), at)
    entry = Entry(id, kept.id, at, "", note, made, datetime.now(UTC))
    return Row(line.number, kept.name, name, "", line.known, row_of(entry))


def _fault(line: int, complaint: Complaint, column: str = "") -> Fault:
    what = complaint.what.removeprefix("read: ")
    # A sentence that begins with its number does not say of what.
    named = (complaint.field or column) if what[:1].isdigit() else ""
    return Fault(line, named, what, complaint.do)


def _mark(row: Row) -> tuple[Any, ...]:
    return row.machine, row.system, row.thing["at"], row.thing["body"]


def _is_there(yard: Yard, row: Row) -> bool:
    past = yard.pasts[name_key(row.machine)]
    rows = (row_of(entry) for entry in past.told)
    return any((r["at"], r["body"]) == (row.thing["at"], row.thing["body"]) for r in rows)


def _once(rows: Sequence[Row]) -> tuple[list[Row], list[str]]:
    """Drop rows that say the same of the same system, however it was spelt."""
    seen: set[tuple[Any, ...]] = set()
    out, notes = [], []
    for row in rows:
        if _mark(row) in seen:
            notes.append(f"line {row.line}: the same is there twice; one is used")
        else:
            seen.add(_mark(row))
            out.append(row)
    return out, notes


def _contradictions(yard: Yard, rows: Sequence[Row], now: date) -> list[Fault]:
    """Find services that the age ledger of their system refuses."""
    faults = []
    groups: dict[tuple[str, str], list[Row]] = {}
    for row in rows:
        if not row.known:
            groups.setdefault((row.machine, row.system), []).append(row)
    for (machine, system), mine in groups.items():
        past = yard.pasts[name_key(machine)]
        added = [_entry(row) for row in mine]
        with_them = replace(past, told=(*past.told, *added))
        chosen = find_system(past.machine.sheet, system)
        before = book_of(past, chosen, meters_of(past, now).of(chosen))
        after = book_of(with_them, chosen, meters_of(with_them, now).of(chosen))
        if after.ledger is None and before.ledger is not None:
            line = min(row.line for row in mine)
            what = f"{machine}, {system}: {after.notes[0]}"
            faults.append(Fault(line, "", what, "correct the services of this system"))
    return faults


def _meter_doubts(yard: Yard, rows: Sequence[Row], now: date, show: Display) -> list[Fault]:
    """Name the rows whose meters contradict those of the yard or of each other."""
    groups: dict[str, list[Row]] = {}
    for row in rows:
        groups.setdefault(row.machine, []).append(row)
    faults = []
    for machine, mine in groups.items():
        past = yard.pasts[name_key(machine)]
        read = [_reading(row) for row in mine if "kind" not in row.thing]
        told = [_entry(row) for row in mine if "kind" in row.thing]
        lines = {row.thing["id"]: row.line for row in mine}
        faults += meter_doubts(past, read, told, lines, now, show)
    return faults


def _reading(row: Row) -> KeptReading:
    r = row.thing
    return KeptReading(r["id"], r["machine_id"], r["what"], r["value"], r["at"], "", "", "")


def _entry(row: Row) -> Entry[Any]:
    r = row.thing
    return Entry(
        r["id"],
        r["machine_id"],
        r["at"],
        "",
        r["note"],
        from_text(r["kind"], r["body"]),
        r["entered_at"],
    )


def _sorted(faults: Sequence[Fault]) -> tuple[Fault, ...]:
    return tuple(sorted(faults, key=lambda fault: fault.line))
