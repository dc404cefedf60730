"""Whether another cycle of a job is worth it."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sumpwright.display import Display
from sumpwright.physics import exchange as ex
from sumpwright.physics.circuit import SUMP, Array, Contents
from sumpwright.planning.basket import Shelf
from sumpwright.planning.machine import Offer
from sumpwright.planning.methods import Method, follow, step_volume
from sumpwright.planning.outcome import FLAT_POINTS, Quantiles, Wish, chance, percent, points
from sumpwright.planning.progress import Course

READING_ERROR = 0.01
"""Share of the capacity that reading vessels may miss; common practice, no source."""

_LET_OUT = frozenset({"drain", "discharge", "exchange"})


@dataclass(frozen=True)
class Advice:
    """Whether to go on, and why.

    ``probability`` is that of the target as the fluid stands now, ``next_gain`` the
    mean gain in fresh share of the next cycle and ``next_cost`` its price. The sentence
    speaks of the fluid at level: where something has to be filled or let out first, it
    says so and what it is sure of *then*.
    """

    go_on: bool
    sentence: str
    probability: float
    next_gain: float
    next_cost: float | None
    next_volume: float
    refill: float = 0.0
    """Volume that is missing against the level of the start [m³]: fill it first."""
    excess: float = 0.0
    """Volume that stands above the level of the start [m³]: let it out first."""


def advise(
    course: Course,
    method: Method,
    wish: Wish,
    volume: float,
    batch: str,
    offers: Sequence[Offer] = (),
    told_apart: bool | None = None,
    currency: str = "",
) -> Advice:
    """Say whether another cycle is worth it.

    Stop when the target is met with the wished confidence; or when the next
    cycle's expected gain is worth less than its fluid costs at the user's own
    price per point; or, without such a price, when it gains less than two points
    and no further cycles within the wish would reach the target. A last sample that
    can no longer be told from new fluid is named as a reason only then: neighbouring
    samples look alike as soon as the gain per bottle is small, however much old
    fluid is left.

    What the cycle under way still lacks, the refill and the drive of a method that has
    one, is taken as done before the next cycle is looked at.

    Parameters
    ----------
    course : Course
    method : Method
    wish : Wish
    volume : float
        Volume of the next line discharge [m³].
    batch : str
        Name of the new fluid.
    offers : sequence of Offer
    told_apart : bool or None
        Whether the last sample could be told from new; None when there is none.
    currency : str
        Name of the money of the offers.

    Returns
    -------
    Advice

    Examples
    --------
    >>> from sumpwright.planning.draws import draw
    >>> from sumpwright.planning.machine import Span, WetSystem
    >>> from sumpwright.planning.methods import METHODS
    >>> from sumpwright.planning.progress import follow_job
    >>> box = WetSystem("box", "automatic", Span(9e-3, 9e-3), Span(4e-3, 4e-3))
    >>> course = follow_job(box, [], draw(box, 64))
    >>> advise(course, METHODS[0], Wish(), 0.0, "g").go_on
    True
    """
    draws = course.draws
    missing, excess = _off_level(course)
    begun = any(s.step.kind in _LET_OUT for s in course.standings)
    contents = _cycle_ended(course, method, missing, excess)
    fresh = contents.mean_share[:, 0]
    ahead = follow(
        method, draws, step_volume(method, volume, draws), start=contents, under_way=begun
    )
    following = next(ahead)
    gain = float(course.weights @ (following.fresh - fresh))
    needed = Quantiles.of(following.new_fluid, course.weights).p50
    used = sum(s.step.volume for s in course.standings if s.step.batch)
    cost = _price(used, needed, batch, offers)
    sure, after = (_sure(course, share, wish) for share in (fresh, following.fresh))
    paid = Display(currency=currency).money
    money = "" if cost is None else f" for {paid(cost)} of fluid"
    bring = f"the next cycle would add {points(gain)} points{money}"
    then = " then" if missing or excess else ""
    standing = f"it is{then} {chance(sure)} sure that {percent(wish.target)} is fresh"
    alike = " and the last sample cannot be told from new" if told_apart is False else ""
    go_on = False
    if sure >= wish.confidence:
        sentence = (
            f"Stop: at least {percent(wish.target)} is{then} fresh with {chance(sure)} "
            f"confidence; {bring}."
        )
    elif wish.worth_per_point is not None and cost is not None:
        worth = gain * 100 * wish.worth_per_point
        go_on = worth >= cost
        verb = "Go on" if go_on else "Stop"
        sentence = f"{verb}: {bring}, worth {paid(worth)} to you; {standing}."
    else:
        count = 1
        enough = after >= wish.confidence
        for cycle in itertools.islice(ahead, 0 if enough else wish.cycles - 1):
            count += 1
            enough = _sure(course, cycle.fresh, wish) >= wish.confidence
            if enough:
                break
        go_on = enough or gain * 100 >= FLAT_POINTS
        if go_on:
            sentence = f"Go on: {standing}; {bring}"
            if f"{chance(after)}" != f"{chance(sure)}":
                sentence += f" and make it {chance(after)} sure"
            if enough:
                sentence += "." if count == 1 else f"; {count} more cycles would be enough."
            else:
                sentence += f"; {count} more cycles would still fall short."
            if alike:
                sentence += " That the last sample cannot be told from new proves nothing yet."
        else:
            sentence = (
                f"Stop: {bring}, less than {FLAT_POINTS:g}{alike}; "
                f"{standing}, and a better chance stays out of reach this way."
            )
    if missing:
        sentence = f"Fill what came out before the engine runs. Then: {sentence}"
    elif excess:
        sentence = f"Let out what stands above the level before the engine runs. Then: {sentence}"
    now = course.probability(wish.target)
    return Advice(go_on, sentence, now, gain, cost, needed, missing, excess)


def _cycle_ended(course: Course, method: Method, missing: float, excess: float) -> Contents:
    """Contents once the cycle under way is at its end, shares of the new fluid alone."""
    share = course.contents.share[:, :, 1:].sum(axis=2, keepdims=True)
    contents = Contents(course.contents.volume, share)
    if missing:
        contents = ex.fill(contents, missing, 0)
    if excess:
        contents = ex.drain(contents, np.minimum(excess, contents.volume[:, SUMP]))
    if method.line or not course.standings:
        return contents
    return ex.drive(course.draws.circuit, contents)


def _sure(course: Course, fresh: Array, wish: Wish) -> float:
    return float(course.weights[fresh >= wish.target - 1e-12].sum())


def _off_level(course: Course) -> tuple[float, float]:
    """Volumes below and above the level of the start [m³], past a reading's error."""
    if not course.standings:
        return 0.0, 0.0
    level = course.standings[-1].level.p50
    if abs(level) <= READING_ERROR * float(np.median(course.draws.circuit.capacity)):
        return 0.0, 0.0
    return max(0.0, -level), max(0.0, level)


def _price(used: float, volume: float, fluid: str, offers: Sequence[Offer]) -> float | None:
    """Price of a volume at the rate of a basket for all that the job takes, as in its plan."""
    basket = Shelf(offers, fluid).basket(used + volume)
    if basket is None or basket.volume <= 0:
        return None
    return basket.total / basket.volume * volume
