"""The ways of changing the fluid, followed cycle by cycle over all draws."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from sumpwright.physics import exchange as ex
from sumpwright.physics.circuit import LOOP_TANKS, SUMP, Array, Contents
from sumpwright.physics.transport import transition
from sumpwright.planning.assumptions import WITH_COOLER_LINE, Times
from sumpwright.planning.draws import Draws
from sumpwright.planning.kinds import canonical_kind
from sumpwright.planning.machine import WetSystem

_FRESH = 0

SWEEPS = 3
"""Selector sweeps before each discharge, where the method has them."""

LEAST_DISCHARGE = 0.1e-3
"""Below this volume [m³] a line discharge is not worth the opening of the line."""


@dataclass(frozen=True)
class Method:
    """A way of changing the fluid.

    Parameters
    ----------
    name : str
        Identifier, the same in JSON and on the command line.
    title : str
        What the hand reads.
    line : bool
        Whether fluid is pushed out through the cooler line after the first cycle.
    pumped : bool
        Whether new fluid enters at the same rate, from a second pump.
    sweeps, purged, leaned : bool
        What is done besides.
    needs : tuple of str
        Equipment that not every yard has.
    """

    name: str
    title: str
    line: bool = False
    pumped: bool = False
    sweeps: bool = False
    purged: bool = False
    leaned: bool = False
    needs: tuple[str, ...] = ()

    @property
    def helpers(self) -> int:
        """People needed besides the hand: one in the seat while the engine runs."""
        return 1 if self.line else 0

    @property
    def uses(self) -> tuple[str, ...]:
        """Names of the method's own numbers."""
        pairs = (
            (self.purged, "purge_share"),
            (self.leaned, "lean_gain"),
            (self.sweeps, "sweep_share"),
        )
        return tuple(name for used, name in pairs if used)


METHODS: tuple[Method, ...] = (
    Method("drain-and-refill", "Drain and refill, with a drive between"),
    Method(
        "leaned-drain-and-refill",
        "Drain leaned over the plug and refill, with a drive between",
        leaned=True,
        needs=("lean",),
    ),
    Method("line-discharge", "Drain and refill, then discharge through the cooler line", line=True),
    Method(
        "line-discharge-with-selector-work",
        "Drain and refill, then work selector, wheel or levers and discharge through the line",
        line=True,
        sweeps=True,
    ),
    Method(
        "line-discharge-with-purge",
        "Drain and refill, then discharge through the cooler line and blow it out",
        line=True,
        purged=True,
        needs=("air",),
    ),
    Method(
        "pumped-exchange",
        "Drain and refill, then new fluid pumped in as the old leaves",
        line=True,
        pumped=True,
        needs=("second-pump",),
    ),
)

EQUIPMENT = ("lean", "air", "second-pump")


@dataclass(frozen=True)
class Cycle:
    """State after a cycle, over all draws: shares in [0, 1], volumes in m³."""

    number: int
    fresh: Array
    new_fluid: Array
    waste: Array
    largest_release: float


def applicable(method: Method, system: WetSystem, safe: float) -> str:
    """Say why a method cannot be used on a system; empty when it can.

    Parameters
    ----------
    method : Method
    system : WetSystem
    safe : float
        Largest safe discharge [m³].

    Returns
    -------
    str

    Examples
    --------
    >>> from sumpwright.planning.machine import Span
    >>> axle = WetSystem("rear axle", "axle", Span(2e-3, 2e-3))
    >>> applicable(METHODS[2], axle, 1e-3)
    'this kind of system has no pump that could push fluid out through a line'
    """
    if not method.line:
        return ""
    kind, _ = canonical_kind(system.kind)
    if kind not in WITH_COOLER_LINE:
        return "this kind of system has no pump that could push fluid out through a line"
    if not method.pumped and safe < LEAST_DISCHARGE:
        return (
            "no discharge is safe: the pick-up reserve may be as large as the sump; "
            "measure the sump or narrow the ranges"
        )
    return ""


def bottle(system: WetSystem, safe: float) -> float:
    """Volume of one line discharge [m³]: the sheet's, held to what is safe.

    Parameters
    ----------
    system : WetSystem
    safe : float
        Largest safe discharge [m³].

    Returns
    -------
    float

    Examples
    --------
    >>> from sumpwright.planning.machine import Span
    >>> box = WetSystem("box", "automatic", Span(9e-3, 9e-3), discharge=Span(2e-3, 2e-3))
    >>> bottle(box, 3.3e-3), bottle(box, 1.5e-3)
    (0.002, 0.0015)
    """
    if system.discharge is None:
        return safe
    return min(system.discharge.low, safe)


def step_volume(method: Method, size: float, draws: Draws) -> float:
    """Volume that goes through the line in one cycle of a method [m³].

    Parameters
    ----------
    method : Method
    size : float
        Volume of one line discharge [m³].
    draws : Draws

    Returns
    -------
    float
        The bottle; where no discharge is safe, a pumped exchange, which keeps the
        level, goes by the least volume that the drain lets out.

    Examples
    --------
    >>> from sumpwright.planning.draws import draw
    >>> from sumpwright.planning.machine import Span
    >>> d = draw(WetSystem("box", "automatic", Span(9e-3, 9e-3), Span(4e-3, 4e-3)), 8)
    >>> step_volume(METHODS[2], 2e-3, d), step_volume(METHODS[5], 0.0, d)
    (0.002, 0.004)
    """
    if method.pumped and size < LEAST_DISCHARGE:
        return float(np.min(draws.drain))
    return size


Cache = dict[tuple[str, float], Array]


def follow(
    method: Method,
    draws: Draws,
    volume: float,
    cache: Cache | None = None,
    *,
    start: Contents | None = None,
    under_way: bool = False,
) -> Iterator[Cycle]:
    """Follow a method cycle after cycle, without end.

    Parameters
    ----------
    method : Method
    draws : Draws
    volume : float
        Volume of one line discharge, or of one step of a pumped exchange [m³].
    cache : dict, optional
        Kept between methods followed over the same draws, so that they share the
        costly matrices.
    start : Contents, optional
        What stands in the compartments, shares of one batch, the new fluid; at level
        and all of it old if left out.
    under_way : bool
        Whether fluid has been let out before, so that no drain comes first where the
        method goes through the line.

    Yields
    ------
    Cycle
        After the first cycle, the second, and so on. A draw gives no more than its
        sump holds.

    Examples
    --------
    >>> from sumpwright.planning.draws import draw
    >>> from sumpwright.planning.machine import Span
    >>> one = lambda x: Span(x, x)
    >>> box = WetSystem("box", "automatic", one(9.2e-3), one(4.1e-3), one(4.8e-3), one(0.7e-3),
    ...                 one(2), one(0.1), one(1.5e-3))
    >>> first = next(follow(METHODS[0], draw(box), 0.0))
    >>> round(float(first.fresh[0]), 6)
    0.445652
    """
    body = draws.circuit
    # Only the fresh batch is kept account of: what it does not fill is old.
    contents = Contents(body.volumes, np.zeros((body.draws, body.places, 1)))
    if start is not None:
        contents = start
    new = np.zeros(draws.count)
    waste = np.zeros(draws.count)
    run = _Line(method, draws, volume, {} if cache is None else cache)
    released = draws.released(method.leaned)
    number = 0
    while True:
        number += 1
        if (number == 1 and not under_way) or not method.line:
            out = np.minimum(released, contents.volume[:, SUMP])
            contents = ex.fill(ex.drain(contents, out), out, _FRESH)
            if not method.line:
                contents = ex.drive(body, contents)
        else:
            contents, out = run.cycle(contents)
        new = new + out
        waste = waste + out
        yield Cycle(number, contents.mean_share[:, _FRESH], new, waste, float(np.max(out)))


class _Line:
    """The later cycles of a line method, with their matrices worked out once."""

    def __init__(self, method: Method, draws: Draws, volume: float, cache: Cache) -> None:
        self._method, self._draws, self._cache = method, draws, cache
        self.volume = volume
        self._blown = draws.purge_share * draws.circuit.loop if method.purged else 0.0

    def _matrix(self, key: str) -> Array:
        if (key, self.volume) not in self._cache:
            body = self._draws.circuit
            if key == "prime":
                made = transition(ex.without_loop(body), self._blown)
            else:
                made = transition(body, self.volume, "inlet" if key == "inlet" else "sump")
            self._cache[key, self.volume] = made
        return self._cache[key, self.volume]

    def cycle(self, contents: Contents) -> tuple[Contents, Array]:
        method, draws, body = self._method, self._draws, self._draws.circuit
        lacking = body.loop - contents.volume[:, -LOOP_TANKS:].sum(axis=1)
        if np.any(lacking > 1e-9 * body.loop):
            usual = np.allclose(lacking, self._blown, rtol=1e-9, atol=0.0)
            contents = ex.prime(body, contents, self._matrix("prime") if usual else None)
        if method.sweeps:
            contents = ex.work(body, contents, SWEEPS, draws.sweep_share)
        out = np.full(draws.count, self.volume)
        if method.pumped:
            matrix = self._matrix("inlet")
            return ex.exchange(body, contents, self.volume, _FRESH, matrix), out
        there = contents.volume[:, SUMP]
        if np.all(there >= self.volume):
            contents = ex.discharge(body, contents, self.volume, self._matrix("sump"))
        else:
            out = np.minimum(out, there)
            contents = ex.discharge(body, contents, out)
        if method.purged:
            before = contents.total
            contents = ex.purge(contents, draws.purge_share)
            out = out + before - contents.total
        return ex.fill(contents, out, _FRESH), out


def minutes(method: Method, cycles: int, pushed: float, times: Times, flow: float) -> float:
    """Minutes that a method takes for a number of cycles.

    Parameters
    ----------
    method : Method
    cycles : int
    pushed : float
        Volume pushed through the line in all [m³].
    times : Times
    flow : float
        Flow through the line [m³/s].

    Returns
    -------
    float

    Examples
    --------
    >>> minutes(METHODS[0], 2, 0.0, Times(), 2e-3 / 60)
    126.0
    """
    total = times.set_up + times.level + times.drain + times.refill
    if method.leaned:
        total += times.lean * cycles
    if not method.line:
        return total + (cycles - 1) * (times.drain + times.refill) + cycles * times.drive
    if cycles > 1:
        later = cycles - 1
        each = times.refill + (times.purge if method.purged else 0.0)
        each += times.sweeps if method.sweeps else 0.0
        total += times.open_line + times.close_line + later * each + pushed / flow / 60.0
    return total + times.drive
