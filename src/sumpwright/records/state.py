"""What a job's log amounts to: plain values, made by :mod:`sumpwright.records.fold`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime

from sumpwright.planning.engine import EngineState
from sumpwright.planning.machine import Plug, Sheet, Span, WetSystem
from sumpwright.planning.openings import Opening
from sumpwright.planning.said import Said
from sumpwright.planning.steps import FluidStep, Taken
from sumpwright.records.chain import Event

TORQUE_TOLERANCE = 0.15
"""Relative distance from a single specified torque beyond which an entry is flagged; common
practice, no source."""
RANGE_TOLERANCE = 0.005
"""The same beyond the ends of a specified range, which is the tolerance itself: rounding alone."""


def torque_tolerance(target: Span | None) -> float:
    """Return how far from what is given a torque may lie, relative.

    Examples
    --------
    >>> torque_tolerance(Span(27.0, 27.0)), torque_tolerance(Span(25.0, 30.0))
    (0.15, 0.005)
    """
    ranged = target is not None and target.low < target.high
    return RANGE_TOLERANCE if ranged else TORQUE_TOLERANCE


def other_fluid(asked: str, entered: str) -> bool:
    """Whether another fluid is entered than the one that is asked for.

    Examples
    --------
    >>> other_fluid("Cable Green 7", "cable green  7"), other_fluid("Cable Green 7", "Summit 3")
    (False, True)
    >>> other_fluid("", "Summit 3"), other_fluid("Cable Green 7", "")
    (False, False)
    """
    one, two = (" ".join(name.split()).casefold() for name in (asked, entered))
    return bool(one and two) and one != two


@dataclass(frozen=True, slots=True)
class Flag:
    """Something accepted that should be looked at."""

    event: str
    said: Said

    @property
    def text(self) -> str:
        """What is to be looked at, in metric units."""
        return str(self.said)


@dataclass(frozen=True)
class Balance:
    """Fluid out and in, m³, by kind of event.

    ``settled`` is what stood in less out when the level was set: from then on the level
    counts, and no longer what came out and went in before it.
    """

    out: Mapping[str, float]
    put_in: Mapping[str, float]
    lost: float
    settled: float = 0.0

    @property
    def total_out(self) -> float:
        """All that left on purpose, m³."""
        return sum(self.out.values(), 0.0)

    @property
    def total_in(self) -> float:
        """All that was put in, m³."""
        return sum(self.put_in.values(), 0.0)

    @property
    def net(self) -> float:
        """In less out less lost, m³: the volume now against the level at the start, or as set."""
        return self.total_in - self.total_out - self.lost - self.settled


@dataclass(frozen=True, slots=True)
class Reading:
    """One reading, SI."""

    at: datetime
    value: float
    unit: str
    by: str
    event: str


@dataclass(frozen=True, slots=True)
class Batch:
    """One fluid (and lot) put in during the job, m³; ``price`` is all that was paid for it."""

    label: str
    fluid: str
    lot: str
    volume: float
    price: float


@dataclass(frozen=True, slots=True)
class Torque:
    """One tightening against its specification, N·m.

    ``off`` is the relative distance from the nearest end of the specified range,
    0 inside it, ``None`` when there is no specification.
    """

    plug: str
    torque: float
    target: Span | None
    off: float | None
    at: datetime
    by: str
    event: Event

    @property
    def within(self) -> bool | None:
        """Whether it lies within tolerance of the specification, if there is one."""
        return None if self.off is None else abs(self.off) <= torque_tolerance(self.target)


@dataclass(frozen=True, slots=True)
class Sample:
    """A vial, with the share of old fluid where it was measured."""

    vial: str
    cycle: int
    note: str
    old_share: float | None
    standard_error: float | None
    attachment: str
    at: datetime
    event: str
    after: int
    """How many fluid steps had been made when it was taken."""
    method: str = ""
    """How the share was computed, where a photograph was read."""
    told_from_new: bool | None = None
    """Whether its colour could be told from the unused fluid beside it."""
    taken_from: Taken = "out"
    """What it is a sample of."""
    ran: bool = False
    """Whether the engine had run since fluid was last moved, with no step of its own."""


@dataclass(frozen=True, slots=True)
class Photograph:
    """A photograph; ``attachment`` is the sha256 of its bytes."""

    attachment: str
    caption: str
    at: datetime
    by: str
    event: str


@dataclass(frozen=True)
class JobState:
    """Everything a job's log says, as it stands.

    Two states compare equal when what is in force is equal, however the logs came
    to it; ``length``, ``head``, ``reversed`` (ids out
    of force) and ``reversals`` (those in force) tell about the log itself.

    Parameters
    ----------
    sheet, system : Sheet and WetSystem, or None
        The machine sheet from which the job was started, and its system.
    effective : tuple of Event
        The events in force, reversals themselves left out.
    volume_change : float
        m³ now in the system relative to the level at the start.
    fluid_steps : tuple of FluidStep
        What was done to the fluid, for the estimate of its composition.
    cycles : int
        Releases followed by a refill; the short run that proves the outlet is none.
    pending : tuple of Event
        Signals that no one has acknowledged, and whose step is still to be done.
    engine : {'off', 'called', 'running', 'stopping'}
    stopped : bool
        Whether it was decided that no further cycle follows.
    level_set : bool
    opened : frozenset of str
        What stands open, see `sumpwright.planning.openings.Opening`.
    """

    job: str = ""
    machine: str = ""
    system_name: str = ""
    sheet: Sheet | None = None
    system: WetSystem | None = None
    method: str = ""
    target: float | None = None
    confidence: float | None = None
    worth_per_point: float | None = None
    planned: Mapping[str, object] | None = None
    opened_at: datetime | None = None
    opened_by: str = ""
    closed_at: datetime | None = None
    closing_odometer: float | None = None
    closing_hours: float | None = None
    summary: str = ""
    effective: tuple[Event, ...] = ()
    balance: Balance = field(default_factory=lambda: Balance({}, {}, 0.0))
    fluid_steps: tuple[FluidStep, ...] = ()
    batches: tuple[Batch, ...] = ()
    readings: Mapping[str, tuple[Reading, ...]] = field(default_factory=dict)
    torques: Mapping[str, tuple[Torque, ...]] = field(default_factory=dict)
    samples: tuple[Sample, ...] = ()
    photographs: tuple[Photograph, ...] = ()
    notes: tuple[Event, ...] = ()
    done: tuple[str, ...] = ()
    overridden: Mapping[str, str] = field(default_factory=dict)
    pending: tuple[Event, ...] = ()
    engine: EngineState = "off"
    stopped: bool = False
    level_set: bool = False
    opened: frozenset[Opening] = frozenset()
    cycles: int = 0
    flags: tuple[Flag, ...] = ()
    length: int = field(default=0, compare=False)
    head: str = field(default="", compare=False)
    reversed: frozenset[str] = field(default=frozenset(), compare=False)
    reversals: tuple[Event, ...] = field(default=(), compare=False)

    @property
    def open(self) -> bool:
        """Whether the job has begun and not ended."""
        return self.opened_at is not None and self.closed_at is None

    @property
    def volume_change(self) -> float:
        """m³ in the system relative to the level at the start."""
        return self.balance.net

    def plug(self, name: str) -> Plug | None:
        """Return a plug of the system by its name, however it is capitalised."""
        return find_plug(self.system, name)


def find_plug(system: WetSystem | None, name: str) -> Plug | None:
    """Return a plug of a system by its name, however it is capitalised."""
    wanted = name.strip().casefold()
    for plug in system.plugs if system else ():
        if plug.name.strip().casefold() == wanted:
            return plug
    return None


def batch_label(fluid: str, lot: str | None) -> str:
    """Return the label under which a fluid put in is known in the composition.

    Examples
    --------
    >>> batch_label("Cable Green 7", "L12")
    'Cable Green 7 (lot L12)'
    """
    return f"{fluid} (lot {lot})" if lot else fluid
