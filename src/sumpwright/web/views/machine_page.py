"""The page of a machine: its systems, what happened to it, what to look at."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from sumpwright.planning.clock import today
from sumpwright.planning.machine import Sheet
from sumpwright.planning.sanity import check_sheet
from sumpwright.records.books import Past, meters_of, past_of, readings_of
from sumpwright.records.logs import KeptJob
from sumpwright.records.machines import KeptMachine
from sumpwright.records.told import ToldDrive, ToldReport, ToldService
from sumpwright.web.errors import NotHere
from sumpwright.web.views.circuit import SystemView, system_view
from sumpwright.web.views.complaints import Complaints
from sumpwright.web.views.show import Show
from sumpwright.web.views.typed import Reader
from sumpwright.web.views.warmth import WarmthView, warmth_views
from sumpwright.web.views.when import WhenView, when_views
from sumpwright.worded import joined

if TYPE_CHECKING:
    from sumpwright.records.store import Store
    from sumpwright.web.views.remembered import Planner

SHOWN = 12
"""Entries of the history that are shown at first."""


@dataclass(frozen=True)
class Entry:
    """One thing that happened to a machine; ``told`` is its id where it can be taken back."""

    at: datetime
    what: str
    by: str = ""
    link: str = ""
    told: str = ""


@dataclass(frozen=True)
class MachinePage:
    """What the page of a machine shows."""

    machine: KeptMachine
    systems: tuple[SystemView, ...]
    open_jobs: tuple[KeptJob, ...]
    history: tuple[Entry, ...]
    more: int
    look_at: tuple[str, ...]
    odometer: str
    hours: str
    when: tuple[WhenView, ...]
    warmth: dict[str, WarmthView]


def machine_page(
    store: Store, planner: Planner, machine: KeptMachine, show: Show, *, whole: bool = False
) -> MachinePage:
    """Return the page of a machine.

    Parameters
    ----------
    store : Store
    planner : Planner
        Remembers the draws of each system.
    machine : KeptMachine
    show : Show
    whole : bool
        Whether to show all of the history.
    """
    jobs = store.jobs.all(machine=machine.id)
    history = _history(store, machine, jobs, show)
    past = past_of(store, machine.id)
    return MachinePage(
        machine=machine,
        systems=tuple(
            system_view(system, i, planner.draws, show)
            for i, system in enumerate(machine.sheet.machine.systems, start=1)
        ),
        open_jobs=tuple(job for job in jobs if job.open),
        history=tuple(history if whole else history[:SHOWN]),
        more=0 if whole else max(0, len(history) - SHOWN),
        look_at=look_at(machine.sheet),
        odometer=_last(past, "odometer", show),
        hours=_last(past, "hours", show),
        when=tuple(when_views(store, machine.id, show, today())),
        warmth=warmth_views(store, machine.id, show),
    )


def look_at(sheet: Sheet) -> tuple[str, ...]:
    """Return what is doubtful about a sheet."""
    return tuple(joined("; ", f.what, f.do) for f in check_sheet(sheet) if not f.fatal)


def _last(past: Past, what: str, show: Show) -> str:
    """Say what a meter showed last, whatever told it; what is kept out of its track is not it."""
    meters = meters_of(past, today())
    track = (meters.distance if what == "odometer" else meters.hours).track
    if track is None or not len(track):
        return ""
    value, moment = float(track.shown[-1]), float(track.times[-1])
    text = show.distance(value) if what == "odometer" else show.hours(value)
    seen = readings_of(past, "distance" if what == "odometer" else "hours")
    if all(each.source == "sheet" for each in seen):
        return f"{text} on the sheet"
    return f"{text} on {show.day(datetime.fromtimestamp(moment, UTC))}"


def _history(store: Store, machine: KeptMachine, jobs: list[KeptJob], show: Show) -> list[Entry]:
    entries = []
    for job in jobs:
        link = f"/jobs/{job.id}"
        if job.closed_at is not None:
            entries.append(Entry(job.closed_at, f"Job closed: {job.system}", "", link))
        entries.append(Entry(job.opened_at, f"Job opened: {job.system}", "", link))
    for reading in store.readings.of(machine.id):
        shown = (
            show.distance(reading.value)
            if reading.what == "odometer"
            else show.hours(reading.value)
        )
        note = f" ({reading.note})" if reading.note else ""
        what = "Odometer" if reading.what == "odometer" else "Running hours"
        entries.append(Entry(reading.at, f"{what} {shown}{note}", reading.by))
    entries += [
        Entry(done.at, _service(done.told, show), done.by, told=done.id)
        for done in store.told.of(machine.id, ToldService)
    ]
    entries += [
        Entry(drive.at, _drive(drive.told, show), drive.by, told=drive.id)
        for drive in store.told.of(machine.id, ToldDrive)
    ]
    entries += [
        Entry(
            report.at,
            f"Report of the laboratory: {report.told.system}",
            report.by,
            f"/machines/{machine.id}/laboratory",
        )
        for report in store.told.of(machine.id, ToldReport)
    ]
    for kept in store.machines.versions(machine.id):
        link = f"/machines/{machine.id}/versions/{kept.version}"
        entries.append(Entry(kept.at, f"Sheet, version {kept.version}", kept.by, link))
    return sorted(entries, key=lambda entry: entry.at, reverse=True)


def _service(told: ToldService, show: Show) -> str:
    done = f"{told.done[:1].upper()}{told.done[1:]}: {told.system}"
    return done if told.volume is None else f"{done}, {show.volume(told.volume)}"


def _drive(told: ToldDrive, show: Show) -> str:
    parts = [] if told.distance is None else [show.distance(told.distance)]
    parts += [] if told.duration is None else [show.duration(told.duration)]
    parts += [word for word, held in (("trailer", told.trailer), ("dust", told.dust)) if held]
    return f"Drive: {', '.join(parts)}"


def system_at(machine: KeptMachine, place: int) -> int:
    """Return the index of a system named by its place, from 1.

    Raises
    ------
    NotHere
        When the machine has no such system.
    """
    if not 1 <= place <= len(machine.sheet.machine.systems):
        raise NotHere(f"{machine.name} has no wet system number {place}", "go back to the machine")
    return place - 1


@dataclass(frozen=True)
class ReadReading:
    """A reading as typed: what, SI value, when."""

    what: str
    value: float
    at: datetime
    complaints: Complaints


def read_reading(typed: dict[str, str], show: Show, now: datetime) -> ReadReading:
    """Read the form of a reading."""
    reader = Reader(typed, show)
    what = "hours" if reader.raw("what") == "hours" else "odometer"
    label = "Running hours" if what == "hours" else "Odometer"
    value = reader.value("value", label, "time" if what == "hours" else "distance")
    if value is None and not reader.wrongs:
        reader.wrong("value", label, "is missing", "write what the meter shows")
    at = now
    if reader.raw("day"):
        try:
            at = datetime.fromisoformat(f"{reader.raw('day')}T12:00:00").astimezone()
        except ValueError:
            reader.wrong("day", "Day", "is not a day", "write e.g. 2026-03-31")
    if at > now and at.date() > now.astimezone(at.tzinfo).date():
        reader.wrong("day", "Day", "lies ahead", "give the day on which it was read")
    return ReadReading(what, value or 0.0, min(at, now), reader.complaints())
