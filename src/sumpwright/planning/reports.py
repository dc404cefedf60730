"""Used-oil reports as planning knows them, and what is wrong with one at first sight."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

from sumpwright.errors import Complaint
from sumpwright.physics.viscosity import iso_grade, viscosity_index
from sumpwright.planning.cleanliness import Code, code_of, read_code
from sumpwright.planning.clock import DAY, Moment, seconds
from sumpwright.planning.machine import Fluid
from sumpwright.planning.said import Said, said

WEAR_METALS = ("Fe", "Cu", "Pb", "Sn", "Al", "Cr", "Ni", "Mn", "Ag", "Ti", "V", "Cd", "Sb")
DIRT = ("Si", "Na", "K", "Li")
ADDITIVES = ("Ca", "Mg", "Zn", "P", "B", "Mo", "Ba", "S")
ELEMENTS: dict[str, str] = {
    "Fe": "iron", "Cu": "copper", "Pb": "lead", "Sn": "tin", "Al": "aluminium",
    "Cr": "chromium", "Ni": "nickel", "Mn": "manganese", "Ag": "silver", "Ti": "titanium",
    "V": "vanadium", "Cd": "cadmium", "Sb": "antimony", "Si": "silicon", "Na": "sodium",
    "K": "potassium", "Li": "lithium", "Ca": "calcium", "Mg": "magnesium", "Zn": "zinc",
    "P": "phosphorus", "B": "boron", "Mo": "molybdenum", "Ba": "barium", "S": "sulphur",
}  # fmt: skip
"""Elements that a report may give, by symbol."""

WRONG_FLUID = {"viscosity_40": 1.6, "viscosity_100": 1.4}
"""Ratio of viscosities beyond which a report is taken for another fluid's: more than one
ISO 3448 grade off (a step of about 1.5 at 40 °C, less at 100 °C); common practice, no source."""
INDEX_SLACK = 5.0
"""Points by which a reported index may leave the computed one beyond what viscosities
read to one part in a hundred explain; common practice, no source."""
VISCOSITY_ERROR = 0.01


@dataclass(frozen=True)
class Report:
    """A laboratory report on a sample of the fluid.

    Parameters
    ----------
    when : date, datetime or float
        When the sample was taken.
    distance, hours : float, optional
        Totals of the machine, m and s.
    sample : str
        The laboratory's number.
    fluid : str
        What the report says it is.
    elements : mapping of symbol to float
        mg/kg.
    viscosity_40, viscosity_100 : float, optional
        Kinematic, m²/s.
    index : float, optional
        Viscosity index.
    water : float, optional
        Share by mass.
    acid : float, optional
        Acid number, mg KOH per g.
    particles : str
        Cleanliness code.
    counts : tuple of 3 floats, optional
        Particles per millilitre of at least 4, 6 and 14 µm(c).
    sure : bool
        Whether the user confirmed that it is about this system's fluid.
    """

    when: Moment
    distance: float | None = None
    hours: float | None = None
    sample: str = ""
    fluid: str = ""
    elements: Mapping[str, float] = field(default_factory=dict)
    viscosity_40: float | None = None
    viscosity_100: float | None = None
    index: float | None = None
    water: float | None = None
    acid: float | None = None
    particles: str = ""
    counts: tuple[float, float, float] | None = None
    sure: bool = False

    def value(self, name: str) -> float | None:
        """Value of a property or of an element, by name."""
        if name in ("viscosity_40", "viscosity_100", "index", "water", "acid"):
            found: float | None = getattr(self, name)
            return found
        return self.elements.get(name)


NAMES: dict[str, str] = {
    "viscosity_40": "viscosity at 40 °C",
    "viscosity_100": "viscosity at 100 °C",
    "index": "viscosity index",
    "water": "water",
    "acid": "acid number",
    **ELEMENTS,
}
KINDS: dict[str, str] = {
    "viscosity_40": "viscosity",
    "viscosity_100": "viscosity",
    "index": "number",
    "water": "content",
    "acid": "acid",
}
Level = Literal["note", "caution", "act", "kept out"]


@dataclass(frozen=True)
class Finding:
    """Something to say about a report; ``index`` is its place in what was given.

    ``slip`` when it speaks of the report and not of the fluid: a number that was written
    down wrong asks for no look at the machine.
    """

    level: Level
    name: str
    index: int
    says: Said
    slip: bool = False


def screen(
    reports: Sequence[Report], fluids: Sequence[Fluid], now: Moment
) -> tuple[list[tuple[int, Report]], list[Finding]]:
    """Part the reports that can be used from those that must be kept out.

    Parameters
    ----------
    reports : sequence of Report
    fluids : sequence of Fluid
        Every fluid that is, or may be, in the system.
    now : date, datetime or float

    Returns
    -------
    used : list of (int, Report)
        With their places, by time.
    findings : list of Finding
        Level ``kept out`` for each report that takes no part; other remarks.

    Examples
    --------
    >>> from datetime import date
    >>> thin = Fluid("Cable Green 7", viscosity_40=29.6e-6)
    >>> used, found = screen([Report(date(2025, 3, 1), viscosity_40=68e-6)], [thin],
    ...                      date(2025, 4, 1))
    >>> len(used), found[0].level, found[0].name
    (0, 'kept out', 'wrong fluid')
    """
    used: list[tuple[int, Report]] = []
    findings: list[Finding] = []
    seen: list[Report] = []
    for index, report in enumerate(reports):
        found = _faults(index, report, seen, now)
        if not any(f.level == "kept out" for f in found):
            report, exchanged = _put_aside_exchanged(index, report)
            found += exchanged + _fluid_faults(index, report, fluids)
        findings += found
        if not any(f.level == "kept out" for f in found):
            used.append((index, report))
            seen.append(report)
    used.sort(key=lambda pair: seconds(pair[1].when))
    for index, report in used:
        findings += _index_faults(index, report)
        findings += _particle_faults(index, report)
    return used, findings


def _faults(index: int, report: Report, seen: Sequence[Report], now: Moment) -> list[Finding]:
    moment = seconds(report.when)
    out: list[Finding] = []
    if moment >= seconds(now) + DAY:
        text = "the sample of {day:date} lies in the future; correct its date"
        out.append(Finding("kept out", "date", index, said(text, day=moment)))
    for other in seen:
        same_number = bool(report.sample) and report.sample == other.sample
        if same_number or (seconds(other.when) == moment and _same(report, other)):
            text = "the sample of {day:date} is there already; it is used once"
            out.append(Finding("kept out", "duplicate", index, said(text, day=moment)))
            break
    for name in (*KINDS, *report.elements):
        value = report.value(name)
        if value is None:
            continue
        least = -math.inf if name == "index" else 0.0
        if not math.isfinite(value) or value < least or (name == "water" and value > 1):
            text = f"the {NAMES.get(name, name)} of {{day:date}} cannot be; correct it"
            out.append(Finding("kept out", name, index, said(text, day=moment)))
    return out


def _same(a: Report, b: Report) -> bool:
    return all(a.value(n) == b.value(n) for n in (*KINDS, *ELEMENTS))


def _put_aside_exchanged(index: int, report: Report) -> tuple[Report, list[Finding]]:
    """Leave two viscosities out that stand in each other's place: oil is thinner when hot."""
    cold, hot = report.viscosity_40, report.viscosity_100
    if cold is None or hot is None or hot < cold:
        return report, []
    text = (
        "the sample of {day:date} has {hot:viscosity} at 100 °C and {cold:viscosity} at "
        "40 °C: the two are probably exchanged; neither is used until that is corrected"
    )
    says = said(text, day=seconds(report.when), hot=hot, cold=cold)
    bare = replace(report, viscosity_40=None, viscosity_100=None)
    return bare, [Finding("caution", "viscosity_40", index, says, slip=True)]


def _fluid_faults(index: int, report: Report, fluids: Sequence[Fluid]) -> list[Finding]:
    """Say when the name, or the viscosity, speaks for another fluid.

    Such a report is kept out, unless the user confirmed that it is about this one.
    """
    moment = seconds(report.when)
    level: Level = "caution" if report.sure else "kept out"
    if report.fluid and fluids and not any(same_fluid(report.fluid, f.name) for f in fluids):
        text = "the report of {day:date} names {named:text}; this system holds {held:text}" + (
            ": used, as it was confirmed"
            if report.sure
            else "; confirm the report if it is the same fluid by another name, or correct it"
        )
        held = ", ".join(f.name for f in fluids)
        says = said(text, day=moment, named=report.fluid, held=held)
        named = Finding(level, "wrong fluid", index, says, slip=True)
        if not report.sure:
            return [named]
        return [named, *_viscosity_faults(index, report, fluids, level)]
    return _viscosity_faults(index, report, fluids, level)


def _viscosity_faults(
    index: int, report: Report, fluids: Sequence[Fluid], level: Level
) -> list[Finding]:
    moment = seconds(report.when)
    off: list[tuple[str, float, float]] = []
    measured = 0
    for name in ("viscosity_40", "viscosity_100"):
        value = report.value(name)
        new = [v for f in fluids if (v := getattr(f, name)) is not None]
        if value is None or not new or value <= 0:
            continue
        measured += 1
        ratio = WRONG_FLUID[name]
        if value > max(new) * ratio or value < min(new) / ratio:
            nearest = min(new, key=lambda v: abs(math.log(value / v)))
            off.append((name, value, nearest))
    if off and len(off) == measured:
        name, value, new_value = off[0]
        grade = _grade_words(report.viscosity_40)
        text = (
            f"the sample of {{day:date}} has a {NAMES[name]} of {{value:viscosity}}{grade}, new "
            "fluid has {new:viscosity}: this looks like a report on another fluid; check the "
            "sample, or what was filled in"
        ) + ("" if not report.sure else " (used, as it was confirmed)")
        says = said(text, day=moment, value=value, new=new_value)
        return [Finding(level, "wrong fluid", index, says)]
    out = []
    for name, value, new_value in off:
        text = (
            f"the {NAMES[name]} of {{day:date}}, {{value:viscosity}}, is far from the "
            "{new:viscosity} of new fluid while the other viscosity is not: check both"
        )
        says = said(text, day=moment, value=value, new=new_value)
        out.append(Finding("caution", name, index, says, slip=True))
    return out


def same_fluid(one: str, other: str) -> bool:
    """Whether two names may be of one fluid: alike but for spaces, signs and added words.

    Examples
    --------
    >>> same_fluid("cable-green7", "Cable Green 7"), same_fluid("Cable Green 7, new", "green 7")
    (True, True)
    >>> same_fluid("Cable Green 7", "Cable Green 75"), same_fluid("Gold", "Green")
    (False, False)
    """
    a, b = ("".join(_words(name)) for name in (one, other))
    if not a or not b or a == b:
        return True
    first, second = set(_words(one)), set(_words(other))
    return first <= second or second <= first


def _words(name: str) -> list[str]:
    return re.findall(r"[^\W\d_]+|\d+", name.casefold())


def _grade_words(viscosity_40: float | None) -> str:
    if viscosity_40 is None or viscosity_40 <= 0:
        return ""
    grade = iso_grade(viscosity_40)
    return f" (ISO VG {grade})" if grade is not None else ""


def computed_index(report: Report) -> float | None:
    """Index that the two viscosities give by D2270; ``None`` where it is not defined."""
    if report.viscosity_40 is None or report.viscosity_100 is None:
        return None
    try:
        return float(viscosity_index(report.viscosity_40, report.viscosity_100))
    except ValueError:
        return None


def _index_faults(index: int, report: Report) -> list[Finding]:
    cold, hot = report.viscosity_40, report.viscosity_100
    moment = seconds(report.when)
    if cold is None or hot is None:
        return []
    computed = computed_index(report)
    if computed is None or report.index is None:
        return []
    near = viscosity_index(
        [cold * (1 + VISCOSITY_ERROR), cold], [hot, max(hot * (1 - VISCOSITY_ERROR), 2e-6)]
    )
    slack = INDEX_SLACK + float(abs(near - computed).max())
    if abs(report.index - computed) <= slack:
        return []
    text = (
        "the sample of {day:date} reports a viscosity index of {given:number}, but its "
        "viscosities give {found:number}: one of the three is wrong"
    )
    says = said(text, day=moment, given=report.index, found=round(computed))
    return [Finding("caution", "index", index, says, slip=True)]


def code_in(report: Report) -> Code | None:
    """Cleanliness code of a report, written or from its counts; ``None`` without either.

    Raises
    ------
    Complaint
        A code or counts that cannot be.
    """
    if report.particles:
        return read_code(report.particles)
    return code_of(report.counts) if report.counts is not None else None


def _particle_faults(index: int, report: Report) -> list[Finding]:
    moment = seconds(report.when)
    try:
        written = code_in(report)
        counted = code_of(report.counts) if report.counts is not None else None
    except Complaint as complaint:
        says = said("the sample of {day:date}: {what:text}", day=moment, what=str(complaint))
        return [Finding("caution", "particles", index, says, slip=True)]
    if written is None or counted is None:
        return []
    pairs = zip(written.scales, counted.scales, strict=True)
    if all(a.number is None or a.number == b.number for a, b in pairs):
        return []
    text = (
        "the sample of {day:date} reports the cleanliness code {given:text}, but its counts "
        "give {found:text}"
    )
    says = said(text, day=moment, given=str(written), found=str(counted))
    return [Finding("caution", "particles", index, says, slip=True)]
