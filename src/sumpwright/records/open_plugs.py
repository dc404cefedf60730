"""Plugs that a job opened and for which no tightening was entered since."""

from __future__ import annotations

from sumpwright.display import Display
from sumpwright.planning.machine import Plug
from sumpwright.planning.openings import plug_for
from sumpwright.records.chain import Event
from sumpwright.records.state import JobState, find_plug

_OPENED_BY = {"drained": "drain", "filled": "fill"}
"""Which plug is open where fluid went out or in by the kind of entry."""
_OPENED_AT = {"drain": "drain", "fill-plug": "fill", "level": "level"}
"""Which plug is open at a step, by its root."""


def open_plugs(state: JobState) -> tuple[Plug, ...]:
    """Return the plugs that were opened, and not tightened since, with a torque on the sheet.

    Parameters
    ----------
    state : JobState

    Returns
    -------
    tuple of Plug
        In the order of the sheet; a plug without a torque has nothing to be entered.

    Examples
    --------
    >>> open_plugs(JobState())
    ()
    """
    system = state.system
    if system is None:
        return ()
    opened: dict[str, bool] = {}
    for event in state.effective:
        if event.kind == "tightened":
            plug = find_plug(system, event.body["plug"])
        else:
            role = _opened(event)
            plug = plug_for(system, role) if role else None
        if plug is not None:
            opened[plug.name] = event.kind != "tightened"
    return tuple(plug for plug in system.plugs if plug.torque and opened.get(plug.name))


def _opened(event: Event) -> str:
    """Return the role of the plug that an entry shows to be open; empty for none."""
    root = str(event.body.get("step") or "").partition(".")[0]
    if event.kind in ("did", "lost") and root in _OPENED_AT:
        return _OPENED_AT[root]
    return _OPENED_BY.get(event.kind, "")


def untightened_words(state: JobState, display: Display | None = None) -> list[str]:
    """Say of each plug that stayed open that no tightening was entered.

    Examples
    --------
    >>> untightened_words(JobState())
    []
    """
    show = display or Display()
    said = []
    for plug in open_plugs(state):
        assert plug.torque is not None
        low, high = show.torque(plug.torque.low), show.torque(plug.torque.high)
        given = low if low == high else f"{low} to {high}"
        name = plug.name if "plug" in plug.name.casefold() else f"{plug.name} plug"
        said.append(f"no tightening of the {name} was entered; the sheet gives {given}")
    return said
