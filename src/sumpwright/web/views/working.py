"""Jobs being worked on: their steps, and which screens are there."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from sumpwright.errors import Complaint
from sumpwright.planning.job_run import (
    Asked,
    asked_by,
    in_force,
    most_cycles,
    running_steps,
    upcoming,
)
from sumpwright.planning.job_step import Hold, Situation, Step, holding
from sumpwright.planning.methods import Method
from sumpwright.planning.plan import Plan
from sumpwright.records.job_run import (
    decided_cycles,
    method_of,
    planned_cycles,
    situation_of,
    wish_of,
)
from sumpwright.records.state import JobState
from sumpwright.web.views.remembered import Planner, Remembered

AWAY_AFTER = 5.0
"""Seconds without a word after which a screen counts as gone."""
FORGOTTEN_AFTER = 3600.0


@dataclass(frozen=True)
class Run:
    """A job among its steps.

    Parameters
    ----------
    method : Method
    cycles : int
        Cycles of the job as decided, or as planned.
    orders : dict of int to tuple of Step
        The steps for each number of cycles that may be decided on.
    situation : Situation
    mark, safe, loop : float
        Where the bottle is marked, the largest safe discharge, and the volume of the
        cooler loop [m³].
    trouble : Complaint or None
        Why there are no steps.
    """

    method: Method
    cycles: int
    orders: dict[int, tuple[Step, ...]]
    situation: Situation
    mark: float = 0.0
    safe: float = 0.0
    loop: float = 0.0
    trouble: Complaint | None = None

    @cached_property
    def steps(self) -> tuple[Step, ...]:
        """The steps for the cycles decided on, and those that close what stands open."""
        longest = self.orders[max(self.orders)] if self.orders else ()
        return in_force(self.orders.get(self.cycles, ()), longest, self.situation)

    def next(self, skipped: tuple[str, ...] = ()) -> Step | None:
        """Return the step to do now."""
        return upcoming(self.steps, self.situation.passed, skipped)

    def step(self, id: str) -> Step | None:
        """Return a step by its id."""
        return next((step for step in self.steps if step.id == id), None)

    def asked(self, kind: str, skipped: tuple[str, ...] = ()) -> Asked:
        """Return the step that an entry belongs to which is not made at one."""
        return asked_by(self.steps, self.situation, self.next(skipped), kind)

    def holding(self, step: Step) -> tuple[Hold, ...]:
        """Return what holds a step back now."""
        return holding(step, self.situation)

    @property
    def left(self) -> int:
        """How many steps are not passed yet."""
        return sum(step.id not in self.situation.passed for step in self.steps)


class Runs:
    """Works out the steps of jobs, once for each plan."""

    def __init__(self) -> None:
        self._orders = Remembered[dict[int, tuple[Step, ...]]](32)

    def of(self, state: JobState, planner: Planner) -> Run:
        """Return where a job is among its steps.

        Parameters
        ----------
        state : JobState
        planner : Planner

        Returns
        -------
        Run
            Without steps, and with the reason, where nothing can be planned.
        """
        method, situation = method_of(state), situation_of(state)
        if state.system is None or state.sheet is None:
            trouble = Complaint("the job has no wet system", "start it on a machine of the yard")
            return Run(method, 1, {}, situation, trouble=trouble)
        try:
            plan = planner.plan(state.system, state.sheet.offers, wish_of(state), state.sheet.spare)
            planned = planned_cycles(state) or plan.point.cycles
            cycles = decided_cycles(state) or planned
            most = max(most_cycles(planned), cycles)
            key = (state.system, state.sheet.offers, state.sheet.spare, wish_of(state), most)
            orders = self._orders.get(key, _orders_of(plan, method, most))
        except Complaint as complaint:
            return Run(method, 1, {}, situation, trouble=complaint)
        made = next((m for m in plan.methods if m.method.name == method.name), plan.chosen)
        loop = float(np.median(plan.draws.circuit.loop))
        return Run(method, cycles, orders, situation, made.volume, plan.safe, loop)


def _orders_of(plan: Plan, method: Method, most: int) -> Callable[[], dict[int, tuple[Step, ...]]]:
    def make() -> dict[int, tuple[Step, ...]]:
        return {
            count: tuple(running_steps(plan.system, method, plan, count))
            for count in range(1, most + 1)
        }

    return make


@dataclass
class _Screen:
    kind: str
    says: str
    at: float


@dataclass
class Presence:
    """Which screens of which jobs are there, by the beats that they send.

    Examples
    --------
    >>> there = Presence()
    >>> there.beat("job", "phone 2", "seat", "", now=10.0)
    True
    >>> there.of("job", now=11.5)["seat"]
    {'there': True, 'age': 1.5, 'says': ''}
    >>> there.of("job", now=20.0)["seat"]["there"], there.of("job", now=20.0)["bay"]
    (False, {'there': False, 'age': None, 'says': ''})
    """

    _screens: dict[str, dict[str, _Screen]] = field(default_factory=dict)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def beat(self, job: str, device: str, kind: str, says: str, now: float | None = None) -> bool:
        """Note that a screen is there and what it has to say; return whether that is news."""
        at = time.monotonic() if now is None else now
        with self._lock:
            if len(self._screens) > 1000:
                self._screens.clear()
            screens = self._screens.setdefault(job, {})
            before = screens.get(device)
            screens[device] = _Screen(kind, says, at)
            for gone in [d for d, s in screens.items() if at - s.at > FORGOTTEN_AFTER]:
                del screens[gone]
            if len(screens) > 200:
                del screens[min(screens, key=lambda d: screens[d].at)]
        return before is None or before.says != says or at - before.at > AWAY_AFTER

    def leave(self, job: str, device: str) -> None:
        """Note that a screen was closed on purpose."""
        with self._lock:
            self._screens.get(job, {}).pop(device, None)

    def of(self, job: str, now: float | None = None) -> dict[str, dict[str, object]]:
        """Return for bay and seat whether one is there, since when not, and what it says."""
        at = time.monotonic() if now is None else now
        with self._lock:
            screens = list(self._screens.get(job, {}).values())
        found: dict[str, dict[str, object]] = {}
        for kind in ("bay", "seat"):
            last = max((s for s in screens if s.kind == kind), key=lambda s: s.at, default=None)
            age = None if last is None else round(at - last.at, 1)
            found[kind] = {
                "there": age is not None and age <= AWAY_AFTER,
                "age": age,
                "says": last.says if last else "",
            }
        return found


@dataclass(frozen=True)
class Working:
    """What the server knows of jobs under way besides their logs."""

    runs: Runs = field(default_factory=Runs)
    presence: Presence = field(default_factory=Presence)
