"""What a job's log may take in next, given what it holds already."""

from __future__ import annotations

import difflib
from collections.abc import Callable
from typing import Any

from sumpwright.display import Display
from sumpwright.errors import Complaint
from sumpwright.planning.said import Value, said
from sumpwright.records.chain import Event
from sumpwright.records.content import RELEASING, most_by_sheet, most_possible
from sumpwright.records.state import JobState
from sumpwright.records.tally import COMPLETING, ROUNDING
from sumpwright.records.wording import describe
from sumpwright.worded import Worded

LARGEST_EXCHANGE = 10.0
"""Capacities beyond which an exchange is taken for a slip of the unit."""

_MARK = 5e-6
"""A volume as it is shown, and typed back, may lie this far beside itself [m³]."""

MEASURED = COMPLETING - {"read", "did", "decided", "acknowledged"}
"""Kinds of entry of which a step has one; a tick made twice is no contradiction."""


def _in_words(show: Display, text: str, **values: Value) -> Worded:
    sentence = said(text, **values)
    return Worded(sentence.say(show), sentence.say)


def check_next(state: JobState, event: Event, display: Display | None = None) -> None:
    """Refuse an entry that cannot be true, or that the log cannot take now.

    Parameters
    ----------
    state : JobState
        The job as it stands.
    event : Event
        The entry that would come next, its body already validated.
    display : Display, optional
        Units in which a complaint speaks; metric if left out.

    Raises
    ------
    Complaint
        Says what is wrong and what to do instead.
    """
    if event.kind == "opened":
        if state.length:
            raise Complaint("this job is open already", "start another job", field="kind")
        return
    if state.opened_at is None:
        raise Complaint("this job was never opened", "start a job first", field="kind")
    if state.closed_at is not None and not _reopens(state, event):
        raise Complaint(
            "this job is closed",
            "undo its closing to go on with it, or start another job",
            field="kind",
        )
    show = display or Display()
    _once(state, event, show)
    if event.kind in (*RELEASING, "purged") and "volume" in event.body:
        _released(state, event, show)
    rule = _RULES.get(event.kind)
    if rule is not None:
        rule(state, event, event.body, show)


def _once(state: JobState, event: Event, show: Display) -> None:
    """Refuse a second measurement for a step that is done: nobody measured it twice."""
    step = event.body.get("step")
    if event.kind not in MEASURED or step not in state.done:
        return
    first = next(
        e for e in reversed(state.effective) if e.kind in COMPLETING and e.body.get("step") == step
    )
    by = f" by {first.by}" if first.by else ""
    raise Complaint(
        f"this step was done already{by}: {describe(first, show)}",
        "say which of the two counts, or that both do",
        field="step",
    )


def _reopens(state: JobState, event: Event) -> bool:
    return event.kind == "reversed" and any(
        e.kind == "closed" and e.id == event.body["event"] for e in state.effective
    )


def _released(state: JobState, event: Event, show: Display) -> None:
    """Refuse what cannot have come out, and what by the sheet was not in it without a reason."""
    if state.system is None:
        return
    kind, volume, net = event.kind, event.body["volume"], state.volume_change
    possible = most_possible(state.system, net)
    if possible is not None and volume > possible * ROUNDING:
        raise Complaint(
            _in_words(
                show,
                "{v:volume} cannot have been {kind:text}: no more than {most:volume} can be in "
                "the {system:text}",
                v=volume,
                kind=kind,
                most=possible,
                system=state.system.name,
            ),
            "correct the volume or its unit, or enter first what was put in",
            field="volume",
        )
    leaned = bool(event.body.get("leaned"))
    most = most_by_sheet(state.system, kind, net, leaned)
    if most is None or volume <= most * ROUNDING + _MARK or _reasoned(state):
        return
    lean = "mark the drain as leaned if it was, " if kind == "drained" and not leaned else ""
    raise Complaint(
        _in_words(
            show,
            "{v:volume} {kind:text} is more than was in the {system:text} by the sheet, "
            "{most:volume} at most",
            v=volume,
            kind=kind,
            system=state.system.name,
            most=most,
        ),
        f"correct the volume, enter first what was put in, {lean}or give the reason",
        field="volume",
    )


def _reasoned(state: JobState) -> bool:
    """Whether a reason for more than by the sheet was kept since something last came out."""
    for event in reversed(state.effective):
        if event.kind in RELEASING:
            return False
        if event.kind == "overrode":
            names = (event.body["step"], *event.body.get("also", ()))
            if any(name.endswith("/over") for name in names):
                return True
    return False


def _exchanged(state: JobState, _event: Event, body: Any, show: Display) -> None:
    if state.system and body["volume"] > LARGEST_EXCHANGE * state.system.capacity.high:
        raise Complaint(
            _in_words(
                show,
                f"an exchange of {{v:volume}} is more than {LARGEST_EXCHANGE:g} times what the "
                "{system:text} holds",
                v=body["volume"],
                system=state.system.name,
            ),
            "correct the volume or its unit",
            field="volume",
        )


def _filled(state: JobState, _event: Event, body: Any, show: Display) -> None:
    system = state.system
    if system is None:
        return
    held = max(0.0, system.capacity.high + state.volume_change)
    low = max(0.0, system.capacity.low + state.volume_change)
    if low + body["volume"] > 2.0 * system.capacity.high * ROUNDING:
        raise Complaint(
            _in_words(
                show,
                "{v:volume} cannot have gone in: about {held:volume} is in the {system:text} "
                "already and it holds {capacity:volume}",
                v=body["volume"],
                held=held,
                system=system.name,
                capacity=system.capacity.high,
            ),
            "correct the volume or its unit, or enter first what came out",
            field="volume",
        )


def _tightened(state: JobState, _event: Event, body: Any, _show: Display) -> None:
    plug = state.plug(body["plug"])
    plugs = state.system.plugs if state.system else ()
    if plug is not None and (plug.torque is not None or "target" in body):
        return
    near = difflib.get_close_matches(body["plug"], [p.name for p in plugs], n=1)
    if plug is None and "target" in body and (not near or "step" in body):
        # A job keeps the sheet as it stood, so that a plug it lacks could never be added.
        return
    known = [p.name for p in plugs if p.torque is not None]
    listed = f"plugs with a torque: {', '.join(known)}" if known else "no plug has a torque yet"
    if plug is None:
        what = f"'{body['plug']}' is not a plug of the {state.system_name} ({listed})"
        how = (
            f"did you mean '{near[0]}'?"
            if near
            else "name one of them, or give the torque of the service manual as target"
        )
    else:
        what = f"the sheet gives no torque for '{plug.name}' ({listed})"
        how = (
            'give the torque of the service manual as target, or add torque = "… N.m" to this '
            "plug in the machine sheet"
        )
    raise Complaint(what, how, field="plug")


def _reversed(state: JobState, event: Event, body: Any, _show: Display) -> None:
    target = body["event"]
    if target in state.reversed:
        raise Complaint(
            "this entry has been undone already", "redo it, or undo another one", field="event"
        )
    known = {e.id: e for e in state.effective}
    found = known.get(target)
    if found is None and all(e.id != target for e in state.reversals):
        raise Complaint(
            f"there is nothing to undo: the job has no entry {target}",
            "name an entry of this job",
            field="event",
        )
    if found is not None and found.kind == "acknowledged" and _of_engine(state, found):
        raise Complaint(
            "what the seat answered about the engine cannot be undone",
            "call stop, and begin again with what comes before the start",
            field="event",
        )
    if found is not None and found.kind == "opened":
        raise Complaint(
            "the opening of a job cannot be undone", "close the job instead", field="event"
        )
    if target == event.id:
        raise Complaint("an entry cannot undo itself", "name an earlier entry", field="event")


def _of_engine(state: JobState, answer: Event) -> bool:
    return any(e.id == answer.body["signal"] and bool(e.body.get("turns")) for e in state.effective)


def _acknowledged(state: JobState, _event: Event, body: Any, _show: Display) -> None:
    if not any(e.kind == "signal" and e.id == body["signal"] for e in state.effective):
        raise Complaint(
            f"the job has no signal {body['signal']}", "name a signal of this job", field="signal"
        )


_RULES: dict[str, Callable[[JobState, Event, Any, Display], None]] = {
    "exchanged": _exchanged,
    "filled": _filled,
    "tightened": _tightened,
    "reversed": _reversed,
    "acknowledged": _acknowledged,
}
