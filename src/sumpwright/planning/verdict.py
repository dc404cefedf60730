"""What a job achieved, in one short paragraph."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sumpwright.physics.circuit import Array
from sumpwright.planning.progress import Course
from sumpwright.planning.said import Said, said


@dataclass(frozen=True)
class Verdict:
    """How fresh the fluid is, and how sure that is.

    Parameters
    ----------
    fresh : float
        Median share of new fluid.
    sure_of : float
        Share that is exceeded with the confidence asked for.
    confidence : float
    target : float or None
    probability : float or None
        Probability that the target is reached.
    sentences : tuple of Said
    """

    fresh: float
    sure_of: float
    confidence: float
    target: float | None
    probability: float | None
    sentences: tuple[Said, ...]

    @property
    def reached(self) -> bool:
        """Whether the target is reached with the confidence asked for."""
        return self.probability is not None and self.probability >= self.confidence


def weighted_quantile(values: Array, weights: Array, at: float) -> float:
    """Quantile of weighted draws, by interpolation between the middles of their weights.

    Parameters
    ----------
    values, weights : ndarray, shape (D,)
    at : float
        Probability in [0, 1].

    Returns
    -------
    float

    Examples
    --------
    >>> weighted_quantile(np.array([3.0, 1.0, 2.0]), np.ones(3) / 3, 0.5)
    2.0
    """
    order = np.argsort(values)
    reached = np.cumsum(weights[order])
    middle = (reached - 0.5 * weights[order]) / reached[-1]
    return float(np.interp(at, middle, values[order]))


def verdict(course: Course, target: float | None = None, confidence: float = 0.90) -> Verdict:
    """Say how fresh the fluid of a job is.

    Parameters
    ----------
    course : Course
    target : float, optional
    confidence : float
        In (0, 1).

    Returns
    -------
    Verdict

    Examples
    --------
    >>> from sumpwright.planning.machine import Span, WetSystem
    >>> from sumpwright.planning.progress import follow_job
    >>> from sumpwright.planning.steps import FluidStep
    >>> one = lambda x: Span(x, x)
    >>> box = WetSystem("box", "automatic", one(9.2e-3), one(4.1e-3), one(4.8e-3), one(0.7e-3),
    ...                 one(2), one(0.1), one(1.5e-3))
    >>> job = [FluidStep("drain", 4.1e-3), FluidStep("fill", 4.1e-3, batch="g")]
    >>> print(verdict(follow_job(box, job), 0.4).sentences[0])
    45 % of the fluid is new, if the volumes on the sheet are right.
    """
    fresh = course.fresh
    median = weighted_quantile(fresh, course.weights, 0.5)
    low = weighted_quantile(fresh, course.weights, 1.0 - confidence)
    changed = any(s.step.batch for s in course.standings)
    if not changed:
        head = said("No new fluid has been put in.")
    elif fresh.max() - fresh.min() < 1e-12:
        head = said(
            "{fresh:share} of the fluid is new, if the volumes on the sheet are right.",
            fresh=median,
        )
    else:
        head = said(
            "{fresh:share} of the fluid is new ({sure:share} sure of at least {low:share}).",
            fresh=median,
            sure=confidence,
            low=low,
        )
    sentences = [head]
    probability = None
    if target is not None:
        probability = course.probability(target)
        if changed:
            sentences.append(_against(target, probability, confidence))
    return Verdict(median, low, confidence, target, probability, tuple(sentences))


def _against(target: float, probability: float, confidence: float) -> Said:
    if probability >= 1.0 - 1e-9:
        return said("The target of {target:share} is reached.", target=target)
    if probability >= confidence:
        text = "The target of {target:share} is reached with {sure:share} confidence."
    elif probability <= 1e-9:
        return said("The target of {target:share} is not reached.", target=target)
    else:
        text = (
            "That the target of {target:share} is reached is only {sure:share} sure; "
            "{wished:share} was asked for."
        )
    return said(text, target=target, sure=probability, wished=confidence)
