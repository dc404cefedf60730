"""What is due on a machine and why, its fluid by age, policies, reports and costs in words."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

from sumpwright.planning.clock import day, seconds
from sumpwright.planning.due import MEASURE_OF, LimitDue
from sumpwright.planning.reports import WEAR_METALS, Report
from sumpwright.planning.said import show as written
from sumpwright.records.ages import Ages, ages_of, mean_age, shares_by_class
from sumpwright.records.due import MachineDue, SystemDue, machine_due, report_of
from sumpwright.records.report_checks import WRONG_FLUID
from sumpwright.web.views.outlook import Plot, plot, sentence
from sumpwright.web.views.show import Show
from sumpwright.web.views.yard import DueLine, due_line

if TYPE_CHECKING:
    from sumpwright.planning.due import DueItem
    from sumpwright.records.store import Store

LIMIT_WORDS = {
    "distance": "distance",
    "date": "time",
    "hours": "running hours",
    "thermal": "thermal age",
    "condition": "condition",
}
BARS_SHOWN = 6
TRENDS = 6


@dataclass(frozen=True)
class LimitRow:
    """One limit beside the others."""

    limit: str
    clock: str
    dates: str
    band: str
    why: str
    first: bool


@dataclass(frozen=True)
class DueView:
    """One thing to do, every reason for it and every limit."""

    line: DueLine
    service: str
    reasons: tuple[str, ...]
    limits: tuple[LimitRow, ...]


@dataclass(frozen=True)
class BarView:
    """One bar of the fluid by age: pieces as (class, start, width) in percent, and in words."""

    when: str
    what: str
    mean: str
    pieces: tuple[tuple[int, float, float], ...]
    words: str


@dataclass(frozen=True)
class WhenView:
    """What the books say of one wet system."""

    place: int
    items: tuple[DueView, ...]
    bars: tuple[BarView, ...]
    legend: tuple[str, ...]
    did_on: str
    did: tuple[str, ...]
    habit: str
    notes: tuple[str, ...]
    at_least: bool


def when_views(store: Store, machine: str, show: Show, now: date) -> list[WhenView]:
    """Return what the books say of each wet system of a machine."""
    found = machine_due(store, machine, now)
    return [
        _system(system, found, place, show, now)
        for place, system in enumerate(found.systems, start=1)
    ]


def _system(system: SystemDue, found: MachineDue, place: int, show: Show, now: date) -> WhenView:
    ages = ages_of(system, found.use.service.kind, now)
    items = tuple(_item(item, show, now) for item in system.items)
    if ages is None:
        notes = tuple(f"{show.say(note)}." for note in system.book.notes)
        return WhenView(place, items, (), (), "", (), "", notes, False)
    edges = [written(edge, ages.measure, show.display) for edge in ages.edges]
    legend = (*(f"under {edge}" for edge in edges), f"{edges[-1]} and more")
    bars = _bars(ages, legend, show)
    return WhenView(
        place,
        items,
        tuple(reversed(bars[-BARS_SHOWN:])),
        tuple(show.text(word) for word in legend),
        "" if ages.did_on is None else _day(ages.did_on),
        tuple(show.say(line) for line in ages.did),
        "" if ages.habit is None else show.say(ages.habit),
        () if ages.by is None else (sentence(show.say(ages.by)),),
        ages.book.at_least,
    )


def _item(item: DueItem, show: Show, now: date) -> DueView:
    return DueView(
        due_line(item, show, now),
        item.service,
        tuple(show.say(reason) for reason in item.reasons),
        tuple(_limit(row, row.kind == item.limit, show) for row in item.limits),
    )


def _limit(row: LimitDue, first: bool, show: Show) -> LimitRow:
    clock = ""
    if row.kind != "condition" and not math.isnan(row.limit):
        measure = MEASURE_OF[row.kind]
        age = "unknown" if math.isnan(row.age) else written(row.age, measure, show.display)
        clock = f"{age} of {written(row.limit, measure, show.display)}"
    likely, early, late = (_day(moment) for moment in (row.likely, row.early, row.late))
    dates, band = likely or "not in sight", ""
    if likely and (early, late) != (likely, likely):
        band = f"{early or 'now'} to {late or 'later'}"
    if not row.known:
        dates = "cannot be told yet"
    return LimitRow(LIMIT_WORDS[row.kind], show.text(clock), dates, band, show.say(row.why), first)


def _day(moment: float) -> str:
    when = day(moment)
    return "" if when is None else when.isoformat()


def _bars(ages: Ages, legend: Sequence[str], show: Show) -> list[BarView]:
    out = []
    for place, group in enumerate(ages.groups):
        step = ages.book.steps[place] if place < len(ages.book.steps) else None
        pieces, words, start = [], [], 0.0
        for k, share in enumerate(shares_by_class(group, ages.edges)):
            if share > 0:
                pieces.append((k, round(100 * start, 3), round(100 * share, 3)))
                words.append(f"{show.share(share)} {legend[k]}")
            start += share
        mean = mean_age(group)
        more = " or more" if any(bar.at_least for bar in group) else ""
        out.append(
            BarView(
                _day(group[0].moment),
                "now" if step is None else f"after: {step.happening.what}",
                "not known"
                if math.isnan(mean)
                else show.text(written(mean, ages.measure, show.display)) + more,
                tuple(pieces),
                show.text(", ".join(words)),
            )
        )
    return out


@dataclass(frozen=True)
class ReportRow:
    """One report of a laboratory."""

    id: str
    day: str
    cells: tuple[str, ...]
    kept_out: bool
    confirmable: bool


@dataclass(frozen=True)
class LaboratoryView:
    """The reports on one wet system, what they say, and the wear between them."""

    system: str
    heads: tuple[str, ...]
    rows: tuple[ReportRow, ...]
    findings: tuple[tuple[str, str], ...]
    wear: tuple[tuple[str, str, str, str], ...]
    trend: Plot | None


def laboratory_views(found: MachineDue, show: Show) -> list[LaboratoryView]:
    """Return the laboratory's reports on each system of a machine."""
    return [_laboratory(system, show) for system in found.systems]


def _laboratory(system: SystemDue, show: Show) -> LaboratoryView:
    from sumpwright.planning.reports import ELEMENTS

    reports = [report_of(entry, system.meters) for entry in system.reports]
    out = {finding.index for finding in system.assessment.kept_out}
    foreign = {f.index for f in system.assessment.kept_out if f.name == WRONG_FLUID}
    used = [symbol for symbol in ELEMENTS if any(symbol in r.elements for r in reports)]
    rows = []
    for place, (entry, report) in enumerate(zip(system.reports, reports, strict=True)):
        cells = [
            "" if report.distance is None else show.distance(report.distance),
            "" if report.hours is None else show.hours(report.hours),
            "" if report.viscosity_40 is None else show.viscosity(report.viscosity_40),
            "" if report.viscosity_100 is None else show.viscosity(report.viscosity_100),
            "" if report.water is None else show.content(report.water),
            "" if report.acid is None else show.number(report.acid),
            report.particles,
            *(show.number(report.elements[s]) if s in report.elements else "" for s in used),
        ]
        rows.append((entry, cells, place))
    heads = ("odometer", "hours", "40 °C", "100 °C", "water", "acid", "particles", *used)
    filled = [k for k in range(len(heads)) if any(cells[k] for _, cells, _ in rows)]
    wear = []
    for element, seen in {row.element: row for row in system.assessment.wear}.items():
        by_distance = seen.second.distance == seen.second.distance
        kind = "wear_distance" if by_distance else "wear_hours"
        wear.append(
            (
                element,
                _day(seen.second.time),
                show.text(written(seen.wear.per_unit, kind, show.display)),
                show.text(written(seen.wear.uncorrected, kind, show.display)),
            )
        )
    return LaboratoryView(
        system.system.name,
        tuple(heads[k] for k in filled),
        tuple(
            ReportRow(
                entry.id,
                show.day(entry.at),
                tuple(cells[k] for k in filled),
                place in out,
                place in foreign,
            )
            for entry, cells, place in rows
        ),
        tuple((f.level, show.say(f.says)) for f in system.assessment.findings),
        tuple(wear),
        _trend(
            system.system.name, [r for place, r in enumerate(reports) if place not in out], show
        ),
    )


def _trend(system: str, reports: Sequence[Report], show: Show) -> Plot | None:
    """Return the wear metals of several reports over time, those that there is most of."""
    lines: dict[str, list[tuple[float, float]]] = {}
    for report in reports:
        for symbol in report.elements.keys() & set(WEAR_METALS):
            lines.setdefault(symbol, []).append((seconds(report.when), report.elements[symbol]))
    series = [(symbol, sorted(points)) for symbol, points in lines.items() if len(points) > 1]
    series.sort(key=lambda line: -max(value for _, value in line[1]))
    series = series[:TRENDS]
    top = 1.1 * max((value for _, points in series for _, value in points), default=0.0)
    if top <= 0:
        return None
    times = [moment for _, points in series for moment, _ in points]
    first, last = min(times), max(times)
    said = "; ".join(
        f"{symbol} {show.number(points[0][1])} to {show.number(points[-1][1])} mg/kg"
        for symbol, points in series
    )
    return plot(
        series,
        [(first, _day(first)), (last, _day(last))],
        [(part * top, f"{show.number(part * top, 0)} mg/kg") for part in (0.0, 0.5, 1.0)],
        "day of the sample",
        f"Wear metals of the {system} from {_day(first)} to {_day(last)}: {said}. "
        "The table holds the same numbers.",
    )


def read_report(typed: Mapping[str, str], show: Show) -> tuple[dict[str, Any], str, Any]:
    """Read the form of a report: its values in SI, a remark on them, and what is wrong with it."""
    from sumpwright.errors import Complaint
    from sumpwright.planning.cleanliness import read_code
    from sumpwright.records.entering import check_report, read_elements
    from sumpwright.records.water import read_water
    from sumpwright.web.views.typed import Reader

    reader, remark = Reader(typed, show), ""
    values: dict[str, Any] = {
        "odometer": reader.value("odometer", "Odometer", "distance"),
        "hours": reader.value("hours", "Running hours", "time"),
        "sample": reader.text("sample", "Number of the sample"),
        "fluid": reader.text("fluid", "Fluid, as the report calls it"),
        "viscosity_40": reader.value("v40", "Viscosity at 40 °C", "viscosity"),
        "viscosity_100": reader.value("v100", "Viscosity at 100 °C", "viscosity"),
        "index": reader.amount("index", "Viscosity index"),
        "water": None,
        "acid": reader.amount("acid", "Acid number"),
        "elements": {},
        "particles": "",
        "of_new": bool(reader.raw("of_new")),
    }
    if reader.raw("water"):
        reader.labels["water"] = "Water"
        try:
            values["water"], remark = read_water(reader.raw("water"), "%")
        except Complaint as complaint:
            reader.wrong("water", "Water", complaint.what, complaint.do)
    try:
        pairs = reader.raw("elements").replace(";", " ").split()
        values["elements"] = read_elements(pairs)
        if reader.raw("particles"):
            values["particles"] = str(read_code(reader.raw("particles")))
        check_report(values)
    except Complaint as complaint:
        field = complaint.field or "particles"
        label = {"elements": "Elements"}.get(field, "Cleanliness code")
        reader.labels[field] = label
        reader.wrong(field, label, complaint.what, complaint.do)
    return values, remark, reader.complaints()
