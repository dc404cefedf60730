"""How much can be in a wet system by its sheet, and how much at the very most."""

from __future__ import annotations

from sumpwright.planning.machine import WetSystem

RELEASING = frozenset({"drained", "discharged", "lost"})
"""Kinds of entry by which a volume leaves that was measured on its own."""

ABSURD = 2.0
"""Capacities beyond which a volume is taken for a slip of the unit, however full it was."""

OVER = 0.25
"""Capacities above the start from which a refill is asked about."""


def most_by_sheet(
    system: WetSystem | None, kind: str, net: float, leaned: bool = False
) -> float | None:
    """Return the most that came out if the level at the start was that of the sheet.

    Parameters
    ----------
    system : WetSystem or None
    kind : str
        Kind of entry by which it came out.
    net : float
        In less out since the start [m³].
    leaned : bool
        Whether it came out with the machine leaned over the plug.

    Returns
    -------
    float or None
        m³; ``None`` when nobody knows.

    Examples
    --------
    >>> from sumpwright.planning.machine import Span
    >>> box = WetSystem("box", "automatic", Span(9e-3, 9e-3), sump=Span(5e-3, 5e-3))
    >>> most_by_sheet(box, "drained", -1e-3), most_by_sheet(box, "drained", -1e-3, leaned=True)
    (0.004, 0.008)
    """
    if system is None or kind not in RELEASING:
        return None
    most = system.capacity.high
    if system.sump is not None and (kind == "discharged" or (kind == "drained" and not leaned)):
        most = min(most, system.sump.high)
    return max(0.0, most + net)


def most_above(system: WetSystem) -> float:
    """Return how far above the start a refill may stand before it looks like a slip [m³].

    A quarter of the capacity, common practice, no source: room for a level that was low at the
    start and for what is filled cold to run out again at the level.

    Examples
    --------
    >>> from sumpwright.planning.machine import Span
    >>> most_above(WetSystem("box", "axle", Span(2e-3, 2e-3)))
    0.0005
    """
    return OVER * system.capacity.high


def most_possible(system: WetSystem | None, net: float) -> float | None:
    """Return what cannot have come out however full it was [m³]; ``None`` when nobody knows.

    Examples
    --------
    >>> from sumpwright.planning.machine import Span
    >>> most_possible(WetSystem("box", "axle", Span(2e-3, 2e-3)), -1e-3)
    0.003
    """
    return None if system is None else max(0.0, ABSURD * system.capacity.high + net)
