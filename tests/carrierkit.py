"""A carrier's gearbox, its fluid at the yard store, and cycles as they are planned."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np

from random_sheets import FLUID, L, litres, one
from sumpwright.planning.draws import Draws, draw
from sumpwright.planning.machine import Offer, Span, WetSystem
from sumpwright.planning.methods import SWEEPS, Method, bottle, step_volume
from sumpwright.planning.progress import method_named
from sumpwright.planning.steps import FluidStep

CARRIER = WetSystem(
    "gearbox",
    "torque-converter automatic",
    litres(9.2),
    drain=litres(4.1),
    sump=litres(4.8),
    cooler_loop=litres(0.7),
    tanks=one(2),
    pockets=one(0.10),
    pickup_reserve=litres(1.5),
    fluid=FLUID,
    purge_share=one(0.6),
    lean_gain=litres(0.3),
    sweep_share=one(0.2),
)
VAGUE = replace(CARRIER, drain=Span(3.5 * L, 4.6 * L), sump=Span(3.6 * L, 5.4 * L), tanks=None)
STORE = [Offer(FLUID, "Yard store", 1 * L, 11.40)]
LINE = method_named("line-discharge")


def drained(volume: float = 4.1) -> FluidStep:
    return FluidStep("drain", volume * L)


def filled_with(volume: float = 4.1, batch: str = FLUID) -> FluidStep:
    return FluidStep("fill", volume * L, batch=batch)


def one_cycle(method: Method, draws: Draws, volume: float, first: bool) -> list[FluidStep]:
    """The steps of one cycle, each volume the median of what the draws say."""
    if first or not method.line:
        out = float(np.median(draws.released(method.leaned)))
        steps = [FluidStep("drain", out), FluidStep("fill", out, batch=FLUID)]
        return steps if method.line else [*steps, FluidStep("drive")]
    before = [FluidStep("work", sweeps=SWEEPS)] if method.sweeps else []
    if method.pumped:
        return [*before, FluidStep("exchange", step_volume(method, volume, draws), batch=FLUID)]
    purge, refill = [], volume
    if method.purged:
        share = float(np.median(draws.purge_share))
        purge = [FluidStep("purge", share=share)]
        refill += share * float(np.median(draws.circuit.loop))
    fill = FluidStep("fill", refill, batch=FLUID)
    return [*before, FluidStep("discharge", volume), *purge, fill]


def cycles(method: Method, n: int, system: WetSystem = CARRIER) -> list[FluidStep]:
    d = draw(system, 64)
    size = bottle(system, d.safe)
    made = [one_cycle(method, d, size, i == 0) for i in range(n)]
    return list(itertools.chain.from_iterable(made))
