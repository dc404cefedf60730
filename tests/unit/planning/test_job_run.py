"""The steps as a job goes on: decisions, what is next, what the flow was."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sumpwright.planning.job_run import (
    learnt_flow,
    most_cycles,
    running_steps,
    upcoming,
)
from sumpwright.planning.job_step import Step, condition, holding
from sumpwright.planning.kept_steps import KeptSteps, keep_steps, root_of, skipped_ids
from sumpwright.planning.machine import Span, WetSystem
from sumpwright.planning.methods import METHODS
from sumpwright.planning.outcome import Wish
from sumpwright.planning.plan import Plan, make_plan
from sumpwright.planning.steps_of_job import Situation, steps_for

BOX = WetSystem(
    "gearbox",
    "torque-converter automatic",
    Span(9e-3, 9.6e-3),
    Span(4e-3, 4.1e-3),
    Span(4.6e-3, 5e-3),
    pickup_reserve=Span(1.5e-3, 1.5e-3),
    window=(311.15, 319.15),
    fluid="Cable Green 7",
)


@pytest.fixture(scope="module")
def plans() -> dict[str, Plan]:
    have = ("lean", "air", "second-pump")
    return {m.name: make_plan(BOX, (), Wish(have=have, methods=(m.name,))) for m in METHODS}


@pytest.mark.parametrize("method", METHODS, ids=lambda m: m.name)
@pytest.mark.parametrize("cycles", [1, 2, 5])
def test_after_every_cycle_stands_one_decision_before_the_next_begins(
    plans: dict[str, Plan], method: object, cycles: int
) -> None:
    chosen = next(m for m in METHODS if m is method)
    steps = running_steps(BOX, chosen, plans[chosen.name], cycles)
    ids = [step.id for step in steps]
    assert [s.id for s in steps if s.kind == "decide"] == [
        f"decide.{n}" for n in range(1, cycles + 1)
    ]
    plain = [step.id for step in steps_for(BOX, chosen, plans[chosen.name], cycles)]
    assert [id for id in ids if not id.startswith("decide.")] == plain
    for n in range(1, cycles + 1):
        put_in = "exchange" if chosen.pumped and n > 1 else "fill"
        assert ids.index(f"decide.{n}") > ids.index(f"{put_in}.{n}")
        if n < cycles:
            later = [s.id for s in steps if s.cycle == n + 1]
            assert ids.index(f"decide.{n}") < ids.index(later[0])


def test_a_job_that_goes_on_longer_keeps_what_was_passed(plans: dict[str, Plan]) -> None:
    line = METHODS[2]
    short = [s.id for s in running_steps(BOX, line, plans[line.name], 2)]
    longer = [s.id for s in running_steps(BOX, line, plans[line.name], 3)]
    assert set(short) <= set(longer)
    # The last vial alone moves: it is filled from what the next bottle brings.
    assert [i for i in longer if i in short and i != "sample.2"] == [
        i for i in short if i != "sample.2"
    ]


@given(st.data())
def test_what_is_next_is_never_passed_and_leaves_out_only_what_is_optional(
    data: st.DataObject,
) -> None:
    from sumpwright.planning.said import said

    steps = [
        Step(f"s{n}", said("s"), said("s"), optional=data.draw(st.booleans())) for n in range(12)
    ]
    ids = [s.id for s in steps]
    passed = data.draw(st.sets(st.sampled_from(ids)))
    skipped = data.draw(st.sets(st.sampled_from(ids)))
    found = upcoming(steps, passed, skipped)
    before = steps[: steps.index(found)] if found else steps
    assert found is None or found.id not in passed
    assert all(s.id in passed or s.optional for s in before)


def test_a_condition_passed_over_releases_that_step_alone(plans: dict[str, Plan]) -> None:
    line = METHODS[2]
    steps = {s.id: s for s in running_steps(BOX, line, plans[line.name], 3)}
    done = frozenset(id for id in steps if not id.startswith(("start", "stop")))
    short = Situation(done, balance=-4e-3)
    (held,) = holding(steps["start.2"], short)
    passed = frozenset({*done, condition(steps["start.2"], held)})
    assert holding(steps["start.2"], Situation(passed, -4e-3)) == ()
    assert len(holding(steps["start.3"], Situation(passed, -4e-3))) == 1


@given(
    st.lists(
        st.tuples(st.floats(1e-4, 5e-3), st.one_of(st.none(), st.floats(1.0, 300.0))), max_size=8
    )
)
def test_the_flow_lies_between_the_slowest_and_the_fastest_bottle(
    bottles: list[tuple[float, float | None]],
) -> None:
    flow = learnt_flow(bottles)
    rates = [volume / seconds for volume, seconds in bottles if seconds]
    if flow is None:
        assert rates == []
        return
    assert min(rates) * (1 - 1e-9) <= flow.rate <= max(rates) * (1 + 1e-9)
    assert flow.bottles == len(rates)
    assert flow.seconds_to(2e-3) == pytest.approx(2 * flow.seconds_to(1e-3))


def test_steps_are_kept_ready_for_more_cycles_than_planned() -> None:
    assert most_cycles(1) == 7
    assert most_cycles(58) == 60


@pytest.mark.parametrize("method", METHODS, ids=lambda m: m.name)
def test_nothing_that_protects_the_hand_can_be_kept_away(
    plans: dict[str, Plan], method: object
) -> None:
    chosen = next(m for m in METHODS if m is method)
    steps = running_steps(BOX, chosen, plans[chosen.name], 3)
    everything = KeptSteps(tuple(root_of(s.id) for s in steps))
    left_out = skipped_ids(everything, steps)
    assert left_out
    assert "top-up" not in left_out
    assert all(s.optional for s in steps if s.id in left_out)
    required = {hold.step for s in steps for hold in s.holds if hold.kind == "step"}
    assert not required & left_out


def test_what_a_job_teaches_comes_back_whole(plans: dict[str, Plan]) -> None:
    steps = running_steps(BOX, METHODS[0], plans[METHODS[0].name], 2)
    passed = [s.id for s in steps if not s.optional] + ["sample.1"]
    kept = keep_steps(
        steps,
        passed,
        [("fill-plug.1", "behind the wheel "), ("fill-plug.2", "needs the long hex")],
        [
            (
                "drain-plug.1",
                {"tool": "wrench 2", "wrench_length": 0.4, "torque": 27.0, "extension": None},
            )
        ],
    )
    assert "sample" not in kept.skipped
    assert {"sample.new", "odometer", "filter"} <= set(kept.skipped)
    assert "top-up" not in kept.skipped
    assert dict(kept.remarks) == {"fill-plug": "behind the wheel\nneeds the long hex"}
    assert kept.tools == {"drain-plug": {"tool": "wrench 2", "wrench_length": 0.4}}
    assert KeptSteps.from_json(kept.to_json()) == kept
    assert not kept.empty
    assert KeptSteps().empty


def test_a_step_that_a_job_never_came_to_is_not_kept_as_left_out(plans: dict[str, Plan]) -> None:
    steps = running_steps(BOX, METHODS[0], plans[METHODS[0].name], 2)
    place = [s.id for s in steps].index("decide.1")
    passed = [s.id for s in steps[:place] if not s.optional] + ["leak-check"]
    kept = keep_steps(steps, passed, [], [])
    assert "filter" in kept.skipped
    later = [s for s in steps[place:] if s.optional and s.id.startswith("sample.")]
    assert later
    assert upcoming([*steps[:place], *later, *steps[-1:]], passed) == later[0]
