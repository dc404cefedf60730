"""The rows of a file as a preview shows them: enough to see what would be kept."""

from __future__ import annotations

from typing import Any

from sumpwright.display import Display
from sumpwright.planning.ledger import Happening
from sumpwright.planning.machine import Sheet
from sumpwright.planning.reports import ELEMENTS, NAMES, Report
from sumpwright.planning.rules import limit_words
from sumpwright.planning.said import show as written

_VALUES_SHOWN = 4


def machine_words(sheet: Sheet, show: Display) -> str:
    """Say what a machine of a list would be: its systems, limits and meters."""
    parts = []
    for system in sheet.machine.systems:
        several = f"{system.name}: " if len(sheet.machine.systems) > 1 else ""
        words = [f"{several}{system.kind}", show.volume(system.capacity.mid), system.fluid]
        words += [limit_words(limit).say(show) for limit in system.limits]
        parts.append(", ".join(word for word in words if word))
    meters = (("odometer", sheet.machine.odometer), ("hours", sheet.machine.hours))
    parts += [meter_words(name, value, show) for name, value in meters if value is not None]
    return "; ".join(parts)


def meter_words(what: str, value: float, show: Display) -> str:
    """Say what a meter shows; hours to the tenth that their meter has, if it is not whole."""
    if what == "hours" and f"{value / 3600:.1f}"[-1] != "0":
        whole, tenths = f"{value / 3600:.1f}".split(".")
        return f"hours {written(int(whole) * 3600.0, 'hours', show).replace(' h', f'.{tenths} h')}"
    return f"{what} {written(value, 'distance' if what == 'odometer' else 'hours', show)}"


def service_words(happening: Happening, show: Display) -> str:
    """Say what a service of a list did, and when."""
    what: str = happening.what
    if happening.volume is not None:
        what += f" {show.volume(happening.volume)}"
    elif happening.share is not None:
        what += f" {show.share(happening.share)}"
    words = [what]
    if happening.times > 1:
        words.append(f"{happening.times} times")
    words.append(happening.fluid)
    return _with_meters(words, happening.when, happening.distance, happening.hours, show)


def _with_meters(
    words: list[str], when: Any, distance: float | None, hours: float | None, show: Display
) -> str:
    words = [*words, f"on {when.isoformat()}"]
    if distance is not None:
        words.append(meter_words("odometer", distance, show))
    if hours is not None:
        words.append(meter_words("hours", hours, show))
    return ", ".join(word for word in words if word).replace(", on ", " on ", 1)


def report_words(report: Report, show: Display) -> str:
    """Say whose a report is, of when, and its first values."""
    values = [f"{s} {report.elements[s]:g}" for s in ELEMENTS if s in report.elements]
    values += [
        f"{show.viscosity(value)} at {name.removeprefix('viscosity_')} °C"
        for name in ("viscosity_40", "viscosity_100")
        if (value := report.value(name)) is not None
    ]
    values += [NAMES[name] for name in ("index", "water", "acid") if report.value(name) is not None]
    more = f" and {len(values) - _VALUES_SHOWN} more" if len(values) > _VALUES_SHOWN else ""
    held = ", ".join(values[:_VALUES_SHOWN]) + more
    words = [" ".join(word for word in ("report", report.sample, report.fluid) if word)]
    return _with_meters(words, report.when, report.distance, report.hours, show) + (
        f": {held}" if held else ""
    )
