"""Where a job is among its steps, from its log."""

from __future__ import annotations

from collections.abc import Mapping

from sumpwright.planning.engine import is_answer
from sumpwright.planning.job_run import Flow, learnt_flow
from sumpwright.planning.job_step import Situation
from sumpwright.planning.kept_steps import KeptSteps
from sumpwright.planning.methods import METHODS, Method
from sumpwright.planning.openings import passed_steps
from sumpwright.planning.outcome import LONGEST, Wish
from sumpwright.planning.progress import method_named
from sumpwright.records.chain import Event
from sumpwright.records.state import JobState

_NOT_UNDONE = frozenset({"opened", "signal", "reversed"})


def method_of(state: JobState) -> Method:
    """Return the method of a job; the plainest one when its own is not known here."""
    try:
        return method_named(state.method)
    except KeyError:
        return METHODS[0]


def wish_of(state: JobState) -> Wish:
    """Return what the job was opened for, its own method alone."""
    return Wish(
        target=state.target if state.target and state.target < 1 else 0.90,
        confidence=state.confidence if state.confidence and state.confidence < 1 else 0.90,
        worth_per_point=state.worth_per_point or None,
        methods=(method_of(state).name,),
    )


def planned_cycles(state: JobState) -> int | None:
    """Return the cycles that were planned when the job was opened, if the log says.

    Examples
    --------
    >>> planned_cycles(JobState(planned={"recommended": {"cycles": 4}}))
    4
    """
    recommended = (state.planned or {}).get("recommended")
    found = recommended.get("cycles") if isinstance(recommended, Mapping) else None
    return found if type(found) is int and 1 <= found <= LONGEST else None


def decided_cycles(state: JobState) -> int | None:
    """Return the cycles that were decided on last, on the way; ``None`` while nothing was."""
    for event in reversed(state.effective):
        if event.kind == "decided":
            return min(int(event.body["cycles"]), LONGEST)
    return None


def adopted_steps(state: JobState) -> KeptSteps | None:
    """Return what was taken over from an earlier job, if anything was."""
    for event in reversed(state.effective):
        if event.kind == "adopted":
            return KeptSteps.from_json(event.body)
    return None


def situation_of(state: JobState) -> Situation:
    """Return what the holds of the steps are judged by."""
    temperatures = state.readings.get("temperature")
    return Situation(
        passed=passed_steps(state.done, state.overridden, state.opened),
        balance=state.volume_change,
        temperature=temperatures[-1].value if temperatures else None,
        engine=state.engine,
        opened=frozenset[str](state.opened),
    )


def flow_of(state: JobState) -> Flow | None:
    """Return the flow through the line as the job's own bottles showed it."""
    return learnt_flow(
        (event.body["volume"], event.body.get("seconds"))
        for event in state.effective
        if event.kind == "discharged"
    )


def to_undo(state: JobState) -> Event | None:
    """Return the entry that undoing would take back: the last act, not a call to the seat.

    How the engine stands is no slip to be taken back by one tap: ``None`` when that is
    what was said last. A stop is called to put it right.
    """
    acts = [event for event in state.effective if event.kind not in _NOT_UNDONE]
    last = max(acts, key=lambda event: event.seq, default=None)
    return None if last is None or says_engine(state, last) else last


def says_engine(state: JobState, event: Event) -> bool:
    """Whether an entry says how the engine stands: an answer of the seat, or as seen or heard."""
    if event.kind == "did":
        return is_answer(event.body["step"])
    return event.kind == "acknowledged" and any(
        call.id == event.body["signal"] and bool(call.body.get("turns")) for call in state.effective
    )
