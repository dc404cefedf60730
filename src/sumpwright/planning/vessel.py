"""What the vessels that measured a job add to its uncertainty."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from sumpwright.physics.circuit import Circuit
from sumpwright.planning.draws import Assumption, Draws

VESSEL_ERROR = 0.02
"""Standard error of a volume as a share of it, the same way for all that is read during a
job: graduations, fluid that clings, a warm vessel; common practice, no source."""

ORIGIN = "volumes as they were read; common practice, no source"


def as_read(draws: Draws, count: int, error: float = VESSEL_ERROR, seed: int = 13) -> Draws:
    """Return draws in the volumes that the vessels of a job show for them.

    One jug and one set of bottles measure a job, and read high or low throughout: a
    true volume v shows as v/(1 + ε), with one ε ~ N(0, error²) for each draw. Composition
    follows from ratios of volumes alone, so it is the same to hold the volumes that were
    read as exact and to see each circuit as those vessels would have measured it. What
    was read out and in stays in balance, and each exchange keeps its one matrix.

    Parameters
    ----------
    draws : Draws
        A single one is repeated.
    count : int
        Number of draws to make of a single one.
    error : float
        Standard error as a share of the volume.
    seed : int
        Seed of the order in which the errors fall on the draws.

    Returns
    -------
    Draws
        With the error among its assumptions; ``safe`` stays as it was printed.

    Raises
    ------
    ValueError
        If ``error`` is negative, or so large that a vessel could show nothing.

    Examples
    --------
    >>> from sumpwright.planning.draws import draw
    >>> from sumpwright.planning.machine import Span, WetSystem
    >>> one = lambda x: Span(x, x)
    >>> box = WetSystem("box", "automatic", one(9.2e-3), one(4.1e-3), one(4.8e-3), one(0.7e-3),
    ...                 one(2), one(0.1), one(1.5e-3), discharge=one(2e-3), purge_share=one(0.5),
    ...                 lean_gain=one(0.0), sweep_share=one(0.2))
    >>> read = as_read(draw(box), 1024)
    >>> shown = 4.1e-3 / read.circuit.capacity
    >>> read.count, round(float(np.median(shown)), 4), round(float(shown.std() / shown.mean()), 3)
    (1024, 0.4457, 0.02)
    """
    if not 0.0 <= error < 0.2:
        raise ValueError("the error must be at least 0 and below 0.2")
    from scipy.special import ndtri

    if draws.count == 1:
        draws = draws.take(np.zeros(count, dtype=np.intp))
    rows = draws.count
    even = (np.random.default_rng(seed).permutation(rows) + 0.5) / rows
    shows = 1.0 / (1.0 + error * ndtri(even))
    body = draws.circuit
    spread = round(2 * error, 4)
    return replace(
        draws,
        circuit=Circuit(
            body.sump * shows, body.upper * shows, body.loop * shows, body.tanks, body.pockets
        ),
        drain=draws.drain * shows,
        reserve=draws.reserve * shows,
        lean_gain=draws.lean_gain * shows,
        assumptions=(
            *draws.assumptions,
            Assumption("vessel_error", -spread, spread, "share", ORIGIN),
        ),
    )
