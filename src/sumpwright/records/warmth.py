"""The logged temperatures of a machine's fluids, as histograms."""

from __future__ import annotations

from collections.abc import Sequence

from sumpwright.display import Display
from sumpwright.planning.use import Histogram
from sumpwright.planning.warmth import gather
from sumpwright.records.told import Entry, ToldTemperatures


def histogram_of(told: ToldTemperatures) -> Histogram:
    """Return what was told as planning takes it."""
    return Histogram(tuple(told.edges), tuple(told.durations))


def by_system(
    logs: Sequence[Entry[ToldTemperatures]], display: Display | None = None
) -> dict[str, Histogram]:
    """Add up the logs of each wet system, of drives and of jobs, in round bands."""
    names = dict.fromkeys(entry.told.system for entry in logs)
    found = {
        name: gather([histogram_of(e.told) for e in logs if e.told.system == name], display)
        for name in names
    }
    return {name: histogram for name, histogram in found.items() if histogram is not None}


def by_drive(logs: Sequence[Entry[ToldTemperatures]]) -> dict[str, Histogram]:
    """Return the first log of each drive, by the drive's id."""
    found: dict[str, Histogram] = {}
    for entry in logs:
        if entry.told.drive and sum(entry.told.durations) > 0:
            found.setdefault(entry.told.drive, histogram_of(entry.told))
    return found
