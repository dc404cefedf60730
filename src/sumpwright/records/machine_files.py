"""Machines from CSV and XLSX files, one wet system a row: a preview, then all or nothing."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from typing import Any

from sumpwright.errors import Complaint
from sumpwright.planning.machine import Action, Fluid, Machine, ServiceLimit, Sheet, Span, WetSystem
from sumpwright.planning.sanity import check_sheet
from sumpwright.records.cells import Cell, Habit, read_number, read_words
from sumpwright.records.history_files import Preview
from sumpwright.records.tables import Fault, Table, read_table, squeeze
from sumpwright.unit_words import EXAMPLE, Dimension
from sumpwright.units import parse_quantity

_TEXTS = ("machine", "system", "kind", "fluid", "note")
_NEEDED = ("machine", "system", "capacity")
_INTERVALS: dict[str, Dimension] = {"distance": "distance", "period": "period", "hours": "time"}
_PLAIN: dict[str, Dimension] = {
    "odometer": "distance",
    "hours": "time",
    "capacity": "volume",
    "drain": "volume",
}
_ACTIONS = ("replace", "severe_replace", "inspect", "severe_inspect")
_NUMBERS: dict[str, Dimension] = _PLAIN | {
    f"{action}_{of}": dimension for action in _ACTIONS for of, dimension in _INTERVALS.items()
}


def _headings(action: str, of: str) -> tuple[str, ...]:
    words = action.replace("_", " ")
    more = {"distance": ("km", "miles"), "period": ("years", "months"), "hours": ("h",)}
    return tuple(
        f"{words} {link} {name}" for link in ("", "every", "after") for name in (of, *more[of])
    )


ALIASES: dict[str, tuple[str, ...]] = {
    "machine": ("machine", "vehicle", "unit", "equipment", "asset", "name", "machine name"),
    "odometer": ("odometer", "odo", "mileage", "odometer reading"),
    "hours": ("hours", "hour meter", "running hours", "engine hours", "machine hours"),
    "note": ("note", "notes", "remark", "remarks", "comment"),
    "system": ("system", "component", "compartment", "wet system"),
    "kind": ("kind", "kind of system", "system kind", "type"),
    "capacity": ("capacity", "fill", "fill volume", "volume", "total volume"),
    "drain": ("drain", "drain volume", "drained volume"),
    "fluid": ("fluid", "oil", "product", "lubricant"),
    **{f"{action}_{of}": _headings(action, of) for action in _ACTIONS for of in _INTERVALS},
}
"""How the columns of a list of machines may be headed."""


@dataclass(frozen=True)
class MachineLine:
    """One machine of a file; ``number`` the line on which it begins."""

    number: int
    sheet: Sheet
    known: bool = False


def read_machines(data: bytes, name: str, known: Collection[str] = ()) -> Preview[MachineLine]:
    """Read a file of machines, one wet system a row.

    Parameters
    ----------
    data : bytes
    name : str
        Name of the file.
    known : collection of str
        Machines that the yard has; they are left as they are there.

    Returns
    -------
    Preview of MachineLine

    Raises
    ------
    Complaint
        When the file as a whole cannot be read.

    Examples
    --------
    >>> text = "Machine,System,Kind,Capacity (L),Replace distance (km)\\n"
    >>> seen = read_machines((text + "Van 7,gearbox,axle,2.1,60000\\n").encode(), "m.csv")
    >>> seen.take()[0].sheet.machine.systems[0].limits[0].distance
    60000000.0
    """
    table = read_table(data, name, ALIASES, _TEXTS)
    there = {header.key for header in table.headers}
    names = {"machine": "machine", "system": "wet system", "capacity": "capacity"}
    faults = [
        *table.faults,
        *(
            Fault(1, "", f"no column gives the {what}", "add one")
            for key, what in names.items()
            if key not in there
        ),
    ]
    notes = list(table.notes)
    if table.unknown:
        notes.append("columns not used: " + ", ".join(table.unknown))
    groups: dict[str, list[tuple[int, dict[str, Any]]]] = {}
    for number, cells in table.rows:
        row = _row(number, cells, table, faults)
        if row is not None:
            groups.setdefault(squeeze(row["machine"]), []).append((number, row))
    kept = {squeeze(each) for each in known}
    lines = []
    for key, rows in groups.items():
        line = _line(rows, faults, notes)
        if line is not None and key in kept:
            notes.append(
                f"line {line.number}: {line.sheet.machine.name} is in the yard already and is "
                "left as it is"
            )
        if line is not None:
            lines.append(replace(line, known=key in kept))
    return Preview(tuple(lines), tuple(sorted(faults, key=lambda f: f.line)), tuple(notes))


def _row(
    number: int, cells: Mapping[str, Cell], table: Table, faults: list[Fault]
) -> dict[str, Any] | None:
    before = len(faults)
    row: dict[str, Any] = {}
    for header in table.headers:
        cell = cells[header.key]
        if cell is None:
            continue
        try:
            if header.key in _TEXTS:
                row[header.key] = read_words(cell)
            else:
                unit = header.unit or _unit_in(header.text)
                row[header.key] = _quantity(cell, unit, _NUMBERS[header.key], table.comma)
        except Complaint as complaint:
            faults.append(Fault(number, header.text, complaint.what, complaint.do))
    for key in _NEEDED:
        if len(faults) == before and key not in row:
            faults.append(Fault(number, "", f"the {key} is missing", "give it or drop the row"))
    return row if len(faults) == before else None


_UNIT_WORD = re.compile(r"(km|mi|miles|years?|months?|days?|hours?|h)\W*$", re.IGNORECASE)


def _unit_in(header: str) -> str:
    """Unit that stands among the words of a header, as in "Replace every (years)"."""
    match = _UNIT_WORD.search(header)
    return match[1] if match is not None else ""


def _quantity(cell: Cell, unit: str, dimension: Dimension, comma: Habit) -> float:
    number, own = read_number(cell, comma)
    if not (own or unit):
        raise Complaint("no unit is given", f"write it in the header, e.g. {EXAMPLE[dimension]}")
    return parse_quantity(f"{number!r} {own or unit}", dimension)


def _line(
    rows: list[tuple[int, dict[str, Any]]], faults: list[Fault], notes: list[str]
) -> MachineLine | None:
    first, head = rows[0]
    meters: dict[str, float] = {}
    for number, row in rows:
        for key in ("odometer", "hours"):
            if key in row and meters.setdefault(key, row[key]) != row[key]:
                what = f"the {key} of {head['machine']} differs from an earlier row"
                faults.append(Fault(number, "", what, "leave one of them out"))
                return None
    systems = tuple(_system(row) for _, row in rows)
    machine = Machine(
        head["machine"], systems, meters.get("odometer"), meters.get("hours"), head.get("note", "")
    )
    names = dict.fromkeys(system.fluid for system in systems if system.fluid)
    sheet = Sheet(machine, tuple(Fluid(fluid) for fluid in names))
    before = len(faults)
    for finding in check_sheet(sheet):
        place = finding.path[1] if finding.path[:1] == ("system",) and finding.path[1:] else 0
        number = rows[place][0] if isinstance(place, int) else first
        if finding.fatal:
            faults.append(Fault(number, "", finding.what, finding.do))
        else:
            notes.append(str(Fault(number, "", finding.what, finding.do)))
    return MachineLine(first, sheet) if len(faults) == before else None


def _system(row: Mapping[str, Any]) -> WetSystem:
    limits = []
    actions: tuple[Action, ...] = ("replace", "inspect")
    for action in actions:
        values: dict[str, Any] = {
            f"{severe}{of}": row.get(f"{severe}{action}_{of}")
            for severe in ("", "severe_")
            for of in _INTERVALS
        }
        if any(value is not None for value in values.values()):
            limits.append(ServiceLimit(action, **values))
    drain = row.get("drain")
    return WetSystem(
        row["system"],
        row.get("kind", "other"),
        Span(row["capacity"], row["capacity"]),
        drain=None if drain is None else Span(drain, drain),
        fluid=row.get("fluid", ""),
        limits=tuple(limits),
    )
