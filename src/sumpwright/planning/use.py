"""How a machine is used: normal or severe service, temperatures, thermal age.

Manuals call service severe in words ("mostly short trips", "frequent towing"). Here the
words become shares of what was logged, each with a bound that the user can change.
Every bound is common practice, no source; what the manual says goes before it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sumpwright.errors import Complaint
from sumpwright.physics import ageing
from sumpwright.planning.clock import DAY, YEAR, Moment, seconds
from sumpwright.planning.due import Service, ServiceKind
from sumpwright.planning.said import Said, said
from sumpwright.planning.track import Reading, Track, make_track

Array = NDArray[np.float64]


@dataclass(frozen=True)
class TemperatureLog:
    """Fluid temperatures over a drive: ``times`` in s, ``temperatures`` in K."""

    times: tuple[float, ...]
    temperatures: tuple[float, ...]


@dataclass(frozen=True)
class Histogram:
    """Time spent in bands of fluid temperature: ``edges`` in K, ``durations`` in s."""

    edges: tuple[float, ...]
    durations: tuple[float, ...]


@dataclass(frozen=True)
class Drive:
    """One drive, from a log or by hand; ``None`` for what is not known.

    Parameters
    ----------
    when : date, datetime or float
        Its start.
    distance, duration : float, optional
        m; s with the engine running.
    load : float, optional
        Load as a share of what is permitted.
    trailer, dust : bool
    outside : float, optional
        Outside temperature, K.
    climb : float, optional
        Height gained in all, m.
    idle : float, optional
        s standing with the engine running.
    temperatures : TemperatureLog or Histogram, optional
        Of the fluid.
    """

    when: Moment
    distance: float | None = None
    duration: float | None = None
    load: float | None = None
    trailer: bool = False
    dust: bool = False
    outside: float | None = None
    climb: float | None = None
    idle: float | None = None
    temperatures: TemperatureLog | Histogram | None = None


@dataclass(frozen=True)
class Bounds:
    """Where severe service begins; all of them common practice, no source.

    A pair of numbers is what makes one drive count, and the share of drives (for short
    trips) or of distance (for the rest) from which service is severe.
    """

    short: tuple[float, float] = (8e3, 0.5)
    towing: float = 0.2
    load: tuple[float, float] = (0.75, 0.25)
    heat: tuple[float, float] = (305.15, 0.25)
    cold: tuple[float, float] = (255.15, 0.25)
    dust: float = 0.2
    gradient: tuple[float, float] = (0.02, 0.25)
    idling: float = 0.3
    least_drives: int = 10
    window: float = float(YEAR)


@dataclass(frozen=True)
class Use:
    """What the log says: the verdict, and each share beside its bound."""

    service: Service
    drives: int
    shares: tuple[tuple[str, float, float], ...] = field(default=())


def judge(
    drives: Sequence[Drive],
    now: Moment,
    bounds: Bounds | None = None,
    declared: ServiceKind | None = None,
) -> Use:
    """Decide between normal and severe service from logged use, with the reasons.

    Parameters
    ----------
    drives : sequence of Drive
    now : date, datetime or float
        Drives of the year before it count, as `Bounds.window` says.
    bounds : Bounds, optional
    declared : {'normal', 'severe'}, optional
        What the user says; it goes before the log, and a log that disagrees is shown.

    Returns
    -------
    Use

    Examples
    --------
    >>> from datetime import date
    >>> drives = [Drive(date(2025, 3, 1 + d), distance=3e3) for d in range(12)]
    >>> use = judge(drives, date(2025, 4, 1))
    >>> use.service.kind, use.shares[0]
    ('severe', ('short trips', 1.0, 0.5))
    """
    limits = bounds or Bounds()
    moment = seconds(now)
    recent = [d for d in drives if moment - limits.window <= seconds(d.when) <= moment + DAY]
    found = [check(recent, limits) for check in _CHECKS]
    shares = tuple((name, share, bound) for name, share, bound, _ in found if not math.isnan(share))
    over = tuple(why for _, share, bound, why in found if share >= bound)
    count = str(len(recent))
    enough = len(recent) >= limits.least_drives
    if declared is not None:
        reasons: tuple[Said, ...] = (said(f"{declared} service: as entered for this machine"),)
        if declared == "normal" and over and enough:
            reasons += (said("the log speaks for severe service:"), *over)
        service = Service(declared, reasons)
    elif not enough:
        text = "normal service is assumed: too few drives are logged to judge by ({count:text})"
        service = Service("normal", (said(text, count=count),))
    elif over:
        service = Service("severe", over)
    else:
        text = "normal service: {count:text} logged drives stay below every bound"
        service = Service("normal", (said(text, count=count),))
    return Use(service, len(recent), shares)


Check = tuple[str, float, float, Said]


def _by_distance(
    drives: Sequence[Drive],
    counts: Callable[[Drive], bool | None],
) -> tuple[float, float]:
    """Share of the distance on which something holds, and of how much of it that is known."""
    known = [(d.distance or 0.0, holds) for d in drives if (holds := counts(d)) is not None]
    total = sum(distance for distance, _ in known)
    if total <= 0:
        return math.nan, 0.0
    return (
        sum(distance for distance, holds in known if holds) / total,
        total / sum(drive.distance or 0.0 for drive in drives),
    )


def _short(drives: Sequence[Drive], bounds: Bounds) -> Check:
    length, bound = bounds.short
    known = [d.distance for d in drives if d.distance is not None]
    share = sum(distance < length for distance in known) / len(known) if known else math.nan
    of = "of the drives" if len(known) == len(drives) else "of the drives whose distance is known"
    why = said(
        f"severe service: {{share:share}} {of} are shorter than {{length:distance}}, "
        "from {bound:share} on it is severe",
        share=share,
        length=length,
        bound=bound,
    )
    return "short trips", share, bound, why


def _towing(drives: Sequence[Drive], bounds: Bounds) -> Check:
    share, _ = _by_distance(drives, lambda d: d.trailer)
    return "trailer", share, bounds.towing, _distance_words(share, bounds.towing, "with a trailer")


def _load(drives: Sequence[Drive], bounds: Bounds) -> Check:
    least, bound = bounds.load
    share, known = _by_distance(drives, lambda d: None if d.load is None else d.load >= least)
    where = f"at {least * 100:.0f} % of full load or more"
    return "load", share, bound, _distance_words(share, bound, where, known=(known, "load"))


def _heat(drives: Sequence[Drive], bounds: Bounds) -> Check:
    least, bound = bounds.heat
    share, known = _by_distance(drives, lambda d: None if d.outside is None else d.outside >= least)
    where = "at {edge:temperature} outside or more"
    return "heat", share, bound, _distance_words(share, bound, where, least, (known, _OUTSIDE))


def _cold(drives: Sequence[Drive], bounds: Bounds) -> Check:
    most, bound = bounds.cold
    share, known = _by_distance(drives, lambda d: None if d.outside is None else d.outside <= most)
    where = "at {edge:temperature} outside or less"
    return "cold", share, bound, _distance_words(share, bound, where, most, (known, _OUTSIDE))


def _dust(drives: Sequence[Drive], bounds: Bounds) -> Check:
    share, _ = _by_distance(drives, lambda d: d.dust)
    return "dust", share, bounds.dust, _distance_words(share, bounds.dust, "in dust")


def _gradient(drives: Sequence[Drive], bounds: Bounds) -> Check:
    least, bound = bounds.gradient

    def steep(drive: Drive) -> bool | None:
        if drive.climb is None or not drive.distance:
            return None
        return drive.climb / drive.distance >= least

    share, known = _by_distance(drives, steep)
    where = f"on drives that climb {least * 1e3:.0f} m in 1000 m or more"
    return "gradients", share, bound, _distance_words(share, bound, where, known=(known, "climb"))


def _idling(drives: Sequence[Drive], bounds: Bounds) -> Check:
    known = [(d.idle, d.duration) for d in drives if d.idle is not None and d.duration]
    total = sum(duration for _, duration in known)
    share = sum(idle for idle, _ in known) / total if total > 0 else math.nan
    of = "of the running time"
    if len(known) < len(drives):
        of += " whose idling is known"
    why = said(
        f"severe service: {{share:share}} {of} is idling, from {{bound:share}} on it is severe",
        share=share,
        bound=bounds.idling,
    )
    return "idling", share, bounds.idling, why


_OUTSIDE = "outside temperature"


def _distance_words(
    share: float,
    bound: float,
    where: str,
    edge: float | None = None,
    known: tuple[float, str] = (1.0, ""),
) -> Said:
    part, what = known
    of = "of the distance"
    if part < 1 - 1e-9:
        of += f" whose {what} is known ({{part:share}} of all of it)"
    return said(
        f"severe service: {{share:share}} {of} was driven {where}, "
        "from {bound:share} on it is severe",
        share=share,
        bound=bound,
        edge=edge,
        part=part,
    )


_CHECKS: tuple[Callable[[Sequence[Drive], Bounds], Check], ...] = (
    _short,
    _towing,
    _load,
    _heat,
    _cold,
    _dust,
    _gradient,
    _idling,
)


def histogram(log: TemperatureLog, edges: ArrayLike) -> Array:
    """Time spent in bands of temperature, exact for straight lines between readings.

    Parameters
    ----------
    log : TemperatureLog
    edges : array_like, shape (n + 1,)
        Edges of the bands, K, rising.

    Returns
    -------
    ndarray, shape (n,)
        s in each band; time outside the edges is left out.

    Raises
    ------
    Complaint
        When times run backwards or lengths differ.

    Examples
    --------
    >>> log = TemperatureLog((0.0, 600.0), (293.15, 353.15))
    >>> histogram(log, [293.15, 313.15, 353.15]).round(6).tolist()
    [200.0, 400.0]
    """
    times = np.asarray(log.times, dtype=np.float64)
    temps = np.asarray(log.temperatures, dtype=np.float64)
    bands = np.asarray(edges, dtype=np.float64)
    if len(times) != len(temps) or np.any(np.diff(times) < 0):
        raise Complaint("a temperature log whose times run backwards", "sort the log by time")
    return _spent(times, temps, bands)


def _spent(times: Array, temps: Array, bands: Array) -> Array:
    """Time in each band, of readings that follow one another."""
    if len(times) < 2:
        return np.zeros(len(bands) - 1)
    low, high = np.minimum(temps[1:], temps[:-1]), np.maximum(temps[1:], temps[:-1])
    span = np.diff(times)
    width = high - low
    # A level piece lies in one band whole; a sloping one is spread over what it crosses.
    inside = np.clip(bands[1:, None], low, high) - np.clip(bands[:-1, None], low, high)
    level = (bands[:-1, None] <= low) & (low < bands[1:, None])
    share = np.where(width > 0, inside / np.where(width > 0, width, 1.0), level)
    return np.asarray((share * span).sum(axis=1), dtype=np.float64)


LONGEST_GAP = 300.0
"""s without a reading after which a log counts as interrupted."""

_STRETCH = 20_000
"""Readings worked on at once, so that a log of days takes no more memory than one of minutes."""


def bands(log: TemperatureLog, width: float = 1.0, gap: float = LONGEST_GAP) -> Histogram:
    """Gather a log into bands of temperature; what lies in a gap is left out.

    Parameters
    ----------
    log : TemperatureLog
    width : float
        K of one band.
    gap : float
        s between two readings from which the log was interrupted there.

    Returns
    -------
    Histogram

    Raises
    ------
    Complaint
        Fewer than two readings that follow one another, or times that run backwards.

    Examples
    --------
    >>> log = TemperatureLog((0.0, 60.0, 120.0, 5000.0, 5060.0),
    ...                      (300.0, 301.0, 301.0, 330.0, 330.5))
    >>> found = bands(log)
    >>> sum(found.durations), found.edges[0], found.edges[-1]
    (180.0, 300.0, 331.0)
    """
    times = np.asarray(log.times, dtype=np.float64)
    temps = np.asarray(log.temperatures, dtype=np.float64)
    whole = np.flatnonzero(np.diff(times) <= gap) if len(times) == len(temps) else ()
    if not len(whole):
        raise Complaint("the log holds no two readings that follow one another", "check the file")
    low = math.floor(float(temps.min()) / width)
    high = max(math.floor(float(temps.max()) / width), low) + 1
    edges = np.arange(low, high + 1, dtype=np.float64) * width
    if np.any(np.diff(times) < 0):
        raise Complaint("a temperature log whose times run backwards", "sort the log by time")
    cuts = [0, *(np.flatnonzero(np.diff(times) > gap) + 1).tolist(), len(times)]
    spent = np.zeros(len(edges) - 1)
    for begin, end in pairwise(cuts):
        for first in range(begin, end - 1, _STRETCH):
            part = slice(first, min(first + _STRETCH + 1, end))
            spent += _spent(times[part], temps[part], edges)
    return Histogram(tuple(edges.tolist()), tuple(spent.tolist()))


@dataclass(frozen=True)
class ThermalAge:
    """Thermal age gathered by drives.

    Parameters
    ----------
    days : ndarray of float, shape (n,)
        Days, s since 1970, each once.
    per_day : ndarray, shape (n,)
        Thermal age of each day, s at the reference temperature.
    track : Track
        Its running total, for forecasts and for the ledger.
    logged : float
        Share of the running time whose temperature was logged.
    notes : tuple of Said
    """

    days: Array
    per_day: Array
    track: Track
    logged: float
    notes: tuple[Said, ...] = ()


def thermal_age(
    drives: Sequence[Drive],
    reference: float,
    step: float = ageing.DOUBLING_STEP,
) -> ThermalAge:
    """Gather the thermal age of the fluid from drives, day by day.

    A drive without temperatures ages the fluid as fast, per second of running, as the
    mean of those with them; the share that this covers is said. A log that belongs to no
    drive counts for itself, and enters that mean only where no drive was logged.

    Parameters
    ----------
    drives : sequence of Drive
    reference : float
        K at which one second counts as one.
    step : float
        K per doubling.

    Returns
    -------
    ThermalAge

    Raises
    ------
    Complaint
        A log that cannot be: times that run backwards, temperatures below zero kelvin.

    Examples
    --------
    >>> hot = TemperatureLog((0.0, 3600.0), (373.15, 373.15))
    >>> found = thermal_age([Drive(0.0, duration=3600.0, temperatures=hot),
    ...                      Drive(86400.0, duration=1800.0)], 363.15)
    >>> found.per_day.tolist(), round(found.logged, 3)
    ([7200.0, 3600.0], 0.667)
    """
    ordered = sorted(drives, key=lambda d: seconds(d.when))
    logged = [(d, age_of_drive(d, reference, step), running_of(d)) for d in ordered]
    # Idling beside the lift while the level is set says nothing of how hot it runs on the road.
    driven = [row for row in logged if is_drive(row[0])]
    if all(age is None for _, age, _ in driven):
        driven = logged
    measured = sum(age for _, age, _ in driven if age is not None)
    known = sum(run for _, age, run in driven if age is not None)
    total = sum(run for _, _, run in driven)
    rate = measured / known if known > 0 else 0.0
    gained: dict[float, float] = {}
    for drive, age, run in logged:
        day = math.floor(seconds(drive.when) / DAY) * float(DAY)
        gained[day] = gained.get(day, 0.0) + (rate * run if age is None else age)
    days = np.array(list(gained), dtype=np.float64)
    per_day = np.array(list(gained.values()), dtype=np.float64)
    sums = np.concatenate([[0.0], np.cumsum(per_day)])
    moments = [float(days[0]), *(float(d + DAY) for d in days)] if len(days) else []
    readings = [Reading(m, float(s)) for m, s in zip(moments, sums, strict=False)]
    share = known / total if total > 0 else 0.0
    notes = [
        said(
            "thermal age counts seconds at {reference:temperature}, twice as much every "
            "{step:text} K (common practice, no source)",
            reference=reference,
            step=f"{step:g}",
        )
    ]
    if share < 1 and total > 0:
        text = "temperatures were logged for {share:share} of the running time; the rest is "
        text += "taken to be as hot" if known > 0 else "not counted"
        notes.append(said(text, share=share))
    return ThermalAge(days, per_day, make_track(readings, meter="thermal"), share, tuple(notes))


def is_drive(drive: Drive) -> bool:
    """Whether something is a drive, and not a log that belongs to none."""
    return drive.distance is not None or drive.duration is not None


def running_of(drive: Drive) -> float:
    """How long the engine ran, s: as long as the log where there is one."""
    if isinstance(drive.temperatures, TemperatureLog) and drive.temperatures.times:
        return drive.temperatures.times[-1] - drive.temperatures.times[0]
    if isinstance(drive.temperatures, Histogram):
        return float(sum(drive.temperatures.durations))
    return drive.duration or 0.0


def age_of_drive(drive: Drive, reference: float, step: float) -> float | None:
    """Return the thermal age of one drive, s; ``None`` when its temperatures were not logged."""
    temps = drive.temperatures
    try:
        if isinstance(temps, TemperatureLog):
            return float(ageing.thermal_age(temps.times, temps.temperatures, reference, step))
        if isinstance(temps, Histogram):
            return float(
                ageing.thermal_age_of_histogram(temps.edges, temps.durations, reference, step)
            )
    except ValueError as error:
        raise Complaint(f"a temperature log: {error}", "correct the log or leave it out") from None
    return None
