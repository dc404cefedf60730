"""Where a job stands: how fresh the fluid is after each step."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from sumpwright.physics import exchange as ex
from sumpwright.physics.circuit import LOOP_TANKS, POCKETS, SUMP, Array, Contents, filled
from sumpwright.physics.transport import transition
from sumpwright.planning.draws import Draws, draw
from sumpwright.planning.machine import WetSystem
from sumpwright.planning.methods import METHODS, Method
from sumpwright.planning.outcome import Quantiles
from sumpwright.planning.steps import FluidStep

JOB_DRAWS = 1024
_TOLERANCE = 1e-9


@dataclass(frozen=True)
class Standing:
    """State after one step of a job; volumes in m³.

    ``fresh`` and ``exit`` are shares of new fluid in the whole system and in what
    would next leave the outlet; ``effective`` is the effective number of draws
    that still agree with the volumes that were measured.
    """

    step: FluidStep
    fresh: Quantiles
    exit: Quantiles
    level: Quantiles
    effective: float
    note: str = ""


@dataclass(frozen=True)
class Trace:
    """What one step left behind, per draw; arrays of shape (D,).

    ``total`` is what is in after it [m³], ``level`` that against the level of the start;
    ``left_old`` is the old share of what came out in this step, None when
    nothing did; ``sump_old`` the old share of what stands in the sump after it, and
    ``run_old`` what that becomes once the engine has run a while with the return
    connected: all but the pockets is one mixture then.
    """

    step: FluidStep
    fresh: Array
    exit: Array
    total: Array
    level: Array
    sump_old: Array
    left_old: Array | None
    run_old: Array
    note: str = ""


@dataclass(frozen=True)
class Course:
    """A job's fluid followed from its first step to now.

    Parameters
    ----------
    draws : Draws
    contents : Contents
        What stands in the compartments now, per draw.
    weights : ndarray, shape (D,)
        Weight of each draw; sums to 1.
    standings : tuple of Standing
        One per step.
    batches : tuple of str
        Names of the batches; the first is what was in before.
    traces : tuple of Trace
        One per step, per draw.
    """

    draws: Draws
    contents: Contents
    weights: Array
    standings: tuple[Standing, ...]
    batches: tuple[str, ...]
    traces: tuple[Trace, ...] = field(default=(), repr=False, compare=False)

    def reweighted(self, weights: Array) -> Course:
        """Return the same course seen with other weights of its draws, at every step."""
        effective = effective_draws(weights)
        seen = tuple(_standing(trace, weights, effective) for trace in self.traces)
        return replace(self, weights=weights, standings=seen)

    @property
    def fresh(self) -> Array:
        """Share of new fluid in the whole system, shape (D,)."""
        return _fresh(self.contents.mean_share)

    @property
    def fresh_quantiles(self) -> Quantiles:
        """Quantiles of `fresh`."""
        return Quantiles.of(self.fresh, self.weights)

    @property
    def by_batch(self) -> dict[str, float]:
        """Mean share of each batch in the whole system."""
        mean = self.weights @ self.contents.mean_share
        return {name: float(share) for name, share in zip(self.batches, mean, strict=True)}

    def probability(self, target: float) -> float:
        """Probability that at least ``target`` of the fluid is fresh."""
        return float(self.weights[self.fresh >= target - 1e-12].sum())


def effective_draws(weights: Array) -> float:
    """Effective sample size (Kish), 1 / Σ w².

    Examples
    --------
    >>> effective_draws(np.array([0.5, 0.5]))
    2.0
    """
    return float(1.0 / np.sum(weights**2))


def follow_job(system: WetSystem, steps: Sequence[FluidStep], draws: Draws | None = None) -> Course:
    """Follow the fluid of a job step by step over all draws.

    A draw that a measured volume contradicts (more came out than its sump holds)
    loses its weight; when all of them do, the volumes themselves are believed: what
    was there must have been more, so each draw is given as much of the fluid that
    stands in its sump as it lacks, the level of the start lies so much higher, and the
    note says so.

    Parameters
    ----------
    system : WetSystem
    steps : sequence of FluidStep
    draws : Draws, optional

    Returns
    -------
    Course

    Examples
    --------
    >>> from sumpwright.planning.machine import Span
    >>> one = lambda x: Span(x, x)
    >>> box = WetSystem("box", "automatic", one(9.2e-3), one(4.1e-3), one(4.8e-3), one(0.7e-3),
    ...                 one(2), one(0.1), one(1.5e-3))
    >>> course = follow_job(box, [FluidStep("drain", 4.1e-3), FluidStep("fill", 4.1e-3, batch="g")])
    >>> round(course.fresh_quantiles.p50, 6)
    0.445652
    """
    draws = draws or draw(system, JOB_DRAWS)
    body = draws.circuit
    contents = filled(body, batches=1)
    weights = np.full(draws.count, 1.0 / draws.count)
    batches = ["before"]
    standings: list[Standing] = []
    traces: list[Trace] = []
    cache: dict[tuple[str, float], Array] = {}
    settled: Array = body.capacity
    for step in steps:
        if step.batch and step.batch not in batches:
            batches.append(step.batch)
            contents = contents.with_batch()
        note = ""
        if step.kind in {"drain", "discharge", "lose"}:
            agree = _can_give(draws, contents, step)
            left = weights * agree
            if left.sum() > 0:
                weights = left / left.sum()
            else:
                note = "more came out than the sheet says was in it"
                contents, more = _topped(draws, contents, step)
                settled = settled + more
        if step.kind == "discharge" and step.volume > _safe_now(draws, contents) * (1 + _TOLERANCE):
            note = (
                "a discharge went past the largest safe one: the pump may have drawn air; "
                "engine off, and check the level" + (f"; {note}" if note else "")
            )
        batch = batches.index(step.batch) if step.batch else 0
        before = contents
        contents = _apply(draws, contents, step, batch, cache)
        if step.kind == "level":
            settled = contents.total
        trace = Trace(
            step,
            _fresh(contents.mean_share),
            _fresh(ex.exit_share(body, contents)),
            contents.total,
            contents.total - settled,
            contents.share[:, SUMP, 0],
            _left_old(before, contents, step),
            _run_old(contents),
            note,
        )
        traces.append(trace)
        standings.append(_standing(trace, weights, effective_draws(weights)))
    return Course(draws, contents, weights, tuple(standings), tuple(batches), tuple(traces))


def _standing(trace: Trace, weights: Array, effective: float) -> Standing:
    return Standing(
        trace.step,
        Quantiles.of(trace.fresh, weights),
        Quantiles.of(trace.exit, weights),
        Quantiles.of(trace.level, weights),
        effective,
        trace.note,
    )


_RELEASES = frozenset({"drain", "discharge", "exchange", "purge"})


def _left_old(before: Contents, after: Contents, step: FluidStep) -> Array | None:
    """Old share of what a step let out, from what is missing of the old batch."""
    if step.kind not in _RELEASES:
        return None
    entered = step.volume if step.kind == "exchange" else 0.0
    out = before.total + entered - after.total
    old = before.by_batch[:, 0] - after.by_batch[:, 0]
    safe = np.where(out > 0, out, 1.0)
    return np.clip(np.where(out > 0, old / safe, before.share[:, SUMP, 0]), 0.0, 1.0)


def _run_old(contents: Contents) -> Array:
    """Old share outside the pockets, which a running engine makes one mixture."""
    volume = contents.volume.copy()
    volume[:, POCKETS] = 0.0
    return Contents(volume, contents.share).mean_share[:, 0]


def _fresh(share: Array) -> Array:
    # Summed over the new batches rather than taken from 1, so that nothing is nothing.
    fresh: Array = share[:, 1:].sum(axis=1)
    return np.minimum(fresh, 1.0)


def _safe_now(draws: Draws, contents: Contents) -> float:
    """Largest discharge that is safe at the level as it stands [m³], as printed at the start."""
    return draws.safe + float(np.median(contents.total - draws.circuit.capacity))


def _loop_lacks(draws: Draws, contents: Contents) -> Array:
    lacking: Array = (draws.circuit.volumes - contents.volume)[:, -LOOP_TANKS:].sum(axis=1)
    return np.maximum(lacking, 0.0)


def _can_give(draws: Draws, contents: Contents, step: FluidStep) -> Array:
    there = contents.volume[:, SUMP] * (1 + _TOLERANCE)
    if step.kind == "discharge":
        there = there - _loop_lacks(draws, contents)
    agree: Array = (there >= step.volume).astype(float)
    return agree


def _topped(draws: Draws, contents: Contents, step: FluidStep) -> tuple[Contents, Array]:
    """Put so much more of its own mixture into each sump that it can give what came out."""
    lacks = _loop_lacks(draws, contents) if step.kind == "discharge" else 0.0
    more: Array = np.maximum(step.volume + lacks - contents.volume[:, SUMP], 0.0)
    volume = contents.volume.copy()
    volume[:, SUMP] += more
    return Contents(volume, contents.share), more


def _apply(
    draws: Draws,
    contents: Contents,
    step: FluidStep,
    batch: int,
    cache: dict[tuple[str, float], Array],
) -> Contents:
    body = draws.circuit
    kind = step.kind
    if kind in {"drain", "lose"}:
        return ex.drain(contents, np.minimum(step.volume, contents.volume[:, SUMP]))
    if kind == "fill":
        return ex.fill(contents, step.volume, batch)
    if kind == "purge":
        return ex.purge(contents, step.share)
    if kind == "level":
        return contents
    contents = ex.prime(body, contents)
    if kind == "discharge":
        volume = np.minimum(step.volume, contents.volume[:, SUMP])
        matrix = None
        if np.all(volume == step.volume):
            key = ("sump", step.volume)
            if key not in cache:
                cache[key] = transition(body, step.volume, "sump")
            matrix = cache[key]
        return ex.discharge(body, contents, volume, matrix)
    if kind == "exchange":
        key = ("inlet", step.volume)
        if key not in cache:
            cache[key] = transition(body, step.volume, "inlet")
        return ex.exchange(body, contents, step.volume, batch, cache[key])
    if kind == "work":
        return ex.work(body, contents, step.sweeps, draws.sweep_share)
    if kind == "circulate":
        return ex.circulate(body, contents, step.volume)
    return ex.drive(body, contents)


def method_named(name: str) -> Method:
    """Look a method up by its name.

    Raises
    ------
    KeyError
        If there is no such method.

    Examples
    --------
    >>> method_named("line-discharge").line
    True
    """
    return {m.name: m for m in METHODS}[name]
