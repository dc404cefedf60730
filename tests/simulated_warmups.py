"""Warm-ups as machines and sensors make them, for judging forecasts.

Nothing here is shared with the forecast: the fluid is stepped second by second, its
thermostat opens at a temperature of its own, the sensor lags, rounds and errs. Machines of one
lump warm ever more slowly; a gearbox that is heated through a coolant warms ever faster at first.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter


@dataclass(frozen=True)
class Case:
    """One warm-up up to a moment, and what came after it."""

    times: NDArray[np.float64]
    readings: NDArray[np.float64]
    window_open: float
    window_close: float
    to_open: float
    to_close: float
    kinked: bool


def simulate(rng: np.random.Generator, *, least_readings: int = 4) -> Case:
    """Draw a machine, a sensor, a window and a moment before the window opens."""
    while True:
        case = _attempt(rng, least_readings)
        if case is not None:
            return case


def _attempt(rng: np.random.Generator, least_readings: int) -> Case | None:
    start = rng.uniform(258.0, 305.0)
    final = rng.uniform(345.0, 385.0)
    tau = 1300.0 * np.exp(0.45 * rng.standard_normal())
    seconds = 3 * 3600
    kinked = bool(rng.random() < 0.5)
    kink = rng.uniform(start + 5.0, 350.0) if kinked else np.inf
    kept = rng.uniform(0.45, 0.95)

    # Second by second: the rate of warming fades, and drops once when the thermostat opens.
    rates = (final - start) / tau * (1.0 - 1.0 / tau) ** np.arange(seconds)
    opened = start + np.cumsum(rates) >= kink
    fluid = start + np.cumsum(np.where(opened, kept, 1.0) * rates)
    lag = rng.uniform(3.0, 30.0)
    shown = start + lfilter([1.0 / lag], [1.0, 1.0 / lag - 1.0], fluid - start)

    window_open = rng.uniform(303.0, 323.0)
    window_close = window_open + rng.uniform(5.0, 12.0)
    opens, closes = (_first(shown, edge) for edge in (window_open, window_close))
    if opens < 120:
        return None
    every = rng.choice([5.0, 10.0, 20.0, 30.0, 60.0])
    moment = rng.uniform(0.1, 0.95) * min(opens, seconds - 1)
    grid = np.arange(rng.uniform(0.0, every), moment, every)
    times = grid + rng.uniform(-0.2, 0.2, grid.size) * every
    times = np.sort(times[(times >= 0.0) & (times <= moment)])
    if times.size < least_readings:
        return None
    readings = shown[times.astype(int)] + rng.normal(0.0, rng.uniform(0.05, 0.5), times.size)
    if rng.random() < 0.5:
        readings = np.round(readings - 273.15) + 273.15
    if rng.random() < 0.1:
        readings[rng.integers(times.size)] += rng.choice([-8.0, 8.0])
    return Case(
        times, readings, window_open, window_close, opens - times[-1], closes - times[-1], kinked
    )


def _first(shown: NDArray[np.float64], edge: float) -> float:
    above = np.flatnonzero(shown >= edge)
    return float(above[0]) if above.size else np.inf


def simulate_two_lumps(
    rng: np.random.Generator, count: int, *, slow: bool, moments: tuple[float, float] = (0.5, 0.95)
) -> list[Case]:
    """Draw gearboxes that are heated through a coolant, each at a moment before it opens.

    Parameters
    ----------
    rng : numpy.random.Generator
    count : int
        Machines; those whose window opens within 150 s or never are left out.
    slow : bool
        Whether the coolant is large and the engine weak.
    moments : tuple of float
        Range of the moment, as a share of the time to the opening.
    """

    def between(low: float, high: float) -> NDArray[np.float64]:
        return rng.uniform(low, high, count)

    kinked = rng.random(count) < 0.5
    start = between(258.0, 303.0)
    air = start + between(-3.0, 3.0)
    # W, J/K and W/K: the engine heats the coolant, that the gearbox, both lose to the air
    power = between(2e3, 5e3) if slow else between(4e3, 9e3)
    coolant_heat = between(1e5, 2.5e5) if slow else between(6e4, 1.2e5)
    gearbox_heat = between(2.5e4, 6e4)
    between_them = between(20.0, 100.0) if slow else between(40.0, 160.0)
    own = between(500.0, 1500.0) if slow else between(200.0, 1200.0)
    coolant_loss, gearbox_loss = between(10.0, 30.0), between(3.0, 15.0)
    radiator = between(100.0, 400.0) * kinked
    radiator_opens = between(350.0, 362.0)
    cooler = between(6.0, 24.0) * kinked
    cooler_opens = between(303.0, 318.0)

    seconds = 3 * 3600
    coolant, gearbox = start.copy(), start.copy()
    fluid = np.empty((seconds, count))
    for second in range(seconds):
        across = between_them * (coolant - gearbox)
        shed = coolant_loss + radiator * np.clip((coolant - radiator_opens) / 3.0, 0.0, 1.0)
        given = gearbox_loss + cooler * np.clip((gearbox - cooler_opens) / 3.0, 0.0, 1.0)
        coolant = coolant + (power - across - shed * (coolant - air)) / coolant_heat
        gearbox = gearbox + (own + across - given * (gearbox - air)) / gearbox_heat
        fluid[second] = gearbox

    found = []
    for machine in range(count):
        lag = rng.uniform(2.0, 25.0)
        here = fluid[:, machine] - start[machine]
        shown = start[machine] + lfilter([1.0 / lag], [1.0, 1.0 / lag - 1.0], here)
        window_open = rng.uniform(303.0, 318.0)
        window_close = window_open + rng.uniform(6.0, 12.0)
        opens, closes = (_first(shown, edge) for edge in (window_open, window_close))
        if not 150.0 <= opens < np.inf:
            continue
        every = rng.choice([0.5, 1.0, 2.0, 30.0])
        times = np.arange(0.0, rng.uniform(*moments) * opens, every)
        if times.size < 6:
            continue
        readings = shown[times.astype(int)] + rng.normal(
            0.0, rng.choice([0.02, 0.1, 0.3]), times.size
        )
        step = rng.choice([0.0, 0.1, 1.0])
        if step:
            readings = np.round((readings - 273.15) / step) * step + 273.15
        ahead = (float(edge - times[-1]) for edge in (opens, closes))
        found.append(
            Case(times, readings, window_open, window_close, *ahead, bool(kinked[machine]))
        )
    return found
