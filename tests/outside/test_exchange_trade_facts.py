"""What the trade sees of fluid changes, against the model's bands.

Each fact is common practice, no source. Nothing in the model was fitted to them: the
sheets below give what a hand would know, and all else is what planning assumes by kind.
"""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from sumpwright.physics import exchange as ex
from sumpwright.physics.circuit import Array, filled
from sumpwright.physics.exchange import displacement_bound
from sumpwright.physics.transport import transition
from sumpwright.planning.draws import Draws, draw
from sumpwright.planning.machine import Span, WetSystem
from sumpwright.planning.methods import follow, step_volume
from sumpwright.planning.outcome import Wish
from sumpwright.planning.plan import Plan, make_plan
from sumpwright.planning.progress import follow_job, method_named
from sumpwright.planning.steps import FluidStep

QUART = 0.946352946e-3
"""US liquid quart [m³]. Source: NIST SP 811 (2008), appendix B.8: 1 qt (US liq) = 9.463529 E-04."""

# Common practice, no source: a system of 13 US quarts, of which a drain brings 5 to 5.5.
CAPACITY, DRAIN, BOTTLE, BOTTLES = 13.0, (5.0, 5.5), 2.0, 4
SYSTEM = WetSystem(
    "gearbox",
    "torque-converter automatic",
    Span(CAPACITY * QUART, CAPACITY * QUART),
    drain=Span(DRAIN[0] * QUART, DRAIN[1] * QUART),
    discharge=Span(BOTTLE * QUART, BOTTLE * QUART),
)


@pytest.fixture(scope="module")
def plan() -> Plan:
    wish = Wish(methods=("drain-and-refill", "line-discharge"))
    return make_plan(SYSTEM, wish=wish)


def test_one_drain_and_refill_keeps_58_to_62_percent(plan: Plan) -> None:
    # Common practice, no source: 58 to 62 % of the old fluid is still in.
    fresh = plan.methods[0].points[0].fresh
    assert round(100 * (1 - fresh.p95)) == 58
    assert round(100 * (1 - DRAIN[0] / CAPACITY)) == 62
    assert 58 <= round(100 * (1 - fresh.p50)) <= 62
    assert 58 <= round(100 * (1 - fresh.p05)) <= 62


def test_a_drain_and_four_bottles_lie_between_the_bound_and_perfect_mixing(plan: Plan) -> None:
    # Common practice, no source: about 13 quarts in all, a drain and four bottles of two.
    q = plan.methods[1].points[BOTTLES]
    assert q.new_fluid / QUART == pytest.approx(13.25, abs=0.01)
    least = float(displacement_bound(q.new_fluid_high, CAPACITY * QUART))
    mixed = (1 - DRAIN[1] / CAPACITY) * math.exp(-BOTTLES * BOTTLE / CAPACITY)
    assert least == 0.0
    assert mixed == pytest.approx(0.31, abs=0.005)
    assert least < 1 - q.fresh.p95 < 1 - q.fresh.p05 < mixed


# --- the eye test -----------------------------------------------------------------------


def bottles(draws: Draws, count: int) -> tuple[Array, Array]:
    """Old share of each bottle discharged, and of the whole system after its refill.

    What a bottle holds is what the system lost: old fluid is conserved.
    """
    volume = BOTTLE * QUART
    line = method_named("line-discharge")
    cycles = itertools.islice(follow(line, draws, step_volume(line, volume, draws)), count + 1)
    left = np.array([1 - cycle.fresh for cycle in cycles])
    bottle = (left[:-1] - left[1:]) * draws.circuit.capacity / volume
    return bottle, left[1:]


EYES = [0.02, 0.05, 0.10, 0.15]
"""Least difference in old share that tells two neighbouring vials apart: an assumption, for
old and new fluid of one dye and a steady light. A trained eye on clear fluid may see the first,
a hand in a dim yard with fluid gone brown hardly the last."""


def stop_of_the_eye(bottle: Array, eye: float) -> Array:
    """Index of the first bottle that looks like the one before it, per draw.

    The first bottles are left out: they look alike because both are old.
    """
    differs = -np.diff(bottle, axis=0)
    falling = np.argmax(differs, axis=0)
    alike = (differs < eye) & (np.arange(len(differs))[:, None] > falling)
    assert alike.any(axis=0).all()
    return np.argmax(alike, axis=0) + 1


@pytest.mark.parametrize("eye", EYES)
def test_neighbours_look_alike_while_old_fluid_is_left(eye: float) -> None:
    draws = draw(SYSTEM)
    bottle, left = bottles(draws, 16)
    stop = stop_of_the_eye(bottle, eye)
    at_stop = left[stop, np.arange(draws.count)]
    # A material share of the whole system, pockets included, is old by then; and never less than
    # the pockets, which no bottle shows.
    assert np.median(at_stop) > 0.06
    assert np.mean(at_stop > 0.05) > 0.7
    pockets = draws.circuit.pockets * draws.circuit.upper / draws.circuit.capacity
    assert np.all(at_stop > 0.999 * pockets)


def test_to_a_keen_eye_the_last_bottle_looks_better_than_the_system_it_came_from() -> None:
    draws = draw(SYSTEM)
    bottle, left = bottles(draws, 16)
    stop, each = stop_of_the_eye(bottle, 0.02), np.arange(draws.count)
    assert np.mean(bottle[stop, each] < left[stop, each]) > 0.9
    # Neighbours are alike because a bottle brings next to nothing any more, not because all is new.
    gain = left[stop - 1, each] - left[stop, each]
    assert np.median(gain) < 0.01 < 0.06 < np.median(left[stop, each])


def test_what_the_system_lost_is_what_ran_into_the_bottle() -> None:
    # The bottles above are found by difference; here the first is caught drop by drop.
    draws = draw(SYSTEM, 64)
    body, volume, drops = draws.circuit, BOTTLE * QUART, 400
    contents = ex.fill(ex.drain(filled(body), draws.drain), draws.drain, 1)
    caught = np.zeros(draws.count)
    half = transition(body, volume / drops / 2)
    for _ in range(drops):
        contents = ex.discharge(body, contents, volume / drops / 2, half)
        caught += ex.exit_share(body, contents)[:, 0] / drops
        contents = ex.discharge(body, contents, volume / drops / 2, half)
    np.testing.assert_allclose(caught, bottles(draws, 1)[0][0], rtol=0, atol=1e-4)


def test_the_job_log_tells_the_same_story() -> None:
    # The hand who did this stopped after the fourth bottle, the eye seeing no more change.
    drain = 5.25 * QUART
    steps = [FluidStep("drain", drain), FluidStep("fill", drain, batch="new")]
    for _ in range(BOTTLES):
        steps += [
            FluidStep("discharge", BOTTLE * QUART),
            FluidStep("fill", BOTTLE * QUART, batch="new"),
        ]
    course = follow_job(SYSTEM, steps)
    after = course.standings[-1]
    assert 0.05 < 1 - after.fresh.p95 < 1 - after.fresh.p05 < 0.31
    pockets = 1 - course.contents.share[:, 1, 1]
    np.testing.assert_allclose(pockets, 1.0, atol=1e-12)
