"""Entries that may be true but look like a slip: taken only with a word on why."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sumpwright.display import Display
from sumpwright.errors import Complaint
from sumpwright.planning.machine import Span
from sumpwright.records.content import RELEASING, most_above, most_by_sheet
from sumpwright.records.readings import LASTING
from sumpwright.records.state import JobState, other_fluid, torque_tolerance
from sumpwright.records.tally import distance_off

DOUBTED = frozenset({"tightened", "filled", "exchanged", "read", "closed"}) | RELEASING
"""Kinds of entry that may look like a slip."""

_ROUNDING = 1e-9
"""Relative; a number typed in other units comes back a hair beside itself."""
_MARK = 5e-6
"""A volume as it is shown, and typed back, may lie this far beside itself [m³]."""


@dataclass(frozen=True)
class Doubt:
    """What looks like a slip.

    Parameters
    ----------
    condition : {'torque', 'seal', 'less', 'most', 'fluid', 'high', 'over'}
        Under which name a reason for it is kept, after the step.
    field : str
    what : str
    """

    condition: str
    field: str
    what: str


def off_words(off: float) -> str:
    """Say how far a value lies from what is given.

    Examples
    --------
    >>> off_words(0.2), off_words(-0.31), off_words(8.96)
    ('20 % above', '31 % below', '10.0 times')
    """
    if off >= 1:
        return f"{1 + off:.1f} times"
    return f"{abs(off) * 100:.0f} % {'above' if off > 0 else 'below'}"


def doubts(
    state: JobState,
    kind: str,
    body: Mapping[str, Any],
    display: Display | None = None,
    most: float | None = None,
    meters: Mapping[str, float] | None = None,
) -> list[Doubt]:
    """Return what looks like a slip in an entry that is about to be made.

    Parameters
    ----------
    state : JobState
    kind : str
    body : mapping
        SI numbers.
    display : Display, optional
    most : float, optional
        The largest safe discharge [m³].
    meters : mapping, optional
        What odometer [m] and hours [s] of the machine showed last; what was read in the job
        itself counts before it.

    Returns
    -------
    list of Doubt

    Examples
    --------
    >>> body = {"plug": "drain", "torque": 270.0, "target": 27.1}
    >>> doubts(JobState(), "tightened", body)[0].what
    '270 N·m is 10.0 times what is given, 27.1 N·m'
    >>> doubts(JobState(), "tightened", {**body, "torque": 28.0})
    []
    >>> read = {"what": "odometer", "value": 9e5, "unit": "m"}
    >>> doubts(JobState(), "read", read, meters={"odometer": 1.2e6})[0].what
    'this is less than the odometer before, 1200 km'
    """
    show = display or Display()
    if kind == "tightened":
        return [*_far(state, body, show), *_used_seal(state, body)]
    if kind in ("filled", "exchanged"):
        return [*_another(state, body), *_high(state, kind, body, show)]
    if kind in RELEASING:
        return [*_unsafe(kind, body, most, show), *_over(state, kind, body, show)]
    if kind == "read" and body["what"] in LASTING:
        return _less(state, body["what"], body["value"], "value", show, meters or {})
    if kind == "closed":
        return [
            doubt
            for name in LASTING
            if body.get(name) is not None
            for doubt in _less(state, name, body[name], name, show, meters or {})
        ]
    return []


def reasoned(
    found: Sequence[Doubt],
    reason: str,
    here: str,
    do: str = "correct it, or say below why it is so",
    say: Callable[[str], str] = str,
) -> list[tuple[str, dict[str, Any]]]:
    """Return the entry that keeps the reason for what looks like a slip.

    Parameters
    ----------
    found : sequence of Doubt
    reason : str
    here : str
        Step, or kind of entry, under which it is kept.
    do : str
        What to do where the reason is missing.
    say : callable
        How a text is written for the reader.

    Returns
    -------
    list of (str, dict)
        Kind and body; none without a doubt.

    Raises
    ------
    Complaint
        When there is a doubt and no reason.

    Examples
    --------
    >>> reasoned([Doubt("less", "value", "less")], "meter replaced", "read")
    [('overrode', {'step': 'read/less', 'reason': 'meter replaced'})]
    """
    if not found:
        return []
    if not reason.strip():
        what = "; ".join(say(doubt.what) for doubt in found)
        raise Complaint(what, do, field=found[0].field)
    first, *also = dict.fromkeys(f"{here}/{doubt.condition}" for doubt in found)
    body: dict[str, Any] = {"step": first, "reason": reason.strip()}
    return [("overrode", body | {"also": also} if also else body)]


def _unsafe(kind: str, body: Mapping[str, Any], most: float | None, show: Display) -> list[Doubt]:
    if kind != "discharged" or most is None or body["volume"] <= most + _MARK:
        return []
    what = (
        f"this is more than the largest safe discharge of {show.volume(most)}: the pump may "
        "have drawn air"
    )
    return [Doubt("most", "volume", what)]


def _over(state: JobState, kind: str, body: Mapping[str, Any], show: Display) -> list[Doubt]:
    most = most_by_sheet(state.system, kind, state.volume_change, bool(body.get("leaned")))
    if most is None or body["volume"] <= most + _MARK:
        return []
    leaned = ", or was drained leaned" if kind == "drained" and not body.get("leaned") else ""
    what = (
        f"this is more than was in it by the sheet, {show.volume(most)} at most: it may "
        f"have been filled too high{leaned}"
    )
    return [Doubt("over", "volume", what)]


def _another(state: JobState, body: Mapping[str, Any]) -> list[Doubt]:
    asked = state.system.fluid if state.system else ""
    if not other_fluid(asked, body.get("fluid", "")):
        return []
    return [Doubt("fluid", "fluid", f"the sheet asks for {asked}, and this is {body['fluid']}")]


def _high(state: JobState, kind: str, body: Mapping[str, Any], show: Display) -> list[Doubt]:
    above = state.volume_change + body["volume"]
    # What is beyond what can be in it at all is refused where it is kept.
    if state.system is None or not most_above(state.system) < above <= state.system.capacity.high:
        return []
    if kind != "filled":
        return []
    what = f"that is {show.volume(above)} more than stood in it at the start: it may be overfilled"
    return [Doubt("high", "volume", what)]


def _far(state: JobState, body: Mapping[str, Any], show: Display) -> list[Doubt]:
    target = _target(state, body)
    off = distance_off(body["torque"], target) if target else 0.0
    if target is None or abs(off) <= torque_tolerance(target):
        return []
    given = show.torque(target.high if off > 0 else target.low)
    what = f"{show.torque(body['torque'])} is {off_words(off)} what is given, {given}"
    return [Doubt("torque", "torque", what)]


def _used_seal(state: JobState, body: Mapping[str, Any]) -> list[Doubt]:
    plug = state.plug(body["plug"])
    if plug is None or not plug.seal or body.get("new_seal"):
        return []
    what = f"the {plug.name} plug has a seal ({plug.seal}), and no new one is entered"
    return [Doubt("seal", "new_seal", what)]


def _less(
    state: JobState,
    name: str,
    value: float,
    field: str,
    show: Display,
    meters: Mapping[str, float],
) -> list[Doubt]:
    seen = state.readings.get(name)
    before = seen[-1].value if seen else meters.get(name)
    if before is None or value >= before * (1 - _ROUNDING):
        return []
    shown = show.distance(before) if name == "odometer" else f"{before / 3600:.1f} h"
    than = "was read in this job" if seen and field != "value" else f"the {name} before"
    return [Doubt("less", field, f"this is less than {than}, {shown}")]


def _target(state: JobState, body: Mapping[str, Any]) -> Span | None:
    if body.get("target"):
        return Span(body["target"], body["target"], "measured")
    plug = state.plug(body["plug"])
    return plug.torque if plug else None
