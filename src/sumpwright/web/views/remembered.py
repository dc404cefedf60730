"""Plans and standings that are asked for again and again, worked out once."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable, Sequence
from dataclasses import replace
from typing import Generic, TypeVar

from sumpwright.planning.basket import Shelf
from sumpwright.planning.draws import Draws, draw
from sumpwright.planning.machine import Offer, WetSystem
from sumpwright.planning.outcome import Wish
from sumpwright.planning.plan import Plan, make_plan
from sumpwright.planning.trails import Trails
from sumpwright.records.standing import JobStanding, job_draws, job_standing
from sumpwright.records.state import JobState

V = TypeVar("V")


class Remembered(Generic[V]):
    """The values used last, by key; each is made by one thread while others wait for it.

    Examples
    --------
    >>> few = Remembered[int](2)
    >>> few.get("a", lambda: 1), few.get("a", lambda: 2)
    (1, 1)
    """

    def __init__(self, most: int) -> None:
        self._most = most
        self._values: OrderedDict[Hashable, V] = OrderedDict()
        self._making: dict[Hashable, threading.Lock] = {}
        self._lock = threading.Lock()

    def get(self, key: Hashable, make: Callable[[], V]) -> V:
        """Return the value of a key, made now if it is not known."""
        with self._lock:
            if key in self._values:
                self._values.move_to_end(key)
                return self._values[key]
            making = self._making.setdefault(key, threading.Lock())
        with making:
            with self._lock:
                if key in self._values:
                    return self._values[key]
            try:
                value = make()
                with self._lock:
                    self._values[key] = value
                    while len(self._values) > self._most:
                        self._values.popitem(last=False)
            finally:
                with self._lock:
                    self._making.pop(key, None)
        return value


class Planner:
    """Makes plans, remembering for each system where the methods lead and what baskets cost."""

    def __init__(self) -> None:
        self._trails = Remembered[tuple[Trails, threading.Lock]](12)
        self._shelves = Remembered[tuple[Shelf, threading.Lock]](32)
        self._plans = Remembered[Plan](64)
        self._draws = Remembered[Draws](64)

    def draws(self, system: WetSystem) -> Draws:
        """Return the draws of a system; see `sumpwright.planning.draws.draw`."""
        return self._draws.get(system, lambda: draw(system))

    def plan(
        self, system: WetSystem, offers: Sequence[Offer], wish: Wish, spare: float = 0.0
    ) -> Plan:
        """Return the plan for a wish; see `sumpwright.planning.plan.make_plan`."""
        shop = (tuple(o for o in offers if o.fluid == system.fluid), system.fluid, spare)

        def make() -> Plan:
            trails, lock = self._trails.get(
                system, lambda: (Trails(self.draws(system)), threading.Lock())
            )
            shelf, shut = self._shelves.get(
                shop, lambda: (Shelf(offers, system.fluid, spare), threading.Lock())
            )
            with lock, shut:
                return make_plan(system, offers, wish, spare, trails=trails, shelf=shelf)

        return self._plans.get((system, shop, wish), make)


class Standings:
    """Works out where jobs stand, again only when their fluid has moved."""

    def __init__(self) -> None:
        self._draws = Remembered[Draws](64)
        self._standings = Remembered[JobStanding](64)

    def of(self, state: JobState) -> JobStanding:
        """Return the standing of a job; see `sumpwright.records.standing.job_standing`."""
        system = state.system
        if system is None:
            return job_standing(state)
        key = (
            system,
            state.sheet.offers if state.sheet else (),
            state.fluid_steps,
            state.samples,
            state.method,
            state.target,
            state.confidence,
            state.worth_per_point,
        )
        begun = bool(state.fluid_steps)
        draws = self._draws.get((system, begun), lambda: job_draws(system, begun=begun))
        known = self._standings.get(key, lambda: job_standing(state, draws=draws))
        return replace(known, state=state)
