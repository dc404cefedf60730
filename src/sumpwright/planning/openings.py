"""What a job opens and has to close again, as the steps and entries of its log tell.

Whatever is decided on the way, and in whatever order the steps are taken: what was
opened stays open until it is closed.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import Literal

from sumpwright.planning.machine import Plug, WetSystem

Opening = Literal["drain", "fill", "level", "line", "lean", "chocks"]
"""The plugs by what they are for; the cooler line; leaned over the plug; driven, so that
the chocks are away."""

LEAK_CHECK = "leak-check"
"""The look for leaks, which counts for nothing once something was opened after it."""
CLOSE_LINE = "line-closed"
"""The step that closes the line: no reason stands for it while the line is open."""

_OPENED_AT: dict[str, tuple[Opening, ...]] = {
    "fill-plug": ("fill",),
    "drain": ("drain",),
    "level": ("level",),
    "line-open": ("line",),
    "hoses": ("line",),
    "bump": ("line",),
    "outlet": ("line",),
    "return": ("line",),
    "bottle": ("line",),
    "discharge": ("line",),
    "exchange": ("line",),
    "purge": ("line",),
    "lean": ("lean",),
    "drive": ("chocks",),
}
_OPENED_BY: dict[str, tuple[Opening, ...]] = {
    "drained": ("drain",),
    "filled": ("fill",),
    "discharged": ("line",),
    "exchanged": ("line", "fill"),
    "purged": ("line",),
}
_CLOSED_AT: dict[str, tuple[Opening, ...]] = {
    "drain-plug": ("drain",),
    "close": ("fill",),
    "cap": ("fill",),
    CLOSE_LINE: ("line",),
    "unlean": ("lean",),
    "place": ("chocks",),
}
_PLUGS: tuple[Opening, ...] = ("drain", "fill", "level")


def plug_for(system: WetSystem, role: str) -> Plug | None:
    """Return the plug of a system that a role such as ``drain`` names.

    Examples
    --------
    >>> from sumpwright.planning.machine import Span
    >>> box = WetSystem("box", "axle", Span(2e-3, 2e-3), plugs=(Plug("Drain plug, rear"),))
    >>> plug_for(box, "drain").name
    'Drain plug, rear'
    """
    return next((plug for plug in system.plugs if role in plug.name.casefold()), None)


def has_level_plug(system: WetSystem) -> bool:
    """Whether the level is set at a plug of its own; in a window of temperature it always is."""
    return system.window is not None or plug_for(system, "level") is not None


def opened_at(step: str, system: WetSystem | None) -> tuple[Opening, ...]:
    """Return what a step opens.

    Examples
    --------
    >>> opened_at("drain.2", None), opened_at("drain-plug.2", None), opened_at("level", None)
    (('drain',), (), ())
    """
    found = _OPENED_AT.get(step.partition(".")[0], ())
    if found == ("level",) and (system is None or not has_level_plug(system)):
        return ()
    return found


def opened_by(kind: str) -> tuple[Opening, ...]:
    """Return what must have been open for an entry of a kind, at whatever step it was made."""
    return _OPENED_BY.get(kind, ())


def closed_at(step: str, system: WetSystem | None) -> tuple[Opening, ...]:
    """Return what a step closes.

    Examples
    --------
    >>> closed_at("drain-plug.1", None), closed_at("torque.fill", None), closed_at("drain.1", None)
    (('drain',), ('fill',), ())

    A condition of a step that was passed over closes nothing.

    >>> closed_at("drain-plug.1/torque", None)
    ()
    """
    if "/" in step:
        return ()
    root, _, tail = step.partition(".")
    if root != "torque":
        return _CLOSED_AT.get(root, ())
    if not tail.isdigit():
        return tuple(opening for opening in _PLUGS if opening == tail)
    plugs = system.plugs if system else ()
    place = int(tail[:6]) - 1
    return tightening_closes(plugs[place].name, system) if 0 <= place < len(plugs) else ()


def tightening_closes(plug: str, system: WetSystem | None) -> tuple[Opening, ...]:
    """Return what is closed once a plug of that name is tight.

    Examples
    --------
    >>> tightening_closes("Fill and level plug", None)
    ('fill', 'level')
    """
    name = plug.strip().casefold()
    found: list[Opening] = []
    for opening in _PLUGS:
        known = plug_for(system, opening) if system else None
        meant = known.name.strip().casefold() == name if known else opening in name
        if meant:
            found.append(opening)
    return tuple(found)


def due_again(
    opening: Opening, at: str, passed: Collection[str], system: WetSystem | None
) -> tuple[str, ...]:
    """Return the steps that count for nothing any more once something is opened.

    Parameters
    ----------
    opening : str
    at : str
        The step at which it was opened; empty where it was at none.
    passed : collection of str
        Ids of the steps done, and of those passed over with a reason.
    system : WetSystem or None

    Returns
    -------
    tuple of str
        The steps that closed it: those of the same cycle and later ones, and of what was
        opened at no step the last; and the look for leaks.

    Examples
    --------
    >>> due_again("drain", "drain.2", ["drain-plug.1", "drain-plug.2", "leak-check"], None)
    ('drain-plug.2', 'leak-check')
    """
    closing = [step for step in passed if opening in closed_at(step, system)]
    if at:
        first = _cycle(at) + (opening == "chocks")
        again = [s for s in closing if not _cycle(s) or (_cycle(at) and _cycle(s) >= first)]
    else:
        # What closes it at the end of the job has no cycle, and comes after all that have one.
        last = 0 if any(not _cycle(s) for s in closing) else max(map(_cycle, closing), default=0)
        again = [s for s in closing if _cycle(s) == last]
    if opening in (*_PLUGS, "line") and LEAK_CHECK in passed:
        again.append(LEAK_CHECK)
    return tuple(again)


def _cycle(step: str) -> int:
    root, _, tail = step.partition(".")
    return int(tail[:6]) if root != "torque" and tail.isdigit() else 0


def passed_steps(
    done: Collection[str], left_out: Collection[str], opened: Collection[Opening]
) -> frozenset[str]:
    """Return the steps done and those passed over with a reason, as the holds take them.

    Examples
    --------
    >>> sorted(passed_steps(["a"], ["line-closed"], ["line"]))
    ['a']
    """
    passed = frozenset(done) | frozenset(left_out)
    return passed - {CLOSE_LINE} if "line" in opened else passed
