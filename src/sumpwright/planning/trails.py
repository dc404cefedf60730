"""The methods of one wet system followed once, and remembered for every further wish."""

from __future__ import annotations

from collections.abc import Iterator

from sumpwright.planning.draws import Draws
from sumpwright.planning.methods import Cache, Cycle, Method, follow


class Trails:
    """Where each method leads, cycle by cycle, over the same draws.

    What a cycle does to the fluid depends neither on the target nor on prices, so a
    plan that is made again for another wish need not follow the methods again. Not
    for several threads at once.

    Parameters
    ----------
    draws : Draws

    Examples
    --------
    >>> from itertools import islice
    >>> from sumpwright.planning.draws import draw
    >>> from sumpwright.planning.machine import Span, WetSystem
    >>> from sumpwright.planning.methods import METHODS
    >>> trails = Trails(draw(WetSystem("axle", "axle", Span(2e-3, 2e-3)), 64))
    >>> first, = islice(trails.cycles(METHODS[0], 0.0), 1)
    >>> again, second = islice(trails.cycles(METHODS[0], 0.0), 2)
    >>> again is first, second.number
    (True, 2)
    """

    def __init__(self, draws: Draws) -> None:
        self.draws = draws
        self._matrices: Cache = {}
        self._known: dict[tuple[str, float], tuple[list[Cycle], Iterator[Cycle]]] = {}

    def cycles(self, method: Method, volume: float) -> Iterator[Cycle]:
        """Give the cycles of a method without end, as `sumpwright.planning.methods.follow`."""
        key = (method.name, volume)
        if key not in self._known:
            self._known[key] = ([], follow(method, self.draws, volume, self._matrices))
        known, ahead = self._known[key]
        place = 0
        while True:
            if place == len(known):
                known.append(next(ahead))
            yield known[place]
            place += 1
