"""One step of a job at the machine: what to do, its caution, and what holds it back."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

from sumpwright.display import Display
from sumpwright.planning.engine import EngineState, Turns
from sumpwright.planning.machine import Span
from sumpwright.planning.said import Said, said

Engine = Literal["off", "on", "either"]
Who = Literal["hand", "seat"]
Phase = Literal["prepare", "drain", "line", "level", "finish"]
EntryKind = Literal[
    "tick",
    "acknowledge",
    "volume out",
    "volume in",
    "exchange",
    "purge",
    "temperature",
    "torque",
    "sample",
    "reading",
    "work",
    "drive",
    "decide",
]

EVENTS: dict[EntryKind, str] = {
    "tick": "",
    "acknowledge": "",
    "volume in": "filled",
    "exchange": "exchanged",
    "purge": "purged",
    "temperature": "read",
    "torque": "tightened",
    "sample": "sampled",
    "reading": "read",
    "work": "worked",
    "drive": "drove",
    "decide": "decided",
}
"""Kind of job event in which what is entered is kept, where that is always the same."""

ROUNDING = 1e-9
"""Slack [m³] for the rounding of binary fractions in sums of volumes."""


@dataclass(frozen=True)
class Entry:
    """What is entered at a step.

    Parameters
    ----------
    kind : str
        A tick, an acknowledgement from the seat, a volume, a temperature, a
        torque, a sample, a reading, sweeps of the selector, a drive or a number of cycles.
    event : str
        The kind of job event that keeps it; empty when ticking the step is all.
    subject : str
        The plug, vial, fluid or reading meant.
    expected : Span or None
        What to expect, in SI.
    most : float or None
        Never beyond this, in SI.
    evens : bool
        Whether as much should go in as is missing from the level at the start.
    choices : tuple of str
        Readings to choose from, where there are several.
    for_cycle : int
        Cycle that a sample stands for: 0 for the fluid before, n after n cycles.
    may_be_none : bool
        Whether there may be nothing to enter, so that a tick is enough.
    leaned : bool
        Whether the drain is made with the machine leaned over the plug.
    pause : float
        Seconds to hold each position of the selector; 0 where none is moved.
    taken_from : str
        Where a sample is taken from, see `sumpwright.planning.steps.Taken`; else empty.
    """

    kind: EntryKind = "tick"
    event: str = ""
    subject: str = ""
    expected: Span | None = None
    most: float | None = None
    evens: bool = False
    choices: tuple[str, ...] = ()
    for_cycle: int = 0
    may_be_none: bool = False
    leaned: bool = False
    pause: float = 0.0
    taken_from: str = ""

    def to_json(self) -> dict[str, Any]:
        """Return the entry as plain data, SI."""
        return {
            "kind": self.kind,
            "event": self.event or None,
            "subject": self.subject or None,
            "expected": None if self.expected is None else [self.expected.low, self.expected.high],
            "most": self.most,
            "evens": self.evens,
            "choices": list(self.choices),
            "for_cycle": self.for_cycle,
            "may_be_none": self.may_be_none,
            "leaned": self.leaned,
            "pause": self.pause,
            "taken_from": self.taken_from or None,
        }


@dataclass(frozen=True)
class Hold:
    """A condition that holds a step back until it is safe.

    Parameters
    ----------
    kind : {'step', 'balance', 'excess', 'window', 'engine'}
        Another step is done; the balance of fluid in less out is at least ``low``
        [m³], or at most ``high``; the last temperature lies within ``low`` and ``high``
        [K]; the engine is ``engine``.
    why : Said
        What to do first, for the screen.
    step : str
        The other step's id.
    opening : str
        What the other step closes: then it holds only while that stands open, and whether
        the step was ever done is no matter. Empty for most.
    low, high : float or None
    engine : {'', 'off', 'on'}
    firm : bool
        Whether no reason lets it pass.
    """

    kind: Literal["step", "balance", "excess", "window", "engine"]
    why: Said
    step: str = ""
    low: float | None = None
    high: float | None = None
    engine: Literal["", "off", "on"] = ""
    firm: bool = False
    opening: str = ""

    def to_json(self, display: Display | None = None) -> dict[str, Any]:
        """Return the hold as plain data, SI, its reason in the reader's units."""
        return {
            "kind": self.kind,
            "why": self.why.say(display),
            "step": self.step or None,
            "low": self.low,
            "high": self.high,
            "engine": self.engine or None,
            "firm": self.firm,
            "opening": self.opening or None,
        }


def engine_hold(engine: Engine) -> tuple[Hold, ...]:
    """Return the hold of a step that needs the engine off, or on.

    No reason makes it safe to work where the engine may run; that it runs may be left
    to the service manual.

    Examples
    --------
    >>> [str(hold.why) for hold in engine_hold("off")], engine_hold("either")
    (['stop the engine first'], ())
    """
    if engine == "off":
        return (Hold("engine", said("stop the engine first"), engine="off", firm=True),)
    if engine == "on":
        return (Hold("engine", said("start the engine first"), engine="on"),)
    return ()


@dataclass(frozen=True)
class Situation:
    """What a hold is judged by.

    Parameters
    ----------
    passed : frozenset of str
        Ids of the steps done, and of those passed over with a reason.
    balance : float
        Fluid in less fluid out and lost, since the job began or the level was set [m³].
    temperature : float or None
        Last temperature of the fluid [K]; None when none was read.
    engine : str
        How the engine stands.
    opened : frozenset of str
        What stands open, see `sumpwright.planning.openings.Opening`.
    """

    passed: frozenset[str] = frozenset()
    balance: float = 0.0
    temperature: float | None = None
    engine: EngineState = "off"
    opened: frozenset[str] = frozenset()


@dataclass(frozen=True)
class Step:
    """One step of a job.

    Parameters
    ----------
    id : str
        The same in every plan for the same act; ``name.n`` in cycle n.
    title : Said
        A few words, large on the screen.
    instruction : Said
        One instruction.
    caution : Said or None
        The one caution that matters here.
    entry : Entry
        What is entered; the step counts as done once its id is kept with it.
    engine : {'off', 'on', 'either'}
        How the engine must stand when the step begins.
    turns : {'', 'on', 'off', 'pulse'}
        Whether the step starts the engine, stops it, or both in one go.
    who : {'hand', 'seat'}
    holds : tuple of Hold
    cycle : int
        0 for what is done once.
    phase : str
    optional : bool
        Whether it may be left out without giving a reason.
    opens, closes : tuple of str
        What it opens, and what it closes, see `sumpwright.planning.openings.Opening`.
    """

    id: str
    title: Said
    instruction: Said
    caution: Said | None = None
    entry: Entry = field(default_factory=Entry)
    engine: Engine = "off"
    turns: Turns = ""
    who: Who = "hand"
    holds: tuple[Hold, ...] = ()
    cycle: int = 0
    phase: Phase = "prepare"
    optional: bool = False
    opens: tuple[str, ...] = ()
    closes: tuple[str, ...] = ()

    @property
    def kind(self) -> EntryKind:
        """What is entered."""
        return self.entry.kind

    def to_json(self, display: Display | None = None) -> dict[str, Any]:
        """Return the step as plain data, its texts in the reader's units."""
        return {
            "id": self.id,
            "title": self.title.say(display),
            "instruction": self.instruction.say(display),
            "caution": None if self.caution is None else self.caution.say(display),
            "entry": self.entry.to_json(),
            "engine": self.engine,
            "turns": self.turns or None,
            "who": self.who,
            "holds": [hold.to_json(display) for hold in self.holds],
            "cycle": self.cycle,
            "phase": self.phase,
            "optional": self.optional,
            "opens": list(self.opens),
            "closes": list(self.closes),
        }


def holding(step: Step, situation: Situation) -> tuple[Hold, ...]:
    """Return the conditions that still hold a step back.

    Parameters
    ----------
    step : Step
    situation : Situation

    Returns
    -------
    tuple of Hold
        Empty when the step may be done.

    Examples
    --------
    >>> from sumpwright.planning.said import said
    >>> plug = Hold("step", said("loosen the fill plug first"), step="fill-plug.1")
    >>> drain = Step("drain.1", said("Drain"), said("Open the drain plug."), holds=(plug,))
    >>> [str(hold.why) for hold in holding(drain, Situation())]
    ['loosen the fill plug first']
    >>> holding(drain, Situation(frozenset({"fill-plug.1"})))
    ()
    """
    held = tuple(
        hold
        for hold in step.holds
        if not _met(step, hold, situation)
        and (hold.firm or condition(step, hold) not in situation.passed)
    )
    # What waits for the step that starts the engine need not be told twice.
    if len(held) > 1:
        held = tuple(hold for hold in held if hold.engine != "on")
    return held


def condition(step: Step, hold: Hold) -> str:
    """Return the id under which a hold is passed over with a reason.

    Examples
    --------
    >>> from sumpwright.planning.said import said
    >>> start = Step("start.2", said("Start"), said("Start it."))
    >>> condition(start, Hold("balance", said("fill first"))), condition(
    ...     start, Hold("step", said("chocks first"), "place.1"))
    ('start.2/balance', 'place.1')

    What stands open is passed over for this step alone, and has to be closed all the same.

    >>> condition(start, Hold("step", said("plug first"), "drain-plug.1", opening="drain"))
    'start.2/drain'
    """
    if hold.opening:
        return f"{step.id}/{hold.opening}"
    return hold.step if hold.kind == "step" else f"{step.id}/{hold.kind}"


def _met(step: Step, hold: Hold, situation: Situation) -> bool:
    if hold.kind == "engine":
        if hold.engine == "on":
            return situation.engine in ("running", "stopping")
        begins = step.turns in ("on", "pulse")
        return situation.engine == "off" or (begins and situation.engine == "called")
    if hold.opening:
        return hold.opening not in situation.opened
    if hold.kind == "step":
        return hold.step in situation.passed
    if hold.kind == "balance":
        return hold.low is None or situation.balance >= hold.low - ROUNDING
    if hold.kind == "excess":
        return hold.high is None or situation.balance <= hold.high + ROUNDING
    if situation.temperature is None:
        return False
    above = hold.low is None or situation.temperature >= hold.low
    return above and (hold.high is None or situation.temperature <= hold.high)


def next_step(steps: Sequence[Step], passed: Iterable[str]) -> Step | None:
    """Return the first step that has not been passed; None when all have.

    Examples
    --------
    >>> from sumpwright.planning.said import said
    >>> steps = [Step(name, said(name), said(name)) for name in ("place.1", "drain.1")]
    >>> next_step(steps, ["place.1"]).id
    'drain.1'
    """
    gone = frozenset(passed)
    return next((step for step in steps if step.id not in gone), None)


def passed_by(steps: Sequence[Step], passed: Collection[str]) -> frozenset[str]:
    """Return the optional steps that a job has gone past: the next one that is not is passed.

    What was done out of turn, further on, leaves those before it where they are.

    Examples
    --------
    >>> from sumpwright.planning.said import said
    >>> vial = Step("sample.0", said("Vial"), said("Fill a vial."), optional=True)
    >>> close, look = (Step(name, said(name), said(name)) for name in ("close", "look"))
    >>> passed_by([vial, close, look], ["look"]), passed_by([vial, close, look], ["close"])
    (frozenset(), frozenset({'sample.0'}))
    """
    gone: set[str] = set()
    over = False
    for step in reversed(steps):
        if not step.optional:
            over = step.id in passed
        elif over and step.id not in passed:
            gone.add(step.id)
    return frozenset(gone)
