"""The same model twice: by weighed draws, and as a density that a sampler can walk."""

from __future__ import annotations

import emcee
import numpy as np
from numpy.typing import NDArray

from sumpwright.physics.circuit import circuit
from sumpwright.planning.belief import MODEL_ERROR, Observation, predicted, weigh
from sumpwright.planning.draws import Draws, draw
from sumpwright.planning.machine import Span, WetSystem
from sumpwright.planning.progress import Course, follow_job
from sumpwright.planning.steps import FluidStep
from sumpwright.planning.vessel import VESSEL_ERROR, as_read

Array = NDArray[np.float64]

LOW = np.array([4.4e-3, 0.4e-3, 0.05])
HIGH = np.array([5.2e-3, 0.9e-3, 0.30])
PLACES = len(LOW) + 1
"""Sump, cooler loop, pockets, and by how much the vessels read low as a share."""
CAPACITY, DRAIN, RESERVE = 9.2e-3, 4.1e-3, 1.5e-3

BOX = WetSystem(
    "box",
    "torque-converter automatic",
    Span(CAPACITY, CAPACITY),
    Span(DRAIN, DRAIN),
    Span(LOW[0], HIGH[0]),
    Span(LOW[1], HIGH[1]),
    Span(2, 2),
    Span(LOW[2], HIGH[2]),
    Span(RESERVE, RESERVE),
)
STEPS = [
    FluidStep("drain", DRAIN),
    FluidStep("fill", DRAIN, batch="new"),
    *[
        FluidStep(kind, 2e-3, batch="new" if kind == "fill" else "")
        for _ in range(3)
        for kind in ("discharge", "fill")
    ],
]
SEEN = [
    Observation("1", 0.91, 0.02, 3),
    Observation("2", 0.66, 0.02, 5),
    Observation("3", 0.36, 0.02, 7),
    Observation("4", 0.23, 0.02, 7, "stream"),
    Observation("5", 0.08, 0.02, 8, "sump", ran=True),
]


def by_weight(count: int = 4096) -> Course:
    """Posterior by weighing the draws."""
    return weigh(follow_job(BOX, STEPS, as_read(draw(BOX, count), count)), SEEN).course


def _course(theta: Array) -> Course:
    like = draw(BOX, 2)
    rows = 1.0 / (1.0 + theta[:, 3])
    sump, loop = theta[:, 0] * rows, theta[:, 1] * rows
    body = circuit(sump, CAPACITY * rows - sump - loop, loop, 2, theta[:, 2])
    draws = Draws(
        body,
        DRAIN * rows,
        RESERVE * rows,
        0.5 + 0 * rows,
        0 * rows,
        0.2 + 0 * rows,
        (),
        {},
        like.safe,
    )
    return follow_job(BOX, STEPS, draws)


def log_density(theta: Array) -> Array:
    """Log density of the posterior, for an array of walkers of shape (W, 4)."""
    out = np.full(len(theta), -np.inf)
    inside = np.all((theta[:, :3] >= LOW) & (theta[:, :3] <= HIGH), axis=1)
    inside &= np.abs(theta[:, 3]) < 0.2
    if inside.any():
        course = _course(theta[inside])
        total = np.zeros(int(inside.sum()))
        for seen in SEEN:
            model = predicted(course, seen)
            assert model is not None
            error2 = seen.standard_error**2 + MODEL_ERROR**2
            total -= 0.5 * (seen.old_share - model) ** 2 / error2
        total -= 0.5 * (theta[inside, 3] / VESSEL_ERROR) ** 2
        # More than its sump holds cannot have come out of a circuit.
        total[course.weights == 0.0] = -np.inf
        out[inside] = total
    return out


def by_walk(steps: int, walkers: int = 32, seed: int = 3) -> Array:
    """Posterior draws of the fresh share by emcee's walk over the same density."""
    rng = np.random.default_rng(seed)
    start = np.column_stack(
        [LOW + (HIGH - LOW) * rng.random((walkers, 3)), VESSEL_ERROR * rng.normal(size=walkers)]
    )
    sampler = emcee.EnsembleSampler(walkers, PLACES, log_density, vectorize=True)
    sampler.random_state = np.random.RandomState(seed).get_state()
    sampler.run_mcmc(start, steps)
    flat = sampler.get_chain(discard=steps // 5, thin=5, flat=True)
    return np.asarray(_course(flat).fresh)
