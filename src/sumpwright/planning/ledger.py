"""The age ledger: the fluid of a wet system by batch, through any history.

A batch is fluid put in on one occasion. The ledger treats the system as one mixed
body: a service of fresh share f leaves the share 1 − f of every batch that was there.
With f not given, mixing is taken as perfect: n refills of v/n each give
f = 1 − (1 − v/(nV))ⁿ, an exchange of v gives f = 1 − exp(−v/V). A job that was
computed compartment by compartment hands its own f over.

Every age is linear in its batches, so mean age just before the k-th service of share f
every Δ tends to Δ/f; `sumpwright.physics.ageing` has the closed forms.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from sumpwright.errors import Complaint
from sumpwright.physics import ageing
from sumpwright.planning.clock import Moment, day, seconds
from sumpwright.planning.said import Said, said, worded

Array = NDArray[np.float64]
Measure = Literal["time", "distance", "hours", "thermal"]
MEASURES: tuple[Measure, ...] = ("time", "distance", "hours", "thermal")
What = Literal["filled", "changed", "topped up", "lost"]
Way = Literal["refill", "exchange"]
NOTHING = 1e-12
"""Share below which a batch counts as gone from the ages, never from the books."""


@dataclass(frozen=True)
class Point:
    """A moment on every scale: s since 1970, and totals in m, s and s; NaN if unknown."""

    time: float = math.nan
    distance: float = math.nan
    hours: float = math.nan
    thermal: float = math.nan

    def on(self, measure: Measure) -> float:
        """Return the value on one scale."""
        return float(getattr(self, measure))


@dataclass(frozen=True)
class Happening:
    """Something that moved fluid.

    Parameters
    ----------
    when : date, datetime or float
        The day.
    what : {'filled', 'changed', 'topped up', 'lost'}
        ``filled``: the system was empty and now is full. ``changed``: old fluid out, the
        same volume of new fluid in. ``topped up``: new fluid in, what was missing first.
        ``lost``: a leak or a spill of mixed fluid, not yet replaced.
    volume : float or None
        m³ put in, or lost. May be left out of a change whose share is given.
    share : float, optional
        Fresh share f of a change where it is known; otherwise mixing is perfect.
    times : int
        In how many refills, with mixing between, the volume was changed.
    way : {'refill', 'exchange'}
        Drain and refill, or in and out at the same rate.
    distance, hours, thermal : float, optional
        Totals on the day, m, s and s.
    fluid, note : str
        What was put in; anything else.
    put_in : float, optional
        m³ that really went in, where `volume` was rounded up to fit the share.
    """

    when: Moment
    what: What = "changed"
    volume: float | None = None
    share: float | None = None
    times: int = 1
    way: Way = "refill"
    distance: float | None = None
    hours: float | None = None
    thermal: float | None = None
    fluid: str = ""
    note: str = ""
    put_in: float | None = None


@dataclass(frozen=True)
class Batch:
    """Fluid put in on one occasion; ``at_least`` when it may be older than it says."""

    name: str
    born: Point
    put_in: float
    fluid: str = ""
    at_least: bool = False


@dataclass(frozen=True)
class Step:
    """One happening in the books; shares and volumes run over all batches known by then."""

    happening: Happening
    point: Point
    share: float
    before: Array
    after: Array
    notes: tuple[Said, ...] = ()

    @property
    def released(self) -> Array:
        """Volume of each batch that left, m³; the new batch has its own zero."""
        gained = np.zeros_like(self.after)
        gained[len(self.before) :] = self.after[len(self.before) :]
        return np.pad(self.before, (0, len(self.after) - len(self.before))) + gained - self.after


@dataclass(frozen=True)
class Ledger:
    """The books of one wet system.

    Parameters
    ----------
    capacity : float
        m³ at level.
    batches : tuple of Batch
        Every batch ever put in, oldest first.
    volumes : ndarray, shape (batches,)
        m³ of each that is in the system now.
    steps : tuple of Step
        How it came to that.
    """

    capacity: float
    batches: tuple[Batch, ...]
    volumes: Array
    steps: tuple[Step, ...] = field(default=())

    @property
    def shares(self) -> Array:
        """Share of each batch in the fluid; they sum to 1."""
        return shares_of(self.volumes)

    @property
    def at_least(self) -> bool:
        """Whether ages are lower bounds, because the oldest batch has no known birth."""
        return any(
            b.at_least and s > NOTHING for b, s in zip(self.batches, self.shares, strict=True)
        )

    def births(self, measure: Measure) -> Array:
        """Where on a scale each batch was put in."""
        return births_of(self.batches, measure)

    def ages(self, now: Point, measure: Measure) -> Array:
        """Age of each batch on a scale; NaN where its birth is unknown."""
        return np.maximum(now.on(measure) - self.births(measure), 0.0)

    def mean_birth(self, measure: Measure) -> float:
        """Mean birth of the fluid: mean age is now minus this."""
        return mean_birth(self.shares, self.births(measure))

    def mean_age(self, now: Point, measure: Measure) -> float:
        """Mean age of the fluid by volume; NaN when a part of it has no known birth."""
        return now.on(measure) - self.mean_birth(measure)

    def birth_quantile(self, share: float, measure: Measure) -> float:
        """Birth that a share of the fluid, counted from the youngest, does not precede."""
        return birth_quantile(self.shares, self.births(measure), share)

    def age_quantile(self, share: float, now: Point, measure: Measure) -> float:
        """Age that a share of the fluid, counted from the youngest, does not exceed."""
        return now.on(measure) - self.birth_quantile(share, measure)

    def share_older(self, limit: float, now: Point, measure: Measure) -> float:
        """Share of the fluid older than a limit.

        Examples
        --------
        >>> from datetime import date
        >>> book = keep(0.009, [Happening(date(2015, 1, 1), "filled", distance=0.0),
        ...                     Happening(date(2020, 1, 1), "changed", 0.0036, distance=8e7)])
        >>> round(book.share_older(6e7, Point(distance=9e7), "distance"), 3)
        0.6
        >>> round(book.mean_age(Point(distance=9e7), "distance") / 1e3)
        58000
        """
        return share_older(self.shares, self.ages(now, measure), limit)


def shares_of(volumes: Array) -> Array:
    """Shares of the batches in the fluid."""
    total = float(volumes.sum())
    return volumes / total if total > 0 else np.zeros_like(volumes)


def births_of(batches: Sequence[Batch], measure: Measure) -> Array:
    """Births of batches on a scale."""
    return np.array([b.born.on(measure) for b in batches], dtype=np.float64)


def mean_birth(shares: Array, births: Array) -> float:
    """Mean of births by share; NaN when a part of the fluid has none."""
    present, born = _present(shares, births)
    return math.nan if born is None else -float(ageing.mean_age(present, -born))


def birth_quantile(shares: Array, births: Array, share: float) -> float:
    """Birth that a share of the fluid, counted from the youngest, does not precede."""
    present, born = _present(shares, births)
    return math.nan if born is None else -float(ageing.age_quantile(present, -born, share))


def share_older(shares: Array, ages: Array, limit: float) -> float:
    """Share of the fluid older than a limit; NaN when a part has no known age."""
    present, old = _present(shares, ages)
    return math.nan if old is None else float(ageing.share_older_than(present, old, limit))


def _present(shares: Array, values: Array) -> tuple[Array, Array | None]:
    """Batches that still matter, their shares adding up to 1, and their values if known."""
    here = shares > NOTHING
    if not here.any() or np.isnan(values[here]).any():
        return shares, None
    return shares[here] / shares[here].sum(), values[here]


Meters = Mapping[Measure, Callable[[float], float]]


def keep(
    capacity: float,
    happenings: Sequence[Happening],
    meters: Meters | None = None,
    start: Point | None = None,
    fluid: str = "",
) -> Ledger:
    """Keep the books through a history.

    Parameters
    ----------
    capacity : float
        m³ at level.
    happenings : sequence of Happening
        In any order; those of one day are taken as given.
    meters : mapping of measure to function, optional
        Total on a scale at a moment, where a happening does not say; NaN if unknown.
    start : Point, optional
        When the fluid that was there before the first happening was put in. Without it
        that fluid is at least as old as the first happening, and the ledger says so.
    fluid : str
        What that first fluid was.

    Returns
    -------
    Ledger

    Raises
    ------
    Complaint
        A volume or share that cannot be: not above zero, more in one go than the
        system holds, a leak of more than was there, a total that falls.

    Examples
    --------
    >>> from datetime import date
    >>> book = keep(0.008, [Happening(date(2020, 5, 1), "changed", 0.004)],
    ...             start=Point(time=seconds(date(2012, 5, 1))))
    >>> book.shares.tolist()
    [0.5, 0.5]
    """
    if not (math.isfinite(capacity) and capacity > 0):
        raise Complaint(
            "the capacity is not above zero", "give the volume at level", "", "capacity"
        )
    ordered = sorted(happenings, key=lambda h: seconds(h.when))
    points = [_point(h, meters or {}) for h in ordered]
    _check_rising(points, ordered)
    book = _opening(capacity, ordered, points, start, fluid)
    for happening, point in zip(ordered, points, strict=True):
        book = _enter(book, happening, point)
    return book


def _point(happening: Happening, meters: Meters) -> Point:
    moment = seconds(happening.when)

    def on(measure: Literal["distance", "hours", "thermal"]) -> float:
        given: float | None = getattr(happening, measure)
        if given is not None:
            return given
        return meters[measure](moment) if measure in meters else math.nan

    return Point(moment, on("distance"), on("hours"), on("thermal"))


def _day(happening: Happening) -> str:
    when = day(seconds(happening.when))
    return when.isoformat() if when else "an unknown day"


def _check_rising(points: Sequence[Point], happenings: Sequence[Happening]) -> None:
    for measure in ("distance", "hours", "thermal"):
        last = -math.inf
        for point, happening in zip(points, happenings, strict=True):
            value = point.on(measure)
            if math.isnan(value):
                continue
            if value < last or value < 0:
                raise Complaint(
                    f"the {measure} at the service of {_day(happening)} is below that of "
                    "an earlier service",
                    "correct one of the two, or enter the replaced meter",
                    field=measure,
                )
            last = value


def _opening(
    capacity: float,
    happenings: Sequence[Happening],
    points: Sequence[Point],
    start: Point | None,
    fluid: str,
) -> Ledger:
    if happenings and happenings[0].what == "filled":
        return Ledger(capacity, (), np.zeros(0))
    born = start or (points[0] if points else Point())
    first = Batch("first fill", born, capacity, fluid, at_least=start is None)
    return Ledger(capacity, (first,), np.array([capacity]))


def _enter(book: Ledger, happening: Happening, point: Point) -> Ledger:
    where = _day(happening)
    volume = _volume(book, happening, where)
    if happening.what == "lost":
        return _lose(book, happening, point, volume, where)
    if happening.what == "filled":
        return _fill(book, happening, point, volume, where)
    if happening.what == "topped up":
        return _top_up(book, happening, point, volume, where)
    share = fresh_share(book.capacity, volume, happening, where)
    total = float(book.volumes.sum())
    notes: tuple[Said, ...] = ()
    if total < book.capacity * (1 - 1e-9):
        note = "{volume:volume} was missing before this change and was made up by it"
        notes = (said(note, volume=book.capacity - total),)
    kept = book.volumes * ((1 - share) * book.capacity / total if total > 0 else 0.0)
    kept = np.minimum(kept, book.volumes)
    fresh = book.capacity - float(kept.sum())
    return _write(book, happening, point, kept, fresh, fresh / book.capacity, notes)


def _volume(book: Ledger, happening: Happening, where: str) -> float:
    if happening.volume is None:
        if happening.what == "filled":
            return book.capacity
        if happening.what == "changed" and happening.share is not None:
            return happening.share * book.capacity
        raise Complaint("the volume is missing", "give the litres", where, "volume")
    if not (math.isfinite(happening.volume) and happening.volume > 0):
        raise Complaint("the volume is not above zero", "correct it", where, "volume")
    return happening.volume


def fresh_share(capacity: float, volume: float, happening: Happening, where: str = "") -> float:
    """Fresh share of a change: the given one, or that of perfect mixing.

    Raises
    ------
    Complaint
        A share outside [0, 1], above what the volume allows, or more in one go than
        the system holds.

    Examples
    --------
    >>> from datetime import date
    >>> round(fresh_share(0.008, 0.008, Happening(date(2024, 1, 1), times=2)), 4)
    0.75
    """
    if happening.share is not None:
        if not 0 <= happening.share <= 1:
            raise Complaint("the fresh share is not between 0 and 1", "correct it", where, "share")
        if happening.share > volume / capacity + 1e-9:
            raise Complaint(
                worded(
                    "a fresh share of {s:share} from {v:volume} is more than {c:volume} of "
                    "capacity allow",
                    s=happening.share,
                    v=volume,
                    c=capacity,
                ),
                "correct the share, the volume or the capacity",
                where,
                "share",
            )
        return happening.share
    if happening.way == "exchange":
        return -math.expm1(-volume / capacity)
    if happening.times < 1:
        raise Complaint("the number of refills is below one", "correct it", where, "times")
    once = volume / happening.times / capacity
    if once > 1 + 1e-9:
        raise Complaint(
            worded(
                "{v:volume} changed in one go is more than the {c:volume} that the system holds",
                v=volume / happening.times,
                c=capacity,
            ),
            "correct the volume, say in how many refills, or enter it as an exchange",
            where,
            "volume",
        )
    return 1 - (1 - min(once, 1.0)) ** happening.times


def _fill(book: Ledger, happening: Happening, point: Point, volume: float, where: str) -> Ledger:
    if volume > book.capacity * 1.25:
        raise Complaint(
            worded(
                "a fill of {v:volume} is far above the {c:volume} that the system holds",
                v=volume,
                c=book.capacity,
            ),
            "correct the volume or the capacity",
            where,
            "volume",
        )
    return _write(book, happening, point, np.zeros_like(book.volumes), volume, 1.0, ())


def _lose(book: Ledger, happening: Happening, point: Point, volume: float, where: str) -> Ledger:
    total = float(book.volumes.sum())
    if volume > total * (1 + 1e-9):
        raise Complaint(
            worded(
                "a loss of {v:volume} is more than the {w:volume} that were there",
                v=volume,
                w=total,
            ),
            "correct the volume",
            where,
            "volume",
        )
    left = np.maximum(book.volumes * (1 - min(1.0, volume / total)), 0.0)
    step = Step(happening, point, 0.0, book.volumes, left)
    return replace(book, volumes=left, steps=(*book.steps, step))


def _top_up(book: Ledger, happening: Happening, point: Point, volume: float, where: str) -> Ledger:
    """Fill what is missing; a top-up of a full system tells of a loss of the same size."""
    if volume > book.capacity * (1 + 1e-9):
        raise Complaint(
            worded("a top-up of {v:volume} is more than the system holds", v=volume),
            "correct the volume, or enter it as a change",
            where,
            "volume",
        )
    total = float(book.volumes.sum())
    unseen = max(0.0, total + volume - book.capacity)
    kept = book.volumes * (1 - min(1.0, unseen / total)) if total > 0 else book.volumes
    notes: tuple[Said, ...] = ()
    if unseen > 1e-9 * book.capacity:
        text = "{volume:volume} must have been lost before this top-up"
        notes = (said(text, volume=unseen),)
    return _write(
        book, happening, point, kept, volume, volume / (float(kept.sum()) + volume), notes
    )


def _write(
    book: Ledger,
    happening: Happening,
    point: Point,
    kept: Array,
    fresh: float,
    share: float,
    notes: tuple[Said, ...],
) -> Ledger:
    batch = Batch(_day(happening), point, fresh, happening.fluid)
    after = np.append(kept, fresh)
    step = Step(happening, point, share, book.volumes, after, notes)
    return replace(book, batches=(*book.batches, batch), volumes=after, steps=(*book.steps, step))
