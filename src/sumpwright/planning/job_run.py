"""The steps of a job as it is being carried out: decisions on the way, and what comes next."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from sumpwright.planning.job_step import (
    EVENTS,
    Entry,
    Hold,
    Situation,
    Step,
    holding,
    passed_by,
)
from sumpwright.planning.machine import WetSystem
from sumpwright.planning.methods import Method
from sumpwright.planning.openings import Opening, passed_steps
from sumpwright.planning.outcome import LONGEST
from sumpwright.planning.plan import Plan
from sumpwright.planning.said import said
from sumpwright.planning.steps_of_job import steps_for

MORE_CYCLES = 6
"""Cycles beyond those planned whose steps are kept ready, so that none is missing offline."""


def running_steps(system: WetSystem, method: Method, plan: Plan, cycles: int) -> list[Step]:
    """Return the steps of a job with a decision after each cycle.

    Parameters
    ----------
    system : WetSystem
    method : Method
    plan : Plan
    cycles : int

    Returns
    -------
    list of Step
        As `sumpwright.planning.steps_of_job.steps_for`, and ``decide.n`` after the refill
        of cycle n: go on, or stop here.

    Raises
    ------
    Complaint
        If the method cannot be used on the system, or the cycles are out of range.

    Examples
    --------
    >>> from sumpwright.planning.machine import Span
    >>> from sumpwright.planning.plan import make_plan
    >>> axle = WetSystem("rear axle", "axle", Span(2e-3, 2e-3), Span(1.8e-3, 1.8e-3))
    >>> plan = make_plan(axle)
    >>> steps = running_steps(axle, plan.chosen.method, plan, 2)
    >>> [s.id for s in steps if s.kind == "decide"]
    ['decide.1', 'decide.2']
    """
    steps = steps_for(system, method, plan, cycles)
    out: list[Step] = []
    for place, step in enumerate(steps):
        out.append(step)
        after = steps[place + 1] if place + 1 < len(steps) else None
        if _ends_cycle(step) and not (after and after.id == f"unlean.{step.cycle}"):
            out.append(_decision(step))
    return out


def _ends_cycle(step: Step) -> bool:
    name = step.id.partition(".")[0]
    return step.cycle > 0 and name in ("fill", "unlean", "exchange")


def _decision(step: Step) -> Step:
    return Step(
        id=f"decide.{step.cycle}",
        title=said("Go on or stop"),
        instruction=said("Read what the estimate says, and decide on another cycle."),
        entry=Entry("decide", EVENTS["decide"]),
        engine=step.engine,
        cycle=step.cycle,
        phase=step.phase,
    )


def most_cycles(planned: int) -> int:
    """Return up to how many cycles a job may be led without asking the planner again.

    Examples
    --------
    >>> most_cycles(5), most_cycles(60)
    (11, 60)
    """
    return min(max(1, planned) + MORE_CYCLES, LONGEST)


def upcoming(
    steps: Sequence[Step], passed: Collection[str], skipped: Collection[str] = ()
) -> Step | None:
    """Return the step to do next; ``None`` when all is done.

    An optional step is gone as soon as the one that follows it has been passed, so that
    leaving it out needs no entry of its own; a step done out of turn does not take it away.

    Parameters
    ----------
    steps : sequence of Step
    passed : collection of str
        Ids of the steps done, and of those passed over with a reason.
    skipped : collection of str
        Ids of the optional steps left out just now.

    Examples
    --------
    >>> vial = Step("sample.0", said("Vial"), said("Fill a vial."), optional=True)
    >>> close = Step("close", said("Close"), said("Close it."))
    >>> upcoming([vial, close], ()).id, upcoming([vial, close], (), ["sample.0"]).id
    ('sample.0', 'close')
    >>> upcoming([vial, close], ["close"]) is None
    True
    """
    gone = passed_by(steps, passed).union(skipped)
    return next(
        (s for s in steps if s.id not in passed and not (s.optional and s.id in gone)), None
    )


def in_force(
    order: Sequence[Step], longest: Sequence[Step], situation: Situation
) -> tuple[Step, ...]:
    """Return the steps of a job, with those that close what stands open, whatever was decided.

    Parameters
    ----------
    order : sequence of Step
        The steps for the cycles decided on.
    longest : sequence of Step
        The steps for the most cycles, in which every opening has its closing.
    situation : Situation

    Returns
    -------
    tuple of Step
        Where the order has nothing left that closes it, the step that does stands before
        the level is set; and whoever waits for it is led to that step.

    Examples
    --------
    >>> close = Step("line-closed", said("Close"), said("Close it."), closes=("line",))
    >>> [s.id for s in in_force([], [close], Situation(opened=frozenset({"line"})))]
    ['line-closed']
    """
    if not situation.opened:
        return tuple(order)
    passed = situation.passed
    known = {step.id for step in order}
    lacking = {
        opening
        for opening in situation.opened
        if not any(opening in s.closes and s.id not in passed for s in order)
    }
    more: list[Step] = []
    for step in longest:
        if lacking.intersection(step.closes) and step.id not in passed | known:
            lacking.difference_update(step.closes)
            holds = tuple(h for h in step.holds if h.kind != "step" or h.opening)
            more.append(replace(step, holds=holds))
    place = next((n for n, s in enumerate(order) if s.phase in ("level", "finish")), len(order))
    steps = [*order[:place], *more, *order[place:]]
    closer: dict[str, str] = {}
    for step in steps:
        if step.id not in passed:
            for opening in step.closes:
                closer.setdefault(opening, step.id)
    return tuple(_led(step, closer) for step in steps)


def _led(step: Step, closer: Mapping[str, str]) -> Step:
    if not any(hold.opening in closer for hold in step.holds):
        return step
    return replace(
        step, holds=tuple(replace(h, step=closer.get(h.opening, h.step)) for h in step.holds)
    )


def left_undone(steps: Sequence[Step], passed: Collection[str]) -> list[Step]:
    """Return the steps that are not passed and may not be left out without a reason.

    Examples
    --------
    >>> vial = Step("sample.0", said("Vial"), said("Fill a vial."), optional=True)
    >>> close = Step("close", said("Close"), said("Close it."))
    >>> [step.id for step in left_undone([vial, close], ())]
    ['close']
    """
    return [step for step in steps if step.id not in passed and not step.optional]


def may_be_left_out(step: Step, opened: Collection[Opening]) -> bool:
    """Whether a reason lets a step be passed over: no decision, nor closing an open line.

    Examples
    --------
    >>> close = Step("line-closed", said("Close"), said("Close it."), closes=("line",))
    >>> may_be_left_out(close, ["line"]), may_be_left_out(close, [])
    (False, True)
    """
    return step.kind != "decide" and step.id in passed_steps((), (step.id,), opened)


def out_of_turn(steps: Sequence[Step], done: Sequence[str]) -> list[str]:
    """Return the fewest steps without which all others were done in their order.

    Parameters
    ----------
    steps : sequence of Step
    done : sequence of str
        Ids in the order in which they were done; others than those of the steps count for
        nothing.

    Notes
    -----
    All but a longest increasing subsequence of the places, found by patience sorting.

    Examples
    --------
    >>> a, b, c, d = (Step(name, said(name), said(name)) for name in "abcd")
    >>> out_of_turn([a, b, c, d], ["a", "d", "b", "c"]), out_of_turn([a, b], ["a", "b"])
    (['d'], [])
    """
    place = {step.id: n for n, step in enumerate(steps)}
    known = [step for step in done if step in place]
    ends: list[int] = []
    tops: list[int] = []
    before: list[int] = []
    for n, step in enumerate(known):
        at = bisect_left(ends, place[step])
        before.append(tops[at - 1] if at else -1)
        ends[at : at + 1] = [place[step]]
        tops[at : at + 1] = [n]
    in_turn: set[int] = set()
    n = tops[-1] if tops else -1
    while n >= 0:
        in_turn.add(n)
        n = before[n]
    return [step for n, step in enumerate(known) if n not in in_turn]


TIED = frozenset({"drained", "filled", "discharged", "exchanged", "purged", "worked", "drove"})
"""Kinds of entry that belong to steps, whichever way they are entered."""


@dataclass(frozen=True)
class Asked:
    """The step that an entry belongs to.

    Parameters
    ----------
    step : Step or None
        The step that it completes, or of whose kind it is.
    completes : bool
        Whether it completes the step.
    held : tuple of Hold
        What holds it back.
    """

    step: Step | None = None
    completes: bool = False
    held: tuple[Hold, ...] = ()


def asked_by(steps: Sequence[Step], situation: Situation, current: Step | None, kind: str) -> Asked:
    """Return the step that an entry belongs to which was not made at one.

    At the step that asks for such an entry it completes the step. Otherwise it is one more
    of a kind that was entered before, held back by the engine alone, or it comes too
    early: then it waits for the same as the step that will ask for it.

    Parameters
    ----------
    steps : sequence of Step
    situation : Situation
    current : Step or None
        The step that is on.
    kind : str
        Kind of job event.

    Returns
    -------
    Asked

    Examples
    --------
    >>> from sumpwright.planning.job_step import Entry
    >>> plug = Hold("step", said("loosen the fill plug first"), "fill-plug.1")
    >>> drain = Step("drain.1", said("Drain"), said("Drain."), holds=(plug,),
    ...              entry=Entry("volume out", "drained"))
    >>> [str(h.why) for h in asked_by([drain], Situation(), None, "drained").held]
    ['loosen the fill plug first']
    >>> asked_by([drain], Situation(frozenset({"drain.1"})), None, "drained").held
    ()
    """
    asking = [step for step in steps if kind in TIED and step.entry.event == kind]
    if not asking:
        return Asked()
    if current in asking and current.id not in situation.passed:
        return Asked(current, True, holding(current, situation))
    before = [step for step in asking if step.id in situation.passed]
    if before:
        step = before[-1]
        engine = tuple(h for h in holding(step, situation) if h.kind == "engine" and h.firm)
        return Asked(step, False, engine)
    return Asked(asking[0], False, holding(asking[0], situation))


@dataclass(frozen=True)
class Flow:
    """Flow through the open line as earlier bottles showed it.

    Parameters
    ----------
    rate : float
        [m³/s], from the start of the engine to the call to stop.
    bottles : int
        How many bottles it was learnt from.
    """

    rate: float
    bottles: int

    def seconds_to(self, volume: float) -> float:
        """Return the seconds from the start to the call that leaves so much in the bottle."""
        return volume / self.rate


def learnt_flow(bottles: Iterable[tuple[float, float | None]]) -> Flow | None:
    """Learn the flow from volume and seconds of earlier bottles.

    The seconds run from the start of the engine to the call to stop, so that what still
    runs after the call is in the rate already: the same call gives the same bottle.

    Parameters
    ----------
    bottles : iterable of (volume [m³], seconds [s] or None)

    Returns
    -------
    Flow or None
        ``None`` before any bottle was timed.

    Examples
    --------
    >>> learnt_flow([(2e-3, 58.0), (2e-3, 62.0)]).seconds_to(1.5e-3)
    45.0
    >>> learnt_flow([(2e-3, None)]) is None
    True
    """
    timed = [(volume, seconds) for volume, seconds in bottles if seconds]
    total = sum(seconds for _, seconds in timed)
    if not timed or total <= 0:
        return None
    return Flow(sum(volume for volume, _ in timed) / total, len(timed))
