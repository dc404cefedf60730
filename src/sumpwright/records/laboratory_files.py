"""Used-oil reports from CSV and XLSX files: a preview with every fault, then all or nothing."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from sumpwright.errors import Complaint
from sumpwright.planning.cleanliness import code_of, read_code
from sumpwright.planning.clock import seconds
from sumpwright.planning.reports import ELEMENTS, Report
from sumpwright.records.cells import Cell, read_date, read_number, read_words
from sumpwright.records.tables import Fault, Table, read_table, squeeze, squeeze_unit
from sumpwright.records.water import UNITS as WATER_UNITS
from sumpwright.records.water import read_word
from sumpwright.units import parse_quantity

ALIASES: dict[str, tuple[str, ...]] = {
    "when": (
        "date", "sampled", "sampled on", "date sampled", "sample date", "sampling date",
        "date taken", "taken", "taken on",
    ),
    "sample": (
        "sample", "sample no", "sample number", "sample id", "lab no", "lab number", "lab id",
        "report", "report no", "report number",
    ),
    "machine": ("machine", "vehicle", "unit", "unit no", "equipment", "asset"),
    "system": ("system", "component", "compartment", "sampled from"),
    "fluid": ("fluid", "oil", "oil type", "lubricant", "product", "oil name", "fluid name"),
    "distance": (
        "odometer", "odo", "distance", "mileage", "unit distance", "machine distance",
        "total distance", "reading",
    ),
    "hours": (
        "hours", "machine hours", "unit hours", "running hours", "hour meter", "engine hours",
    ),
    "viscosity_40": (
        "viscosity 40", "viscosity 40c", "viscosity at 40c", "viscosity at 40", "kv40", "kv 40c",
        "v40", "visc 40", "visc 40c", "visc at 40c", "kinematic viscosity 40c",
        "kinematic viscosity at 40c",
    ),
    "viscosity_100": (
        "viscosity 100", "viscosity 100c", "viscosity at 100c", "viscosity at 100", "kv100",
        "kv 100c", "v100", "visc 100", "visc 100c", "visc at 100c", "kinematic viscosity 100c",
        "kinematic viscosity at 100c",
    ),
    "index": ("viscosity index", "vi", "visc index"),
    "water": ("water", "h2o", "water content", "moisture"),
    "acid": (
        "acid number", "an", "tan", "total acid number", "acid value", "neutralisation number",
        "neutralization number",
    ),
    "particles": (
        "iso 4406", "iso4406", "iso code", "cleanliness", "cleanliness code", "particle code",
        "particles",
    ),
    "count_4": (
        "particles 4um", "particles >4um", "particles >=4um", "count 4um", ">4um", ">=4um", "4um",
        "p4", ">4", ">=4", "4umc", ">4umc", ">=4umc", "particles >=4umc",
    ),
    "count_6": (
        "particles 6um", "particles >6um", "particles >=6um", "count 6um", ">6um", ">=6um", "6um",
        "p6", ">6", ">=6", "6umc", ">6umc", ">=6umc", "particles >=6umc",
    ),
    "count_14": (
        "particles 14um", "particles >14um", "particles >=14um", "count 14um", ">14um", ">=14um",
        "14um", "p14", ">14", ">=14", "14umc", ">14umc", ">=14umc", "particles >=14umc",
    ),
    **{
        symbol: (symbol, name, f"{name} {symbol}", f"{symbol} {name}")
        for symbol, name in ELEMENTS.items()
    },
    "Al": ("al", "aluminium", "aluminum", "aluminium al", "aluminum al"),
    "S": ("s", "sulphur", "sulfur", "sulphur s", "sulfur s"),
}  # fmt: skip
"""How the columns of a report may be headed."""

_MASS = {"": 1.0, "ppm": 1.0, "mgkg": 1.0, "mg/kg": 1.0, "ugg": 1.0, "%": 1e4, "wt%": 1e4,
         "mass%": 1e4, "masspercent": 1e4, "percent": 1e4}  # fmt: skip
_ACID = {"": 1.0, "mgkoh/g": 1.0, "mgkohg": 1.0, "mg/g": 1.0}
_COUNT = {"": 1.0, "/ml": 1.0, "perml": 1.0, "1/ml": 1.0, "p/ml": 1.0, "/100ml": 0.01,
          "per100ml": 0.01}  # fmt: skip
_ABSENT = {"", "-", "–", "—", "n/a", "na", "nd", "n.d.", "none", "null", "nil", "not tested", "nt"}
_WORDS = ("machine", "system", "fluid", "sample")
_INTERVALS = {"viscosity_40": (5e-7, 1e-2), "viscosity_100": (5e-7, 2e-3)}


@dataclass(frozen=True)
class Line:
    """One report of a file; ``known`` when it is in the yard already."""

    number: int
    machine: str
    system: str
    report: Report
    known: bool = False


@dataclass(frozen=True)
class Preview:
    """What a file holds, before anything is taken over.

    Parameters
    ----------
    lines : tuple of Line
        Every row that could be read without a fault.
    faults : tuple of Fault
        Everything that keeps the file out.
    notes : tuple of str
        What was assumed, and columns that were passed over.
    """

    lines: tuple[Line, ...]
    faults: tuple[Fault, ...]
    notes: tuple[str, ...]

    def take(self) -> tuple[Line, ...]:
        """Return the reports that are new, or refuse the whole file.

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


def read_reports(
    data: bytes,
    name: str,
    today: date,
    machine: str = "",
    system: str = "",
    known: Mapping[tuple[str, str], Sequence[Report]] | None = None,
) -> Preview:
    """Read a file of used-oil reports.

    Parameters
    ----------
    data : bytes
        The file.
    name : str
        Its name.
    today : date
        Samples of later days are faults.
    machine, system : str
        Whose reports they are, where the file has no such column.
    known : mapping of (machine, system) to reports, optional
        What is in the yard already; a report that is there is marked and not taken twice.

    Returns
    -------
    Preview

    Raises
    ------
    Complaint
        When the file as a whole cannot be read.

    Examples
    --------
    >>> text = "Date;Odometer (km);Visc @ 40 °C (cSt);Fe (ppm)\\n01.03.2025;84 350;27,9;38\\n"
    >>> seen = read_reports(text.encode(), "lab.csv", date(2025, 4, 1), "Van 1", "gearbox")
    >>> seen.faults, seen.lines[0].report.elements, seen.lines[0].report.viscosity_40
    ((), {'Fe': 38.0}, 2.79e-05)
    """
    table = read_table(data, name, ALIASES, (*_WORDS, "particles"))
    notes = list(table.notes)
    if table.unknown:
        notes.append("columns not used: " + ", ".join(table.unknown))
    notes += _unit_notes(table)
    faults = list(table.faults)
    lines: list[Line] = []
    if not any(h.key == "when" for h in table.headers):
        faults.append(Fault(1, "", "no column gives the date of the sample", "add one"))
    for number, cells in table.rows:
        line = _line(number, cells, table, (machine, system), today, faults, notes)
        if line is not None:
            lines.append(line)
    lines = _mark_known(lines, known or {}, faults)
    return Preview(tuple(lines), tuple(faults), tuple(dict.fromkeys(notes)))


def _unit_notes(table: Table) -> list[str]:
    notes = []
    for header in table.headers:
        if header.unit:
            continue
        if header.key in ("viscosity_40", "viscosity_100"):
            notes.append(f"'{header.text}' has no unit; read as mm²/s")
        elif header.key in ELEMENTS:
            notes.append(f"'{header.text}' has no unit; read as mg/kg")
        elif header.key == "acid":
            notes.append(f"'{header.text}' has no unit; read as mg KOH/g")
    return notes


def _line(
    number: int,
    cells: Mapping[str, Cell],
    table: Table,
    owner: tuple[str, str],
    today: date,
    faults: list[Fault],
    notes: list[str],
) -> Line | None:
    before = len(faults)
    values: dict[str, Any] = {}
    for header in table.headers:
        cell = cells[header.key]
        try:
            none = read_word(cell) if header.key == "water" and isinstance(cell, str) else ""
            if none:
                values["water"] = 0.0
                notes.append(none)
                continue
            if cell is None or (isinstance(cell, str) and cell.casefold() in _ABSENT):
                continue
            values[header.key] = _value(header.key, cell, header.unit, table, notes)
        except Complaint as complaint:
            faults.append(Fault(number, header.text, complaint.what, complaint.do))
    if "when" not in values and len(faults) == before:
        faults.append(Fault(number, "", "the sample has no date", "give it"))
    elif "when" in values and values["when"] > today:
        what = f"the sample of {values['when'].isoformat()} lies in the future"
        faults.append(Fault(number, table.header("when").text, what, "correct the date"))
    counts = _counts(number, values, faults)
    if len(faults) > before:
        return None
    whose = values.get("machine") or owner[0]
    where = values.get("system") or owner[1]
    if not whose:
        faults.append(Fault(number, "", "the machine is not named", "name it, or choose one"))
        return None
    report = Report(
        when=values["when"],
        distance=values.get("distance"),
        hours=values.get("hours"),
        sample=values.get("sample", ""),
        fluid=values.get("fluid", ""),
        elements={symbol: values[symbol] for symbol in ELEMENTS if symbol in values},
        viscosity_40=values.get("viscosity_40"),
        viscosity_100=values.get("viscosity_100"),
        index=values.get("index"),
        water=values.get("water"),
        acid=values.get("acid"),
        particles=values.get("particles", ""),
        counts=counts,
    )
    return Line(number, whose, where, report)


def _counts(
    number: int, values: Mapping[str, Any], faults: list[Fault]
) -> tuple[float, float, float] | None:
    found = [values.get(key) for key in ("count_4", "count_6", "count_14")]
    if all(count is None for count in found):
        return None
    if any(count is None for count in found):
        faults.append(Fault(number, "", "a particle count is missing", "give 4, 6 and 14 µm"))
        return None
    counts = (float(found[0] or 0), float(found[1] or 0), float(found[2] or 0))
    try:
        code_of(counts)
    except Complaint as complaint:
        faults.append(Fault(number, "", complaint.what, complaint.do))
        return None
    return counts


def _value(key: str, cell: Cell, unit: str, table: Table, notes: list[str]) -> Any:
    if key == "when":
        return read_date(cell, table.day_first)
    if key in _WORDS:
        return read_words(cell)
    if key == "particles":
        return str(read_code(read_words(cell)))
    if isinstance(cell, str) and cell[0] in "<≤":
        value = _value(key, cell[1:].strip(), unit, table, notes)
        notes.append(f"'{cell}' was read as half of it (below detection; common practice)")
        return value / 2
    number, own = read_number(cell, table.comma)
    written = own or unit
    if number < 0 and key != "index":
        raise Complaint(f"{number:g} is below zero", "correct it")
    return _READERS.get(key, _mass)(number, written)


def _mass(number: float, unit: str) -> float:
    return number * _factor(unit, _MASS, "mg/kg or %")


def _factor(unit: str, table: Mapping[str, float], wanted: str) -> float:
    bare = squeeze_unit(unit)
    if bare not in table:
        if not bare:
            raise Complaint("no unit is given", f"write it in the header: {wanted}")
        raise Complaint(f"the unit '{unit}' does not fit here", f"use {wanted}")
    return table[bare]


def _distance(number: float, unit: str) -> float:
    if not unit:
        raise Complaint("no unit is given", "write km or mi in the header")
    return parse_quantity(f"{number!r} {unit}", "distance")


def _hours(number: float, unit: str) -> float:
    return parse_quantity(f"{number!r} {unit or 'h'}", "time")


def _viscosity(key: str) -> Callable[[float, str], float]:
    def read(number: float, unit: str) -> float:
        value = parse_quantity(f"{number!r} {unit or 'mm2/s'}", "viscosity")
        low, high = _INTERVALS[key]
        if not low <= value <= high:
            raise Complaint(
                f"{number:g} {unit or 'mm²/s'} is beyond any working fluid",
                "check the unit and the decimal sign",
            )
        return value

    return read


_READERS: dict[str, Callable[[float, str], float]] = {
    "distance": _distance,
    "hours": _hours,
    "viscosity_40": _viscosity("viscosity_40"),
    "viscosity_100": _viscosity("viscosity_100"),
    "index": lambda number, unit: number * _factor(unit, {"": 1.0}, "no unit"),
    "water": lambda number, unit: number * _factor(unit, WATER_UNITS, "% or ppm"),
    "acid": lambda number, unit: number * _factor(unit, _ACID, "mg KOH/g"),
    "count_4": lambda number, unit: number * _factor(unit, _COUNT, "per mL"),
    "count_6": lambda number, unit: number * _factor(unit, _COUNT, "per mL"),
    "count_14": lambda number, unit: number * _factor(unit, _COUNT, "per mL"),
}


def _mark_known(
    lines: Sequence[Line],
    known: Mapping[tuple[str, str], Sequence[Report]],
    faults: list[Fault],
) -> list[Line]:
    """Mark reports that the yard has; the same sample twice within a file is a fault."""
    there = {(squeeze(m), squeeze(s)): [_mark(r) for r in r_s] for (m, s), r_s in known.items()}
    first: dict[tuple[str, str, Any], int] = {}
    out = []
    for line in lines:
        owner = (squeeze(line.machine), squeeze(line.system))
        mark = _mark(line.report)
        if (*owner, mark) in first:
            what = f"the same sample is on line {first[(*owner, mark)]}"
            faults.append(Fault(line.number, "", what, "leave one of them out"))
            continue
        first[(*owner, mark)] = line.number
        out.append(replace(line, known=mark in there.get(owner, [])))
    return out


def _mark(report: Report) -> Any:
    if report.sample:
        return squeeze(report.sample)
    return (
        seconds(report.when),
        report.viscosity_40,
        report.viscosity_100,
        tuple(sorted(report.elements.items())),
    )
