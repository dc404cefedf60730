"""What samples say about the circuit: the draws weighed again, and what contradicts them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sumpwright.physics.circuit import SUMP, Array
from sumpwright.planning.draws import Draws
from sumpwright.planning.progress import Course, effective_draws
from sumpwright.planning.steps import TAKEN, Taken

CONTRADICTION = 3.3
"""Distance, in standard deviations of what was to be expected, beyond which a sample
contradicts the model rather than informs it (about one in a thousand)."""

MODEL_ERROR = 0.01
"""Error of the model itself in a sample's old share, added to the sample's own.

A few well-mixed tanks are not a gearbox; common practice, no source.
"""

UNMIXED = 0.05
"""Share of the sump that may have been poured in since fluid was last mixed, for a sample
from the sump to say anything; common practice, no source."""


@dataclass(frozen=True)
class Observation:
    """A measured sample.

    Parameters
    ----------
    vial : str
        Its label.
    old_share, standard_error : float
        Share of old fluid in it and its standard error, in [0, 1].
    after : int
        Number of fluid steps that had been made when it was taken.
    taken_from : {'out', 'stream', 'sump'}
        See `sumpwright.planning.steps.Taken`.
    ran : bool
        Whether the engine had run since fluid was last moved, with no step of its own.
    """

    vial: str
    old_share: float
    standard_error: float
    after: int
    taken_from: Taken = "out"
    ran: bool = False


@dataclass(frozen=True)
class Doubt:
    """A sample that was left out, and why.

    ``brief`` says it in few words, ``what`` in full, and ``do`` what to look at;
    ``contradicts`` when it cannot be true together with the volumes, otherwise it
    merely says nothing.
    """

    observation: Observation
    brief: str
    what: str
    do: str
    contradicts: bool = True

    @property
    def sentence(self) -> str:
        """What it shows and what to look at."""
        return f"{self.what}: {self.do}"


@dataclass(frozen=True)
class Belief:
    """A course after its samples were weighed in.

    Parameters
    ----------
    course : Course
        With the new weights.
    used : tuple of Observation
        Samples that count.
    doubts : tuple of Doubt
        Samples that contradict the model or say nothing of it, said and left out.
    effective : float
        Effective number of draws.
    """

    course: Course
    used: tuple[Observation, ...]
    doubts: tuple[Doubt, ...]
    effective: float

    @property
    def thin(self) -> bool:
        """Whether fewer than half of the draws still count."""
        return self.effective < 0.5 * self.course.draws.count


def predicted(course: Course, observation: Observation) -> Array | None:
    """Old share that each draw predicts for a sample, shape (D,).

    A sample of what came out is as the last release before it was, all of it
    together; one of the end of the stream, as what would have left the outlet next.
    One from the sump is as the sump stands: after the selector was worked or the
    engine ran, as all that moves round; after a drive, as the whole system.

    Parameters
    ----------
    course : Course
    observation : Observation

    Returns
    -------
    ndarray or None
        None when the sample was taken before anything was done: it is the
        reference itself and says nothing.
    """
    traces = course.traces[: observation.after]
    if observation.taken_from == "sump":
        if not traces:
            return None
        return traces[-1].run_old if _run(course, observation) else traces[-1].sump_old
    for trace in reversed(traces):
        if trace.left_old is not None:
            streamed = trace.step.kind in ("discharge", "exchange")
            if observation.taken_from == "stream" and streamed:
                return 1.0 - trace.exit
            return trace.left_old
    return None


def _run(course: Course, observation: Observation) -> bool:
    """Whether the engine has run since fluid last left or entered, a top-up aside."""
    if observation.ran:
        return True
    for trace in reversed(course.traces[: observation.after]):
        kind = trace.step.kind
        if kind == "work":
            return True
        topped = kind == "fill" and trace.step.volume <= UNMIXED * _sump(course)
        if kind not in ("lose", "level") and not topped:
            return False
    return False


def _sump(course: Course) -> float:
    return float(np.mean(course.draws.circuit.volumes[:, SUMP]))


def _unmixed(course: Course, observation: Observation) -> bool:
    """Whether a sample from the sump was taken before what was filled had been mixed in."""
    if observation.taken_from != "sump" or observation.ran:
        return False
    poured = 0.0
    for trace in course.traces[: observation.after]:
        if trace.step.kind == "fill":
            poured += trace.step.volume
        elif trace.step.kind in ("drive", "circulate", "work"):
            poured = 0.0
    return poured > UNMIXED * _sump(course)


def weigh(course: Course, observations: Sequence[Observation]) -> Belief:
    """Weigh the draws of a course by measured samples.

    The weight of draw i is multiplied by the normal density of each sample,
    w_i ∝ w_i · exp(-(m - p_i)² / 2(s² + τ²)), where m and s are the sample's old
    share and standard error, p_i what the draw predicts, and τ the model's own
    error. A sample further from what was to be expected than `CONTRADICTION`
    standard deviations is not averaged in: it is named, with the usual reasons. So is
    one from the sump that was taken before the new fluid there had been mixed in.

    Parameters
    ----------
    course : Course
    observations : sequence of Observation
        In the order in which they were taken.

    Returns
    -------
    Belief

    Raises
    ------
    ValueError
        If a share leaves [0, 1] or an error is not above zero.

    References
    ----------
    A. Gelman et al., *Bayesian Data Analysis*, 3rd ed., sec. 10.4 (importance
    sampling) and 6.3 (posterior predictive checks).

    Examples
    --------
    >>> from sumpwright.planning.draws import draw
    >>> from sumpwright.planning.machine import Span, WetSystem
    >>> from sumpwright.planning.progress import follow_job
    >>> from sumpwright.planning.steps import FluidStep
    >>> box = WetSystem("box", "automatic", Span(9e-3, 9e-3), Span(4e-3, 4e-3))
    >>> steps = [FluidStep("drain", 4e-3), FluidStep("fill", 4e-3, batch="g"),
    ...          FluidStep("discharge", 2e-3), FluidStep("fill", 2e-3, batch="g")]
    >>> course = follow_job(box, steps, draw(box, 256))
    >>> belief = weigh(course, [Observation("2", 0.93, 0.03, 3)])
    >>> belief.effective < 256 and not belief.doubts
    True
    """
    weights = course.weights
    used: list[Observation] = []
    doubts: list[Doubt] = []
    for seen in observations:
        _check(seen)
        model = predicted(course, seen)
        if model is None:
            continue
        if _unmixed(course, seen):
            doubts.append(_says_nothing(seen))
            continue
        error = float(np.hypot(seen.standard_error, MODEL_ERROR))
        expected = float(weights @ model)
        spread = float(np.hypot(np.sqrt(weights @ (model - expected) ** 2), error))
        if abs(seen.old_share - expected) > CONTRADICTION * spread:
            doubts.append(_contradicts(seen, expected, spread))
            continue
        with np.errstate(divide="ignore"):
            log = np.log(weights) - 0.5 * ((seen.old_share - model) / error) ** 2
        likely = np.exp(log - log.max())
        weights = likely / likely.sum()
        used.append(seen)
    return Belief(course.reweighted(weights), tuple(used), tuple(doubts), effective_draws(weights))


def _check(seen: Observation) -> None:
    if not (0.0 <= seen.old_share <= 1.0):
        raise ValueError("a sample's old share must lie between 0 and 1")
    if not (np.isfinite(seen.standard_error) and seen.standard_error > 0):
        raise ValueError("a sample's standard error must be above zero")


def _contradicts(seen: Observation, expected: float, spread: float) -> Doubt:
    low, high = max(0.0, expected - 2 * spread), min(1.0, expected + 2 * spread)
    shows, least, most = (f"{100 * share:.0f} %" for share in (seen.old_share, low, high))
    return Doubt(
        seen,
        f"sample {seen.vial} is left out: {shows} old where {least} to {most} "
        f"was expected of {TAKEN[seen.taken_from]}",
        f"sample {seen.vial} shows {shows} old where {least} to {most} was to "
        f"be expected of {TAKEN[seen.taken_from]}, so it is left out",
        "look whether it was taken from there, whether the vials are in order and clean, whether "
        "another fluid went in, and whether the volumes are right",
    )


def _says_nothing(seen: Observation) -> Doubt:
    return Doubt(
        seen,
        f"sample {seen.vial} is left out: the sump was not mixed yet",
        f"sample {seen.vial} was taken from the sump before the new fluid there was mixed in, so "
        "it is left out",
        "drive it or let the engine run and enter that, then fill a vial",
        contradicts=False,
    )


def resample(weights: Array, seed: int = 11) -> NDArray[np.intp]:
    """Choose draws in proportion to their weights, systematically.

    Parameters
    ----------
    weights : ndarray, shape (D,)
    seed : int

    Returns
    -------
    ndarray of int, shape (D,)
        Indices of the draws kept; a draw of weight w appears about w·D times.

    References
    ----------
    G. Kitagawa, *J. Comput. Graph. Stat.* 5(1), 1996, 1-25 (systematic resampling).

    Examples
    --------
    >>> resample(np.array([0.0, 1.0, 0.0])).tolist()
    [1, 1, 1]
    """
    count = weights.shape[0]
    start = np.random.default_rng(seed).random()
    points = (start + np.arange(count)) / count
    chosen = np.searchsorted(np.cumsum(weights) / weights.sum(), points)
    kept: NDArray[np.intp] = np.minimum(chosen, count - 1).astype(np.intp)
    return kept


def posterior_draws(belief: Belief) -> Draws:
    """Draws of equal weight that stand for the belief, for planning on from here.

    Parameters
    ----------
    belief : Belief

    Returns
    -------
    Draws

    Examples
    --------
    >>> from sumpwright.planning.draws import draw
    >>> from sumpwright.planning.machine import Span, WetSystem
    >>> from sumpwright.planning.progress import follow_job
    >>> box = WetSystem("box", "automatic", Span(9e-3, 9e-3))
    >>> posterior_draws(weigh(follow_job(box, [], draw(box, 64)), [])).count
    64
    """
    return belief.course.draws.take(resample(belief.course.weights))


def settled(belief: Belief) -> Belief:
    """Resample a belief whose effective number of draws fell below half.

    Parameters
    ----------
    belief : Belief

    Returns
    -------
    Belief
        The same, with draws of equal weight if it was `Belief.thin`.
    """
    if not belief.thin:
        return belief
    keep = resample(belief.course.weights)
    course = belief.course
    count = course.draws.count
    traces = tuple(
        replace(
            t,
            fresh=t.fresh[keep],
            exit=t.exit[keep],
            total=t.total[keep],
            level=t.level[keep],
            sump_old=t.sump_old[keep],
            left_old=None if t.left_old is None else t.left_old[keep],
            run_old=t.run_old[keep],
        )
        for t in course.traces
    )
    even = replace(
        course, draws=course.draws.take(keep), contents=course.contents.take(keep), traces=traces
    )
    return replace(belief, course=even.reweighted(np.full(count, 1.0 / count)))
