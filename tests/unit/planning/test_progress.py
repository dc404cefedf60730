"""Following a job step by step."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from carrierkit import CARRIER, LINE, STORE, VAGUE, cycles, drained, filled_with
from random_sheets import FLUID, L, exact_systems
from sumpwright.planning.advice import advise
from sumpwright.planning.draws import draw
from sumpwright.planning.machine import WetSystem
from sumpwright.planning.methods import METHODS, Method, bottle, follow, step_volume
from sumpwright.planning.outcome import Wish
from sumpwright.planning.progress import effective_draws, follow_job, method_named
from sumpwright.planning.steps import FluidStep, StepKind

# --- following ------------------------------------------------------------------------


@pytest.mark.parametrize("method", METHODS, ids=[m.name for m in METHODS])
def test_a_job_done_as_planned_ends_where_the_plan_ends(method: Method) -> None:
    d = draw(CARRIER)
    planned = follow(method, d, step_volume(method, bottle(CARRIER, d.safe), d))
    for n, cycle in zip(range(1, 6), planned, strict=False):
        steps = cycles(method, n)
        course = follow_job(CARRIER, steps)
        assert course.fresh[0] == pytest.approx(float(cycle.fresh[0]), abs=1e-12)
        used = sum(s.volume for s in steps if s.batch)
        assert used == pytest.approx(float(cycle.new_fluid[0]), abs=1e-15)


def test_a_mistake_with_the_wrong_fluid_keeps_its_own_account() -> None:
    course = follow_job(
        CARRIER, [drained(), filled_with(1.0, "wrong"), filled_with(3.1), FluidStep("drive")]
    )
    shares = course.by_batch
    assert shares == pytest.approx(
        {"before": 5.1 / 9.2, "wrong": 1.0 / 9.2, FLUID: 3.1 / 9.2}, abs=1e-12
    )


def test_the_level_is_what_went_in_less_what_came_out() -> None:
    course = follow_job(CARRIER, [drained(), filled_with(4.3), FluidStep("lose", 0.05 * L)])
    levels = [s.level.p50 for s in course.standings]
    assert levels == pytest.approx([-4.1 * L, 0.2 * L, 0.15 * L], abs=1e-15)


def test_draws_that_could_not_have_given_what_came_out_lose_their_weight() -> None:
    d = draw(VAGUE, 256)
    course = follow_job(VAGUE, [drained(4.5)], d)
    gave = d.circuit.sump >= 4.5 * L
    assert 0 < gave.sum() < d.count
    np.testing.assert_allclose(course.weights, gave / gave.sum())
    assert course.standings[-1].effective == pytest.approx(gave.sum())
    assert course.standings[-1].note == ""


def test_a_volume_that_no_draw_could_give_is_believed_and_noted() -> None:
    course = follow_job(VAGUE, [drained(6.0)], draw(VAGUE, 64))
    assert "more came out than the sheet says" in course.standings[-1].note
    assert effective_draws(course.weights) == pytest.approx(64)
    assert np.all(course.contents.volume >= 0)


def test_an_open_job_has_all_its_old_fluid() -> None:
    course = follow_job(CARRIER, [])
    assert course.by_batch == pytest.approx({"before": 1.0})
    assert course.probability(0.5) == 0.0
    assert course.fresh_quantiles.p50 == 0.0


KINDS: list[StepKind] = [
    "drain",
    "fill",
    "discharge",
    "exchange",
    "purge",
    "work",
    "circulate",
    "drive",
    "lose",
]
any_steps = st.lists(
    st.builds(
        lambda kind, volume, share, sweeps, batch: FluidStep(
            kind, volume * L, share, sweeps, batch if kind in {"fill", "exchange"} else ""
        ),
        st.sampled_from(KINDS),
        st.sampled_from([0.0, 0.5, 4.1, 20.0]) | st.floats(0.0, 12.0),
        st.floats(0.0, 1.0),
        st.integers(0, 5),
        st.sampled_from(["a", "b", "c"]),
    ),
    max_size=10,
)


@settings(max_examples=80, deadline=None)
@given(any_steps, exact_systems() | st.just(VAGUE))
def test_whatever_was_done_can_be_followed(steps: list[FluidStep], system: WetSystem) -> None:
    d = draw(system, 8)
    course = follow_job(system, steps, d)
    assert len(course.standings) == len(steps)
    assert course.weights.sum() == pytest.approx(1.0)
    assert sum(course.by_batch.values()) == pytest.approx(1.0, abs=1e-9)
    for s in course.standings:
        assert 0 <= s.fresh.p05 <= s.fresh.p95 <= 1
        assert -1e-12 <= s.exit.p05 <= s.exit.p95 <= 1 + 1e-12
        assert 1 - 1e-9 <= s.effective <= d.count + 1e-9
    # Mass: what is in is the capacity, plus what entered, less what could come out.
    put_in = sum(s.volume for s in steps if s.kind == "fill")
    assert np.all(course.contents.total <= d.circuit.capacity + put_in + 1e-12)
    for method in METHODS:
        advice = advise(course, method, Wish(), 1 * L, "a", STORE)
        assert advice.next_gain >= -1e-12
        assert advice.probability == course.probability(0.9)


def test_new_fluid_in_the_system_never_exceeds_what_was_filled() -> None:
    steps = cycles(LINE, 5, VAGUE)
    d = draw(VAGUE, 64)
    course = follow_job(VAGUE, steps, d)
    put_in = sum(s.volume for s in steps if s.batch)
    assert np.all(course.fresh * course.contents.total <= put_in + 1e-12)


def test_an_unknown_method_is_a_key_error() -> None:
    with pytest.raises(KeyError):
        method_named("prayer")


@pytest.mark.parametrize("out", [5.4, 9.2, 12.0])
def test_more_than_by_the_sheet_was_there_and_every_volume_is_kept(out: float) -> None:
    steps = [drained(out), filled_with(out), FluidStep("drive")]
    course = follow_job(CARRIER, steps)
    assert course.standings[0].note == "more came out than the sheet says was in it"
    # As much went in as came out: the level is that of the start, which stood too high.
    assert course.traces[-1].level == pytest.approx(0.0, abs=1e-12)
    there = 9.2 + out - 4.8
    assert course.contents.total == pytest.approx(there * L)
    assert course.fresh == pytest.approx(out / there)
