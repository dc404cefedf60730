"""Invented yards: daily use of machines of several habits, and how they are read."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

DAY = 86_400.0
YEAR_DAYS = 365.2425
HABITS = ("commuter", "seasonal", "idle half the year", "call-outs")


def daily_use(habit: str, days: int, rng: np.random.Generator) -> NDArray[np.float64]:
    """Metres driven on each day."""
    d = np.arange(days) + rng.integers(0, 365)
    season = d % YEAR_DAYS
    if habit == "commuter":
        base = rng.uniform(20e3, 80e3)
        work = base * (rng.random(days) < 0.93) * rng.normal(1.0, 0.08, days).clip(0.3)
        use = np.where(d % 7 < 5, work, rng.gamma(1.0, 0.6 * base, days))
        for start in range(int(rng.integers(0, 300)), days, 365):
            use[start : start + 14] = rng.gamma(0.5, 20e3, len(use[start : start + 14]))
            use[start + 60 : start + 65] += rng.uniform(0, 300e3)
        return use
    if habit == "seasonal":
        base, depth, phase = rng.uniform(20e3, 120e3), rng.uniform(0.4, 0.95), rng.uniform(0, 6.28)
        wave = 1 + depth * np.cos(2 * np.pi * season / YEAR_DAYS + phase)
        return rng.gamma(0.8, base / 0.8, days) * wave
    if habit == "idle half the year":
        base, start = rng.uniform(40e3, 200e3), rng.uniform(0, YEAR_DAYS)
        active = (season - start) % YEAR_DAYS < YEAR_DAYS / 2
        return rng.gamma(0.6, base / 0.6, days) * active
    if habit == "call-outs":
        return (rng.random(days) < 0.15) * rng.gamma(1.0, rng.uniform(60e3, 150e3), days)
    raise ValueError(habit)


@dataclass(frozen=True)
class Fleet:
    """Readings of many machines, sorted, and what came true after the last one."""

    machine: NDArray[np.intp]
    time: NDArray[np.float64]
    value: NDArray[np.float64]
    want: NDArray[np.float64]
    reached: NDArray[np.float64]


def fleet(habit: str, machines: int, history: int, gap: float, rng: np.random.Generator) -> Fleet:
    """Simulate machines read about every ``gap`` days, and when each drove a further ``want``."""
    who, time, value, want, reached = [], [], [], [], []
    while len(want) < machines:
        use = daily_use(habit, history + 1200, rng)
        total = np.concatenate([[0.0], np.cumsum(use)])
        days = [0.0]
        while days[-1] < history:
            days.append(days[-1] + max(1.0, rng.exponential(gap) if rng.random() < 0.5 else gap))
        read = np.round(np.array(days[:-1]))
        at = total[read.astype(int)]
        if at[-1] <= at[0]:
            continue
        goal = rng.uniform(0.05, 1.3) * total[-1] / len(use) * YEAR_DAYS
        when = int(np.searchsorted(total, at[-1] + goal))
        if when >= len(total):
            continue
        who.append(np.full(len(read), len(want)))
        time.append(read * DAY)
        value.append(at)
        want.append(at[-1] + goal)
        reached.append(when * DAY)
    return Fleet(
        np.concatenate(who).astype(np.intp),
        np.concatenate(time),
        np.concatenate(value),
        np.array(want),
        np.array(reached),
    )
