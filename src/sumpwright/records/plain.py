"""What the books say as plain data, the same for the shell and for programs.

Volumes in keys that end in ``_l`` are litres; everything else is SI.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

from sumpwright.planning.clock import day
from sumpwright.records.ages import ages_of, mean_age
from sumpwright.records.due import report_of

if TYPE_CHECKING:
    from datetime import date

    from sumpwright.display import Display
    from sumpwright.planning.paces import Pace
    from sumpwright.planning.reports import Report
    from sumpwright.records.due import MachineDue, SystemDue
    from sumpwright.records.policies import Outlook
    from sumpwright.records.spending import Costs, YearNeed
    from sumpwright.records.taking import Taking
    from sumpwright.records.told import Entry


def entry_plain(entry: Entry[Any], machine: str) -> dict[str, Any]:
    """Return something told as plain data, SI."""
    return {
        "id": entry.id,
        "machine": machine,
        "kind": entry.told.kind,
        "at": entry.at.isoformat(),
        "by": entry.by,
        "note": entry.note,
        **entry.told.model_dump(mode="json"),
        "withdrawn": None if entry.withdrawn_at is None else entry.withdrawn_at.isoformat(),
    }


def history_plain(
    found: MachineDue, systems: Iterable[SystemDue], show: Display, now: date
) -> dict[str, Any]:
    """Return the fluid of a machine by age, through all that was done to it."""
    return {
        "machine": found.past.machine.name,
        "systems": [_ages(each, found, show, now) for each in systems],
    }


def _ages(system: SystemDue, found: MachineDue, show: Display, now: date) -> dict[str, Any]:
    def finite(value: float) -> float | None:
        return None if math.isnan(value) else value

    ages = ages_of(system, found.use.service.kind, now)
    data: dict[str, Any] = {"system": system.system.name, "steps": []}
    if ages is None:
        return {**data, "notes": [note.say(show) for note in system.book.notes]}
    for place, group in enumerate(ages.groups):
        step = ages.book.steps[place] if place < len(ages.book.steps) else None
        origin = system.book.origins[place] if step is not None else None
        data["steps"].append(
            {
                "at": _iso(group[0].moment),
                "what": "now" if step is None else step.happening.what,
                "from": None if origin is None else {origin.source: origin.id},
                "fresh": None if step is None else step.share,
                "fresh_low": None if origin is None else origin.low,
                "fresh_high": None if origin is None else origin.high,
                "mean_age": finite(mean_age(group)),
                "at_least": any(b.at_least for b in group),
                "fluid": [
                    {"share": b.share, "born": _iso(b.born), "age": finite(b.age), "name": b.fluid}
                    for b in group
                ],
            }
        )
    return {
        **data,
        "measure": ages.measure,
        "unit": "m" if ages.measure == "distance" else "s",
        "limit": ages.limit,
        "by": None if ages.by is None else ages.by.say(show),
        "did": [line.say(show) for line in ages.did],
        "as_last_time": None if ages.habit is None else ages.habit.say(show),
    }


def _iso(moment: float) -> str | None:
    when = day(moment)
    return None if when is None else when.isoformat()


def policy_plain(found: Outlook, show: Display) -> dict[str, Any]:
    """Return intervals and methods compared in the long run."""

    def plain(row: dict[str, Any]) -> dict[str, Any]:
        shown = {key: None if value != value else value for key, value in row.items()}
        return {**shown, "breaks": [found.limits.index(pace) for pace in row["breaks"]]}

    habit = found.habit
    return {
        "machine": found.machine,
        "system": found.system,
        "measure": found.measure,
        "unit": "m" if found.measure == "distance" else "s",
        "limit": found.limit,
        "tail": found.table.tail,
        "per_year": found.per_year,
        "priced": found.priced,
        "as_last_time": None if habit is None else habit.says.say(show),
        "cheapest": None if found.cheapest is None else plain(found.cheapest),
        "rows": [plain(row) for row in found.rows],
        "limits": [_pace(pace) for pace in found.limits],
        "notes": [note.say(show) for note in found.notes],
    }


def _pace(pace: Pace) -> dict[str, Any]:
    """Return a limit beside the use of the machine."""

    def finite(value: float) -> float | None:
        return value if math.isfinite(value) else None

    return {
        "measure": pace.measure,
        "interval": finite(pace.limit),
        "tail": pace.tail,
        "use": finite(pace.per_year),
        "years": finite(pace.years),
        "checked": pace.known,
    }


def costs_plain(found: Costs, need: YearNeed | None) -> dict[str, Any]:
    """Return what machines have cost, and with ``need`` next year's fluid."""

    def litres(volume: float) -> float:
        return round(volume * 1e3, 6)

    data: dict[str, Any] = {
        "machines": [
            {
                "machine": row.machine,
                "year": row.year,
                "fluid": round(row.fluid, 2),
                "other": round(row.other, 2),
                "volume_l": litres(row.volume),
                "unpriced_l": litres(found.unpriced.get((row.machine, row.year), 0.0)),
            }
            for row in found.by_machine
        ],
        "totals": [
            {
                "machine": row.machine,
                "fluid": round(row.fluid, 2),
                "other": round(row.other, 2),
                "total": round(row.total, 2),
                "volume_l": litres(row.volume),
            }
            for row in found.totals
        ],
        "prices": [
            {
                "fluid": p.fluid,
                "paid": p.paid,
                "size_l": None if p.paid else litres(p.size),
                "latest_per_l": p.latest / 1e3,
                "lowest_per_l": p.lowest / 1e3,
                "highest_per_l": p.highest / 1e3,
                "change_per_year": None if p.change != p.change else p.change,
            }
            for p in found.prices
        ],
    }
    if need is not None:
        data["next_year"] = {
            "needs": [
                {
                    "fluid": n.fluid,
                    "low_l": litres(n.low),
                    "likely_l": litres(n.likely),
                    "high_l": litres(n.high),
                    "spare": need.spare.get(n.fluid, 0.0),
                    "bought_l": litres(need.basket.volume(n.fluid)),
                    "machines": list(n.machines),
                }
                for n in need.needs
            ],
            "basket": [
                {
                    "fluid": line.offer.fluid,
                    "seller": line.offer.seller,
                    "size_l": litres(line.offer.size),
                    "count": line.count,
                    "sum": round(line.price, 2),
                }
                for line in need.basket.lines
            ],
            "carriage": round(need.basket.carriage, 2),
            "total": round(need.basket.total, 2),
            "missing": list(need.basket.missing),
            "assumed": [list(pair) for pair in need.assumed],
            "unnamed": [list(pair) for pair in need.unnamed],
        }
    return data


def taking_plain(seen: Taking, kept: int) -> dict[str, Any]:
    """Return what a table holds, and how many rows of it were kept."""
    return {
        "sort": seen.sort,
        "kept": kept,
        "new": len(seen.new),
        "known": len(seen.rows) - len(seen.new),
        "rows": [
            {
                "line": row.line,
                "machine": row.machine,
                "system": row.system or None,
                "what": row.what,
                "known": row.known,
            }
            for row in seen.rows
        ],
        "faults": [
            {"line": f.line, "column": f.column or None, "what": f.what, "do": f.do}
            for f in seen.faults
        ],
        "doubts": [{"line": f.line, "what": f.what, "do": f.do} for f in seen.doubts],
        "notes": list(seen.notes),
    }


def report_rows(system: SystemDue) -> list[tuple[str, Report, str]]:
    """Return each report with its id and whether it takes part."""
    out = {finding.index for finding in system.assessment.kept_out}
    return [
        (entry.id, report_of(entry, system.meters), "kept out" if place in out else "")
        for place, entry in enumerate(system.reports)
    ]


def reports_plain(found: MachineDue, systems: Iterable[SystemDue], show: Display) -> dict[str, Any]:
    """Return the laboratory's reports on a machine, and what they say."""
    return {
        "machine": found.past.machine.name,
        "systems": [_reports(each, show) for each in systems],
    }


def _reports(system: SystemDue, show: Display) -> dict[str, Any]:
    seen = system.assessment
    return {
        "system": system.system.name,
        "reports": [
            {**entry_plain(entry, ""), "kept_out": bool(mark)}
            for entry, (_, _, mark) in zip(system.reports, report_rows(system), strict=True)
        ],
        "findings": [
            {
                "report": system.reports[f.index].id,
                "level": f.level,
                "name": f.name,
                "says": f.says.say(show),
            }
            for f in seen.findings
        ],
        "wear": [
            {
                "element": row.element,
                "per_unit": row.wear.per_unit,
                "uncorrected": row.wear.uncorrected,
                "use": row.wear.use,
            }
            for row in seen.wear
        ],
        "conditions": [
            {"action": c.action, "reasons": [r.say(show) for r in c.reasons]}
            for c in seen.conditions
        ],
    }
