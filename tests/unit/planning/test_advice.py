"""Whether to go on with a job."""

from __future__ import annotations

from dataclasses import replace
from itertools import islice

import pytest

from carrierkit import CARRIER, LINE, STORE, VAGUE, cycles, drained, filled_with
from random_sheets import FLUID, L, litres
from sumpwright.planning.advice import Advice, advise
from sumpwright.planning.draws import draw
from sumpwright.planning.machine import WetSystem
from sumpwright.planning.methods import EQUIPMENT, METHODS, Method, bottle, follow
from sumpwright.planning.outcome import Wish
from sumpwright.planning.plan import make_plan
from sumpwright.planning.progress import follow_job
from sumpwright.planning.steps import FluidStep


def advice(n: int, wish: Wish, told_apart: bool | None = None, method: Method = LINE) -> Advice:
    size = bottle(CARRIER, draw(CARRIER).safe)
    course = follow_job(CARRIER, cycles(method, n))
    return advise(course, method, wish, size, FLUID, STORE, told_apart)


def test_before_anything_is_done_it_says_go_on() -> None:
    a = advice(0, Wish())
    assert a.go_on
    assert a.sentence.startswith(
        "Go on: it is 0 % sure that 90 % is fresh; the next cycle would add 44.6 points"
    )
    assert a.next_volume == pytest.approx(4.1 * L)
    assert a.next_gain == pytest.approx(4.1 / 9.2)


def test_a_target_met_says_stop() -> None:
    a = advice(6, Wish(target=0.85))
    assert not a.go_on
    assert a.probability == 1.0
    assert a.sentence.startswith("Stop: at least 85 % is fresh with 100 % confidence")


def test_a_target_met_exactly_says_stop() -> None:
    target = 1 - (1 - 4.1 / 9.2) ** 3
    a = advice(3, Wish(target=target), method=METHODS[0])
    assert (a.go_on, a.probability) == (False, 1.0)
    assert advice(3, Wish(target=target + 1e-9), method=METHODS[0]).go_on


def test_small_gains_go_on_while_the_target_is_within_the_wish() -> None:
    fresh = [follow_job(CARRIER, cycles(METHODS[0], n)).fresh[0] for n in (7, 8)]
    assert (fresh[1] - fresh[0]) * 100 < 2
    a = advice(7, Wish(target=float(fresh[1])), method=METHODS[0])
    assert a.go_on
    assert a.sentence.endswith("make it 100 % sure.")


def test_more_than_one_cycle_to_go_is_counted() -> None:
    a = advice(1, Wish(target=0.9), method=METHODS[0])
    assert a.sentence.endswith("3 more cycles would be enough.")
    far = advice(1, Wish(target=0.999, cycles=3), method=METHODS[0])
    assert far.go_on
    assert far.sentence.endswith("3 more cycles would still fall short.")


def test_small_gains_stop_where_the_target_stays_out_of_reach() -> None:
    a = advice(9, Wish(target=0.999), told_apart=True)
    assert not a.go_on
    assert "stays out of reach this way" in a.sentence
    assert "cannot be told" not in a.sentence
    assert "cannot be told from new" in advice(9, Wish(target=0.999), told_apart=False).sentence


def test_looking_alike_alone_is_no_reason_to_stop() -> None:
    a = advice(3, Wish(target=0.95), told_apart=False)
    assert a.go_on
    assert a.sentence.endswith("That the last sample cannot be told from new proves nothing yet.")


@pytest.mark.parametrize(("worth", "go_on"), [(0.5, False), (50.0, True)])
def test_the_users_own_price_decides_when_there_is_one(worth: float, go_on: bool) -> None:
    a = advice(3, Wish(target=0.99, worth_per_point=worth))
    assert a.next_cost == pytest.approx(11.4 / L * a.next_volume)
    assert a.go_on == (a.next_gain * 100 * worth >= a.next_cost) == go_on
    assert "to you" in a.sentence


def test_in_the_middle_of_a_cycle_the_refill_comes_first() -> None:
    course = follow_job(CARRIER, [drained()])
    a = advise(course, METHODS[0], Wish(), 0.0, FLUID, STORE)
    assert a.refill == pytest.approx(4.1 * L)
    assert a.sentence.startswith("Fill what came out before the engine runs. Then: ")
    # The gain is that of the next cycle, not of the refill that is due anyway.
    part = 4.1 / 9.2
    assert a.next_gain < part


def test_no_offer_leaves_the_money_out() -> None:
    course = follow_job(CARRIER, [])
    a = advise(course, LINE, Wish(worth_per_point=1.0), 3 * L, FLUID)
    assert a.next_cost is None
    assert "of fluid" not in a.sentence


# --- a cycle under way ----------------------------------------------------------------

SHALLOW = replace(CARRIER, sump=litres(4.3))
"""A sump that a drain nearly empties: what is filled stays apart until the drive."""


@pytest.mark.parametrize("worth", [None, 2.3])
@pytest.mark.parametrize("rounds", [0, 2])
def test_the_drive_still_to_come_changes_nothing_in_the_advice(
    worth: float | None, rounds: int
) -> None:
    wish = Wish(target=0.97, worth_per_point=worth)
    before = cycles(METHODS[0], rounds, SHALLOW)
    drive = FluidStep("drive")

    def told(*steps: FluidStep) -> Advice:
        course = follow_job(SHALLOW, [*before, *steps])
        return advise(course, METHODS[0], wish, 0.0, FLUID, STORE)

    driven, filled, drained_only = (
        told(drained(), filled_with(), drive),
        told(drained(), filled_with()),
        told(drained()),
    )
    assert filled.sentence == driven.sentence
    assert (filled.go_on, filled.next_volume) == (driven.go_on, driven.next_volume)
    part = 4.1 / 9.2
    exact = (1 - part) ** (rounds + 1) * part
    for each in (driven, filled, drained_only):
        assert each.next_gain == pytest.approx(exact, abs=1e-12)
    assert drained_only.sentence == (
        "Fill what came out before the engine runs. Then: "
        + driven.sentence.replace("it is 0 % sure", "it is then 0 % sure")
    )


def test_a_method_through_the_line_waits_for_no_drive() -> None:
    d = draw(SHALLOW)
    size = bottle(SHALLOW, d.safe)
    a = advise(follow_job(SHALLOW, cycles(LINE, 1, SHALLOW)), LINE, Wish(), size, FLUID)
    planned = list(islice(follow(LINE, d, size), 2))
    assert a.next_gain == pytest.approx(float(planned[1].fresh[0] - planned[0].fresh[0]), abs=1e-12)


def test_the_chance_told_is_that_of_the_fluid_as_it_stands() -> None:
    done = cycles(METHODS[0], 4, VAGUE)
    course = follow_job(VAGUE, [*done, drained(3.6)])
    wish = Wish(target=0.93, confidence=0.5)
    a = advise(course, METHODS[0], wish, 0.0, FLUID, STORE)
    assert a.probability == course.probability(0.93) == 0.0
    # Once it is filled it would be reached, and the sentence says that it speaks of then.
    assert a.sentence.startswith(
        "Fill what came out before the engine runs. Then: Stop: at least 93 % is then fresh with "
    )


def test_what_stands_above_the_level_is_let_out_before_the_next_cycle() -> None:
    over = [drained(), filled_with(5.1), FluidStep("drive")]
    level = [*over, drained(1.0)]
    a, b = (
        advise(follow_job(CARRIER, steps), METHODS[0], Wish(), 0.0, FLUID)
        for steps in (over, level)
    )
    assert a.excess == pytest.approx(1.0 * L)
    assert a.next_gain == pytest.approx(b.next_gain, abs=1e-12)


MINIMAL = WetSystem("gearbox", "automatic", litres(9.2), fluid=FLUID)
SMALL = WetSystem("gearbox", "other", litres(3.3), fluid=FLUID)

# --- the same as the plan -------------------------------------------------------------


@pytest.mark.parametrize("method", METHODS, ids=[m.name for m in METHODS])
@pytest.mark.parametrize("system", [VAGUE, MINIMAL, SMALL], ids=["ranges", "silent", "small"])
def test_the_first_advice_is_that_of_the_plan(method: Method, system: WetSystem) -> None:
    wish = Wish(methods=(method.name,), have=EQUIPMENT)
    plan = make_plan(system, STORE, wish)
    a = advise(
        follow_job(system, [], plan.draws),
        method,
        wish,
        bottle(system, plan.safe),
        FLUID,
        STORE,
    )
    planned = plan.chosen.points
    assert a.next_volume == pytest.approx(planned[0].new_fluid)
    if not plan.reached:
        assert a.sentence.endswith("8 more cycles would still fall short.")
        return
    assert 1 < plan.point.cycles <= 8
    assert a.sentence.endswith(f"; {plan.point.cycles} more cycles would be enough.")
