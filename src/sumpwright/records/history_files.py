"""Meter readings and past services from CSV and XLSX files: a preview, then all or nothing."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any, Generic, Protocol, TypeVar

from sumpwright.errors import Complaint
from sumpwright.planning.clock import seconds
from sumpwright.planning.ledger import Happening, What, fresh_share
from sumpwright.planning.track import Meter, Reading
from sumpwright.records.cells import Cell, read_date, read_number, read_words
from sumpwright.records.tables import Fault, Table, read_table, squeeze
from sumpwright.units import parse_quantity

_SHARED: dict[str, tuple[str, ...]] = {
    "machine": ("machine", "vehicle", "unit", "equipment", "asset"),
    "when": ("date", "day", "when", "read on", "done on", "service date", "date of service"),
    "distance": ("odometer", "odo", "mileage", "distance", "odometer reading"),
    "hours": ("hours", "hour meter", "running hours", "engine hours", "machine hours"),
}
READING_ALIASES = _SHARED
SERVICE_ALIASES: dict[str, tuple[str, ...]] = {
    **_SHARED,
    "system": ("system", "component", "compartment", "wet system"),
    "volume": ("volume", "volume changed", "amount", "quantity", "changed", "fluid changed"),
    "litres": ("litres", "liters", "litres changed", "liters changed", "l changed"),
    "what": ("what", "kind", "work", "service"),
    "share": ("fresh share", "share changed", "share", "fresh"),
    "times": ("times", "refills", "number of refills"),
    "price": ("price", "paid", "paid for the fluid", "cost", "cost of the fluid"),
    "fluid": ("fluid", "oil", "product", "lubricant"),
    "note": ("note", "notes", "remark", "remarks", "comment"),
}
_WHAT: dict[str, What] = {
    "": "changed", "changed": "changed", "change": "changed", "oilchange": "changed",
    "fluidchange": "changed", "partialchange": "changed", "drainandrefill": "changed",
    "filled": "filled", "fill": "filled", "firstfill": "filled", "fullchange": "filled",
    "toppedup": "topped up", "topup": "topped up", "makeup": "topped up", "added": "topped up",
    "lost": "lost", "loss": "lost", "leak": "lost", "leaked": "lost", "spilt": "lost",
}  # fmt: skip
_WORDS = ("machine", "system", "fluid", "note", "what")
_ABSENT = {"-", "–", "—", "n/a", "na", "none", "null", "?"}


@dataclass(frozen=True)
class ReadingLine:
    """One reading of a file; ``known`` when the yard has it already."""

    number: int
    machine: str
    meter: Meter
    reading: Reading
    known: bool = False


@dataclass(frozen=True)
class ServiceLine:
    """One past service of a file; ``known`` when the yard has it already."""

    number: int
    machine: str
    system: str
    happening: Happening
    known: bool = False
    price: float | None = None


class _Line(Protocol):
    @property
    def known(self) -> bool: ...


L = TypeVar("L", bound=_Line)


@dataclass(frozen=True)
class Preview(Generic[L]):
    """What a file holds, before anything is taken over; ``faults`` keep the whole file out."""

    lines: tuple[L, ...]
    faults: tuple[Fault, ...]
    notes: tuple[str, ...]

    def take(self) -> tuple[L, ...]:
        """Return what is new, or refuse the whole file.

        Raises
        ------
        Complaint
            When any row has a fault: nothing is taken over by halves.
        """
        if self.faults:
            more = f" and {len(self.faults) - 1} more" if len(self.faults) > 1 else ""
            raise Complaint(
                f"nothing was imported: {self.faults[0]}{more}", "correct the file and try again"
            )
        return tuple(line for line in self.lines if not line.known)


def read_readings(
    data: bytes,
    name: str,
    today: date,
    machine: str = "",
    known: Mapping[tuple[str, Meter], Sequence[Reading]] | None = None,
) -> Preview[ReadingLine]:
    """Read a file of odometer and hour readings.

    Parameters
    ----------
    data : bytes
    name : str
        Name of the file.
    today : date
        Later days are faults.
    machine : str
        Whose readings they are, where the file has no such column.
    known : mapping of (machine, meter) to readings, optional
        What the yard has: the same reading is not taken twice.

    Returns
    -------
    Preview of ReadingLine

    Raises
    ------
    Complaint
        When the file as a whole cannot be read.

    Examples
    --------
    >>> text = "Date,Odometer (km)\\n2025-02-01,83100\\n2025-03-01,84350\\n"
    >>> seen = read_readings(text.encode(), "readings.csv", date(2025, 5, 1), "Van 1")
    >>> [line.reading.value for line in seen.take()]
    [83100000.0, 84350000.0]
    """
    table = read_table(data, name, READING_ALIASES, _WORDS)
    faults = _missing(table, ("when",), ("distance", "hours"))
    notes = _notes(table)
    lines: list[ReadingLine] = []
    for number, cells in table.rows:
        row = _row(number, cells, table, today, machine, faults)
        if row is None:
            continue
        meters: tuple[Meter, ...] = ("distance", "hours")
        found = [m for m in meters if m in row]
        if not found:
            faults.append(Fault(number, "", "no reading is given", "give one or drop the row"))
        for meter in found:
            lines.append(
                ReadingLine(number, row["machine"], meter, Reading(row["when"], row[meter]))
            )
    lines = _mark_readings(lines, known or {}, notes)
    return Preview(tuple(lines), tuple(faults), tuple(notes))


def _mark_readings(
    lines: Sequence[ReadingLine],
    known: Mapping[tuple[str, Meter], Sequence[Reading]],
    notes: list[str],
) -> list[ReadingLine]:
    there = {
        (squeeze(machine), meter, seconds(r.when), r.value)
        for (machine, meter), readings in known.items()
        for r in readings
    }
    seen: set[tuple[str, Meter, float, float]] = set()
    out = []
    for line in lines:
        key = (squeeze(line.machine), line.meter, seconds(line.reading.when), line.reading.value)
        if key in seen:
            notes.append(f"line {line.number}: the same reading is there twice; one is used")
            continue
        seen.add(key)
        out.append(replace(line, known=key in there))
    return out


def read_services(
    data: bytes,
    name: str,
    today: date,
    machine: str = "",
    system: str = "",
    capacities: Mapping[tuple[str, str], float] | None = None,
    known: Mapping[tuple[str, str], Sequence[Happening]] | None = None,
) -> Preview[ServiceLine]:
    """Read a file of past services: date, odometer, litres changed.

    Parameters
    ----------
    data : bytes
    name : str
    today : date
    machine, system : str
        Whose services they are, where the file has no such columns.
    capacities : mapping of (machine, system) to m³, optional
        A change of more than the system holds is then a fault.
    known : mapping of (machine, system) to happenings, optional
        What the yard has: the same service is not taken twice.

    Returns
    -------
    Preview of ServiceLine

    Raises
    ------
    Complaint
        When the file as a whole cannot be read.

    Examples
    --------
    >>> text = "Date;Odometer (km);Litres changed\\n1.6.2021;60 000;3,6\\n"
    >>> seen = read_services(text.encode(), "past.csv", date(2025, 5, 1), "Van 1", "gearbox")
    >>> seen.take()[0].happening.volume, seen.take()[0].happening.distance
    (0.0036, 60000000.0)
    """
    table = read_table(data, name, SERVICE_ALIASES, _WORDS)
    faults = _missing(table, ("when",), ("volume", "litres", "share", "what"))
    notes = _notes(table)
    limits = {(squeeze(m), squeeze(s)): v for (m, s), v in (capacities or {}).items()}
    lines: list[ServiceLine] = []
    for number, cells in table.rows:
        row = _row(number, cells, table, today, machine, faults)
        if row is None:
            continue
        where = row.get("system") or system
        if not where:
            faults.append(Fault(number, "", "the system is not named", "name it, or choose one"))
            continue
        try:
            happening = _happening(row)
            capacity = limits.get((squeeze(row["machine"]), squeeze(where)))
            if capacity is not None and happening.what == "changed":
                volume = happening.volume
                asked = volume if volume is not None else (happening.share or 0.0) * capacity
                fresh_share(capacity, asked, happening)
        except Complaint as complaint:
            faults.append(Fault(number, "", complaint.what, complaint.do))
            continue
        lines.append(ServiceLine(number, row["machine"], where, happening, False, row.get("price")))
    lines = _mark_services(lines, known or {}, notes)
    return Preview(tuple(lines), tuple(faults), tuple(notes))


def _happening(row: Mapping[str, Any]) -> Happening:
    what = _WHAT.get(squeeze(row.get("what", "")))
    if what is None:
        raise Complaint(f"'{row['what']}' is no kind of service", "use changed, topped up or lost")
    volume, litres = row.get("volume"), row.get("litres")
    if volume is not None and litres is not None and abs(volume - litres) > 1e-9:
        raise Complaint("two volumes are given that differ", "leave one of them out")
    volume = volume if volume is not None else litres
    if volume is None and row.get("share") is None and what != "filled":
        raise Complaint("no volume is given", "give the litres")
    return Happening(
        row["when"],
        what,
        volume,
        row.get("share"),
        row.get("times", 1),
        distance=row.get("distance"),
        hours=row.get("hours"),
        fluid=row.get("fluid", ""),
        note=row.get("note", ""),
    )


def _mark_services(
    lines: Sequence[ServiceLine],
    known: Mapping[tuple[str, str], Sequence[Happening]],
    notes: list[str],
) -> list[ServiceLine]:
    there = {
        (squeeze(machine), squeeze(system), *_mark(happening))
        for (machine, system), happenings in known.items()
        for happening in happenings
    }
    seen: set[tuple[Any, ...]] = set()
    out = []
    for line in lines:
        key = (squeeze(line.machine), squeeze(line.system), *_mark(line.happening))
        if key in seen:
            notes.append(f"line {line.number}: the same service is there twice; one is used")
            continue
        seen.add(key)
        out.append(replace(line, known=key in there))
    return out


def _mark(happening: Happening) -> tuple[Any, ...]:
    return seconds(happening.when), happening.what, happening.volume, happening.share


def _missing(table: Table, needed: Sequence[str], one_of: Sequence[str]) -> list[Fault]:
    there = {header.key for header in table.headers}
    out = list(table.faults)
    if not set(needed) <= there:
        out.append(Fault(1, "", "no column gives the date", "add one"))
    if not set(one_of) & there:
        out.append(Fault(1, "", f"no column gives {' or '.join(one_of)}", "add one"))
    return out


def _notes(table: Table) -> list[str]:
    unused = ["columns not used: " + ", ".join(table.unknown)] if table.unknown else []
    return [*table.notes, *unused]


def _row(
    number: int,
    cells: Mapping[str, Cell],
    table: Table,
    today: date,
    machine: str,
    faults: list[Fault],
) -> dict[str, Any] | None:
    """Typed values of a row, or nothing when it has a fault."""
    before = len(faults)
    row: dict[str, Any] = {}
    for header in table.headers:
        cell = cells[header.key]
        if cell is None or (isinstance(cell, str) and cell.casefold() in _ABSENT):
            continue
        try:
            row[header.key] = _value(header.key, cell, header.unit, table)
        except Complaint as complaint:
            faults.append(Fault(number, header.text, complaint.what, complaint.do))
    row["machine"] = row.get("machine") or machine
    if not row["machine"]:
        faults.append(Fault(number, "", "the machine is not named", "name it, or choose one"))
    if len(faults) == before and "when" not in row:
        faults.append(Fault(number, "", "the row has no date", "give it"))
    if "when" in row and row["when"] > today:
        what = f"{row['when'].isoformat()} lies in the future"
        faults.append(Fault(number, table.header("when").text, what, "correct the date"))
    return row if len(faults) == before else None


def _value(key: str, cell: Cell, unit: str, table: Table) -> Any:
    if key == "when":
        return read_date(cell, table.day_first)
    if key in _WORDS:
        return read_words(cell)
    number, own = read_number(cell, table.comma)
    if number < 0:
        raise Complaint(f"{number:g} is below zero", "correct it")
    return _READERS[key](number, own or unit)


def _quantity(dimension: Any, default: str, ask: str) -> Callable[[float, str], float]:
    def read(number: float, unit: str) -> float:
        if not (unit or default):
            raise Complaint("no unit is given", f"write it in the header: {ask}")
        return parse_quantity(f"{number!r} {unit or default}", dimension)

    return read


def _share(number: float, unit: str) -> float:
    share = number / 100 if unit == "%" or number > 1 else number
    if share > 1 or unit not in ("", "%"):
        raise Complaint(f"{number:g} {unit} is no share".strip(), "write it in percent")
    return share


def _times(number: float, unit: str) -> int:
    if unit or number != int(number) or not 1 <= number <= 20:
        raise Complaint(f"{number:g} {unit} is no number of refills".strip(), "correct it")
    return int(number)


def _price(number: float, unit: str) -> float:
    if number < 0 or not math.isfinite(number) or any(sign in unit for sign in "%/"):
        raise Complaint(f"{number:g} {unit} is no price".strip(), "give what was paid")
    return number


_READERS: dict[str, Callable[[float, str], Any]] = {
    "distance": _quantity("distance", "", "km or mi"),
    "hours": _quantity("time", "h", "h"),
    "volume": _quantity("volume", "", "L or US qt"),
    "litres": _quantity("volume", "L", "L"),
    "share": _share,
    "times": _times,
    "price": _price,
}
