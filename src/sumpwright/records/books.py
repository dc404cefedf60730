"""A machine's past as planning takes it: meters as tracks, fluids as age ledgers.

Everything that says what a meter showed on a day is a reading: those entered as such,
those of jobs, and those told with a service or a laboratory report. What contradicts the
others is kept out of the tracks, with the reason, and nothing that rests on it is lost:
a service keeps its day, and its place on the meter is read off the track instead.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import TYPE_CHECKING, Any, Literal, TypeVar

from sqlalchemy import select

from sumpwright.errors import Complaint
from sumpwright.physics.ageing import DOUBLING_STEP
from sumpwright.planning.clock import DAY, seconds
from sumpwright.planning.due import Meter
from sumpwright.planning.ledger import Happening, Ledger, Measure, Point, Step, keep
from sumpwright.planning.machine import Span, WetSystem
from sumpwright.planning.odometer import forecast
from sumpwright.planning.said import Said, said
from sumpwright.planning.thermal import thermal_meter
from sumpwright.planning.track import KeptOut, Reading, Replacement, Track, make_track
from sumpwright.planning.track import Meter as MeterName
from sumpwright.planning.use import Drive, Histogram
from sumpwright.records.effects import JobEffect, effects_of
from sumpwright.records.logs import KeptJob, find_jobs
from sumpwright.records.machines import KeptMachine
from sumpwright.records.readings import KeptReading, kept_reading
from sumpwright.records.schema import JobRow, ReadingRow, ToldRow
from sumpwright.records.telling import entry_of
from sumpwright.records.told import (
    Entry,
    Told,
    ToldDrive,
    ToldMeter,
    ToldReport,
    ToldService,
    ToldTemperatures,
    ToldUse,
)

if TYPE_CHECKING:
    from sumpwright.records.store import Store

T = TypeVar("T", bound=Told)
Shown = Literal["distance", "hours"]
WHAT: dict[Shown, Literal["odometer", "hours"]] = {"distance": "odometer", "hours": "hours"}
Source = Literal["reading", "job", "service", "report", "sheet"]


WITH_THE_MACHINE = Point(distance=0.0, hours=0.0)
"""When a first fluid of unknown age was filled in at the earliest: as the meters began."""


@dataclass(frozen=True)
class Past:
    """Everything that the yard holds of one machine, what was taken back left out."""

    machine: KeptMachine
    readings: tuple[KeptReading, ...] = ()
    told: tuple[Entry[Told], ...] = ()
    jobs: tuple[tuple[KeptJob, JobEffect], ...] = ()
    sheet_at: datetime | None = None

    def of(self, kind: type[T], system: str | None = None) -> list[Entry[T]]:
        """Return what is told of one kind, the oldest first."""
        return [
            entry  # type: ignore[misc]
            for entry in self.told
            if isinstance(entry.told, kind) and system in (None, entry.told.system)
        ]


def load(store: Store, machines: Sequence[KeptMachine] | None = None) -> list[Past]:
    """Read the past of machines, in a few queries however many they are.

    Parameters
    ----------
    store : Store
    machines : sequence of KeptMachine, optional
        Some hundreds at most; all of the yard that are not retired, when left out.
    """
    chosen = store.machines.all() if machines is None else list(machines)
    ids = None if machines is None else [machine.id for machine in chosen]
    readings: dict[str, list[KeptReading]] = {}
    told: dict[str, list[Entry[Told]]] = {}
    with store.reading(snapshot=True) as session:
        # Plain columns: a large yard has a million rows, and nothing of them is changed.
        read = select(*ReadingRow.__table__.c).where(ReadingRow.withdrawn_at.is_(None))
        tell = select(*ToldRow.__table__.c).where(ToldRow.withdrawn_at.is_(None))
        if ids is not None:
            read = read.where(ReadingRow.machine_id.in_(ids))
            tell = tell.where(ToldRow.machine_id.in_(ids))
        for row in session.execute(read.order_by(ReadingRow.at, ReadingRow.id)):
            readings.setdefault(row.machine_id, []).append(kept_reading(row))
        for entry in session.execute(tell.order_by(ToldRow.at, ToldRow.entered_at, ToldRow.id)):
            told.setdefault(entry.machine_id, []).append(entry_of(entry))
        done = [JobRow.closed_at.is_not(None)]
        if ids is not None:
            done.append(JobRow.machine_id.in_(ids))
        closed = find_jobs(session, *done)[::-1]
    effects = effects_of(store, closed)
    jobs: dict[str, list[tuple[KeptJob, JobEffect]]] = {}
    for job in closed:
        jobs.setdefault(job.machine, []).append((job, effects[job.id]))
    return [
        Past(
            machine,
            tuple(readings.get(machine.id, ())),
            tuple(told.get(machine.id, ())),
            tuple(jobs.get(machine.id, ())),
            _sheet_read_at(store, machine, readings.get(machine.id, ())),
        )
        for machine in chosen
    ]


def past_of(store: Store, machine: str) -> Past:
    """Read the past of one machine, named by name or id.

    Raises
    ------
    Complaint
        When there is no such machine.
    """
    return load(store, [store.machines.get(machine)])[0]


def _sheet_read_at(
    store: Store, machine: KeptMachine, readings: Sequence[KeptReading]
) -> datetime | None:
    """When the meters of the newest sheet were first written into one, if that is needed."""
    now = machine.sheet.machine
    read = {reading.what for reading in readings}
    if all(getattr(now, what) is None or what in read for what in WHAT.values()):
        return None
    same = [
        kept.at
        for kept in store.machines.versions(machine.id)
        if (kept.sheet.machine.odometer, kept.sheet.machine.hours) == (now.odometer, now.hours)
    ]
    return min(same)


@dataclass(frozen=True)
class Seen:
    """Where a reading of a meter comes from: the kind of thing, and its id."""

    source: Source
    id: str
    reading: Reading


@dataclass(frozen=True)
class Doubt:
    """A reading that was kept out, and where it comes from.

    ``against`` is the only reading that contradicts it, if it cannot be told which is wrong.
    """

    meter: MeterName
    seen: Seen
    why: KeptOut
    against: Seen | None = None


@dataclass(frozen=True)
class Meters:
    """The meters of a machine: tracks with forecasts, and what was kept out of them."""

    distance: Meter
    hours: Meter
    doubts: tuple[Doubt, ...] = ()

    def of(self, system: WetSystem, thermal: Meter | None = None) -> dict[Measure, Meter]:
        """Return them by the measure of a limit."""
        found: dict[Measure, Meter] = {"distance": self.distance, "hours": self.hours}
        if thermal is not None and system.thermal_reference is not None:
            found["thermal"] = thermal
        return found


def readings_of(past: Past, meter: Shown) -> list[Seen]:
    """Return every reading of a meter that the past holds, whatever told it."""
    what = WHAT[meter]
    seen = [
        Seen("job" if r.job else "reading", r.job or r.id, Reading(r.at, r.value, r.sure))
        for r in past.readings
        if r.what == what
    ]
    told: list[tuple[Entry[Any], Source]] = [(e, "service") for e in past.of(ToldService)]
    told += [(e, "report") for e in past.of(ToldReport)]
    known = {(s.reading.when, s.reading.value) for s in seen}
    for entry, source in told:
        value: float | None = getattr(entry.told, what)
        # One look at the meter may be told twice, with a service and as a reading.
        if value is not None and (entry.at, value) not in known:
            known.add((entry.at, value))
            seen.append(Seen(source, entry.id, Reading(entry.at, value)))
    sheet: float | None = getattr(past.machine.sheet.machine, what)
    if not seen and sheet is not None and past.sheet_at is not None:
        seen.append(Seen("sheet", past.machine.id, Reading(past.sheet_at, sheet)))
    return seen


def meters_of(past: Past, now: date) -> Meters:
    """Make the tracks of a machine's meters and their forecasts."""
    use = use_of(past)
    distance, hours = (_track(past, meter, now) for meter in WHAT)
    return Meters(
        Meter(distance[0], forecast(distance[0], _typical(use, "distance"), now=now)),
        Meter(hours[0], forecast(hours[0], _typical(use, "hours"), now=now)),
        (*distance[1], *hours[1]),
    )


def doubts_of(past: Past, now: date) -> tuple[Doubt, ...]:
    """Return the readings of a machine that are kept out, without any forecast."""
    return tuple(doubt for meter in WHAT for doubt in _track(past, meter, now)[1])


def _track(past: Past, meter: Shown, now: date) -> tuple[Track, list[Doubt]]:
    seen = readings_of(past, meter)
    track = make_track([s.reading for s in seen], _replaced(past, meter), now, meter)
    doubts = [
        Doubt(meter, seen[k.index], k, None if k.against is None else seen[k.against])
        for k in track.kept_out
    ]
    return track, doubts


def _replaced(past: Past, meter: Shown) -> list[Replacement]:
    return [
        Replacement(entry.at, entry.told.old, entry.told.new)
        for entry in past.of(ToldMeter)
        if entry.told.what == WHAT[meter]
    ]


def use_of(past: Past) -> ToldUse | None:
    """Return what the user last said of the use."""
    told = past.of(ToldUse)
    return told[-1].told if told else None


ABOUT = 0.25
"""Share to either side that a single figure of use in a year is taken for."""


def about(low: float, high: float) -> tuple[float, float]:
    """Return a range of use in a year; a single figure is taken for a quarter about it.

    Examples
    --------
    >>> about(8e6, 8e6), about(9e6, 12e6)
    ((6000000.0, 10000000.0), (9000000.0, 12000000.0))
    """
    return (low * (1 - ABOUT), high * (1 + ABOUT)) if low == high else (low, high)


def _typical(use: ToldUse | None, meter: Shown) -> Span | None:
    pair = getattr(use, meter) if use is not None else None
    return None if pair is None else Span(*pair)


def drives_of(past: Past) -> list[Drive]:
    """Return the logged drives of a machine, without temperatures."""
    return [drive_of(entry) for entry in past.of(ToldDrive)]


def drive_of(entry: Entry[ToldDrive], histogram: Histogram | None = None) -> Drive:
    """Return a told drive as planning takes it."""
    told = entry.told
    return Drive(
        entry.at,
        told.distance,
        told.duration,
        told.load,
        told.trailer,
        told.dust,
        told.outside,
        told.climb,
        told.idle,
        histogram,
    )


def thermal_of(past: Past, system: WetSystem, meters: Meters, now: date) -> Meter | None:
    """Make the thermal age of a system's fluid into a meter, with its forecast.

    ``None`` where the sheet gives no reference temperature or nothing was logged.
    """
    logs = past.of(ToldTemperatures, system.name)
    if system.thermal_reference is None or not logs:
        return None
    on_drive: dict[str, Histogram] = {}
    alone: list[Drive] = []
    known = {entry.id for entry in past.of(ToldDrive)}
    for log in logs:
        bands = Histogram(tuple(log.told.edges), tuple(log.told.durations))
        if log.told.drive in known and log.told.drive not in on_drive:
            on_drive[log.told.drive] = bands
        else:
            alone.append(Drive(log.at, temperatures=bands))
    drives = [drive_of(entry, on_drive.get(entry.id)) for entry in past.of(ToldDrive)]
    return thermal_meter(
        [*drives, *alone],
        system.thermal_reference,
        DOUBLING_STEP if system.thermal_step is None else system.thermal_step,
        meters.distance,
        meters.hours,
        now,
    )


@dataclass(frozen=True)
class Origin:
    """Where a step of the books comes from; the band of its fresh share if it is known."""

    source: Literal["service", "job"]
    id: str
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True)
class Book:
    """The age ledger of one wet system.

    Parameters
    ----------
    system : WetSystem
    ledger : Ledger or None
        With the estimated fresh shares; ``None`` when the books contradict themselves.
    oldest, freshest : Ledger or None
        With the low and the high ends of the bands of the jobs; in the oldest, a first
        fluid of unknown age is as old as the machine.
    origins : tuple of Origin
        One per step.
    inspected : Point or None
        The last inspection, or the last change if that came later.
    verdict : Said or None
        That the last inspection asked for a replacement which has not come yet.
    asked : float
        When it did, s since 1970.
    notes : tuple of Said
    """

    system: WetSystem
    ledger: Ledger | None
    oldest: Ledger | None = None
    freshest: Ledger | None = None
    origins: tuple[Origin, ...] = ()
    inspected: Point | None = None
    verdict: Said | None = None
    asked: float = 0.0
    notes: tuple[Said, ...] = field(default=())

    def origin(self, step: Step) -> Origin:
        """Return where a step of the ledger comes from."""
        assert self.ledger is not None
        return self.origins[next(i for i, s in enumerate(self.ledger.steps) if s is step)]


Places = Mapping[Measure, Callable[[float], float]]


def places(meters: Mapping[Measure, Meter]) -> Places:
    """Return how to read a total off each track at a moment."""
    found: dict[Measure, Callable[[float], float]] = {}
    for measure, meter in meters.items():
        if meter.track is not None:
            # Thermal age by a meter is known where that meter is.
            by_logs = meter.track.meter == "thermal"
            found[measure] = _logged(meter.track) if by_logs else meter.track.at
    return found


def _logged(track: Track) -> Callable[[float], float]:
    """Read a total of what is logged: none before the first log, no more after the last."""

    def at(time: float) -> float:
        if not len(track):
            return float("nan")
        return track.at(min(max(time, float(track.times[0])), float(track.times[-1])))

    return at


def total_on(meter: Meter, now: date) -> float:
    """Return the total of a meter on a day: what it was read to show on it, or is expected to.

    A bare day is its midnight, by which a reading of the same day would count for less than
    it shows. NaN where nothing is known.
    """
    track, moment = meter.track, seconds(now)
    if track is not None and len(track):
        last = float(track.times[-1])
        moment = last if moment < last < moment + DAY else moment
        if moment <= last:
            return track.at(moment)
    if meter.forecast is not None:
        return meter.forecast.expected(moment)
    return float(track.totals[-1]) if track is not None and len(track) else float("nan")


def book_of(past: Past, system: WetSystem, meters: Mapping[Measure, Meter]) -> Book:
    """Keep the age ledger of one wet system through all that is known of it.

    Parameters
    ----------
    past : Past
    system : WetSystem
    meters : mapping of measure to Meter
        As `Meters.of` gives them.

    Returns
    -------
    Book
        Without a ledger, and with the reason, when what is told cannot be true together.
    """
    capacity = system.capacity.mid
    where = places(meters)
    moved: list[tuple[Origin, dict[str, Happening]]] = []
    notes: list[Said] = []
    for entry in past.of(ToldService, system.name):
        if entry.told.done != "inspected":
            happening = happening_of(entry)
            origin = Origin("service", entry.id)
            moved.append((origin, dict.fromkeys(("mid", "low", "high"), happening)))
    for job, effect in past.jobs:
        if job.system != system.name or job.closed_at is None:
            continue
        found = {
            end: effect.happening(job.closed_at, capacity, share)
            for end, share in (("mid", effect.mid), ("low", effect.low), ("high", effect.high))
        }
        if found["mid"] is not None:
            band = Origin("job", job.id, effect.low, effect.high)
            moved.append((band, {end: h for end, h in found.items() if h is not None}))
            if effect.why:
                notes.append(_unestimated(job, effect))
    moved.sort(key=lambda pair: seconds(pair[1]["mid"].when))
    try:
        ledger, oldest, freshest = (
            keep(capacity, [ways[end] for _, ways in moved], where, fluid=system.fluid)
            for end in ("mid", "low", "high")
        )
        if ledger.at_least:
            low = [ways["low"] for _, ways in moved]
            oldest = keep(capacity, low, where, start=WITH_THE_MACHINE, fluid=system.fluid)
    except Complaint as complaint:
        why = said(
            "the books of this system contradict themselves: {what:text}", what=str(complaint)
        )
        return Book(system, None, notes=(why,))
    inspected, verdict, asked = _inspection(past, system, where, ledger)
    return Book(
        system,
        ledger,
        oldest,
        freshest,
        tuple(origin for origin, _ in moved),
        inspected,
        verdict,
        asked,
        tuple(notes),
    )


def happening_of(entry: Entry[ToldService]) -> Happening:
    """Return a told service as the age ledger takes it; its meters are read off the tracks."""
    told = entry.told
    assert told.done != "inspected"
    return Happening(
        entry.at,
        told.done,
        told.volume,
        told.share,
        told.times,
        told.way,
        fluid=told.fluid,
        note=entry.note,
    )


def _unestimated(job: KeptJob, effect: JobEffect) -> Said:
    text = (
        "the fresh share of the job of {day:date} could not be estimated ({why:text}); perfect "
        "mixing is taken"
    )
    assert job.closed_at is not None
    return said(text, day=seconds(job.closed_at), why=effect.why)


def _inspection(
    past: Past, system: WetSystem, where: Places, ledger: Ledger
) -> tuple[Point | None, Said | None, float]:
    """Find the last look at the fluid, and whether it asked for a replacement."""
    looks = [e for e in past.of(ToldService, system.name) if e.told.done == "inspected"]
    changes = [s.point for s in ledger.steps if s.happening.what in ("changed", "filled")]
    changed = changes[-1] if changes else None
    if not looks:
        return changed, None, 0.0
    last = looks[-1]
    moment = seconds(last.at)
    if changed is not None and changed.time >= moment:
        return changed, None, 0.0
    at: dict[str, Any] = {measure: read(moment) for measure, read in where.items()}
    verdict = None
    if last.told.verdict == "replace":
        verdict = said("the inspection of {day:date} found it due for replacement", day=moment)
    return Point(moment, **at), verdict, moment


def fluids_in(past: Past, system: WetSystem) -> tuple[str, ...]:
    """Name every fluid that is or may be in a system, that of the sheet first."""
    names: Iterable[str] = (
        system.fluid,
        *(e.told.fluid for e in past.of(ToldService, system.name)),
        *(fill.fluid for job, effect in past.jobs for fill in effect.fills if _on(job, system)),
    )
    return tuple(dict.fromkeys(name for name in names if name))


def _on(job: KeptJob, system: WetSystem) -> bool:
    return job.system == system.name
