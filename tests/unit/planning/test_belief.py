"""Samples narrow what is believed of the circuit, and contradictions are said."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sumpwright.planning.belief import (
    Observation,
    posterior_draws,
    predicted,
    resample,
    settled,
    weigh,
)
from sumpwright.planning.draws import draw
from sumpwright.planning.machine import Span, WetSystem
from sumpwright.planning.plan import make_plan
from sumpwright.planning.progress import Course, effective_draws, follow_job
from sumpwright.planning.steps import FluidStep

BOX = WetSystem("box", "torque-converter automatic", Span(9.2e-3, 9.2e-3), Span(4.1e-3, 4.1e-3))
STEPS = [
    FluidStep("drain", 4.1e-3),
    FluidStep("fill", 4.1e-3, batch="new"),
    FluidStep("discharge", 2e-3),
    FluidStep("fill", 2e-3, batch="new"),
    FluidStep("discharge", 2e-3),
    FluidStep("fill", 2e-3, batch="new"),
]


@pytest.fixture(scope="module")
def course() -> Course:
    return follow_job(BOX, STEPS, draw(BOX, 2048))


def test_what_comes_out_is_what_goes_missing(course: Course) -> None:
    first, second = course.traces[2].left_old, course.traces[4].left_old
    assert first is not None
    assert second is not None
    assert np.all((second <= first + 1e-12) & (second >= 0) & (first <= 1))
    lost = (course.traces[1].fresh, course.traces[3].fresh)
    # New fluid in the system after the second fill: what was there, less what left, plus 2 L.
    capacity = course.draws.circuit.capacity
    kept = lost[0] * capacity - (1 - first) * 2e-3 + 2e-3
    np.testing.assert_allclose(kept / capacity, lost[1], atol=1e-12)


def test_a_sample_moves_the_estimate_towards_it_and_narrows_it(course: Course) -> None:
    model = predicted(course, Observation("b", 0.5, 0.02, 5))
    assert model is not None
    low = float(np.quantile(model, 0.2))
    belief = weigh(course, [Observation("b", low, 0.02, 5)])
    seen = belief.course.weights @ model
    assert abs(seen - low) < abs(model.mean() - low)
    before, after = course.fresh_quantiles, belief.course.fresh_quantiles
    assert after.p95 - after.p05 < before.p95 - before.p05
    assert belief.effective < course.draws.count
    # An older sample than the model thought means more old fluid was moved out: fresher inside.
    high = float(np.quantile(model, 0.9))
    other = weigh(course, [Observation("b", high, 0.02, 5)]).course
    assert not np.isclose(other.fresh_quantiles.p50, after.p50)


def test_every_step_is_seen_with_the_new_weights(course: Course) -> None:
    belief = weigh(course, [Observation("a", 0.9, 0.02, 3)])
    for old, new in zip(course.standings, belief.course.standings, strict=True):
        assert old.step == new.step
    assert belief.course.standings[3].fresh != course.standings[3].fresh


def test_a_vague_sample_changes_next_to_nothing(course: Course) -> None:
    belief = weigh(course, [Observation("b", 0.6, 10.0, 5)])
    assert belief.effective == pytest.approx(course.draws.count, rel=1e-3)


def test_a_contradicting_sample_is_named_and_left_out(course: Course) -> None:
    belief = weigh(course, [Observation("4", 0.02, 0.02, 3), Observation("5", 0.98, 0.02, 5)])
    assert not belief.used
    assert [d.observation.vial for d in belief.doubts] == ["4", "5"]
    assert "sample 4 shows 2 % old" in belief.doubts[0].sentence
    assert "vials are in order" in belief.doubts[0].sentence
    np.testing.assert_array_equal(belief.course.weights, course.weights)


def test_a_sample_before_anything_came_out_says_nothing(course: Course) -> None:
    belief = weigh(course, [Observation("old", 1.0, 0.02, 0)])
    assert not belief.used
    assert not belief.doubts


def test_an_exact_sheet_can_be_contradicted_but_not_moved() -> None:
    one = Span
    exact = WetSystem(
        "box",
        "torque-converter automatic",
        one(9.2e-3, 9.2e-3),
        one(4.1e-3, 4.1e-3),
        one(4.8e-3, 4.8e-3),
        one(0.7e-3, 0.7e-3),
        one(2, 2),
        one(0.1, 0.1),
        one(1.5e-3, 1.5e-3),
        purge_share=one(0.5, 0.5),
        lean_gain=one(0, 0),
        sweep_share=one(0.2, 0.2),
    )
    course = follow_job(exact, STEPS, draw(exact, 64))
    model = predicted(course, Observation("b", 0.5, 0.02, 5))
    assert model is not None
    agreed = weigh(course, [Observation("b", float(model[0]), 0.02, 5)])
    assert agreed.course.fresh_quantiles == course.fresh_quantiles
    assert weigh(course, [Observation("b", 0.0, 0.02, 5)]).doubts


@pytest.mark.parametrize(("share", "error"), [(-0.1, 0.1), (1.1, 0.1), (0.5, 0.0), (0.5, np.nan)])
def test_an_impossible_sample_is_refused(course: Course, share: float, error: float) -> None:
    with pytest.raises(ValueError, match="sample's"):
        weigh(course, [Observation("x", share, error, 5)])


def test_thin_weights_are_resampled(course: Course) -> None:
    model = predicted(course, Observation("b", 0.5, 0.02, 5))
    assert model is not None
    belief = weigh(course, [Observation("b", float(np.quantile(model, 0.1)), 0.005, 5)])
    assert belief.thin
    even = settled(belief)
    assert effective_draws(even.course.weights) == pytest.approx(course.draws.count)
    got, want = even.course.fresh_quantiles, belief.course.fresh_quantiles
    assert got.p50 == pytest.approx(want.p50, abs=0.01)
    assert got.p05 == pytest.approx(want.p05, abs=0.01)
    kept = weigh(course, [])
    assert settled(kept) is kept


def test_the_plan_goes_on_from_the_belief(course: Course) -> None:
    model = predicted(course, Observation("b", 0.5, 0.02, 5))
    assert model is not None
    belief = weigh(course, [Observation("b", float(np.quantile(model, 0.1)), 0.02, 5)])
    prior = make_plan(BOX, draws=course.draws)
    later = make_plan(BOX, draws=posterior_draws(belief))
    name = "line-discharge"
    wide, narrow = (
        next(m for m in p.methods if m.method.name == name).points[2].fresh for p in (prior, later)
    )
    assert narrow.p95 - narrow.p05 < wide.p95 - wide.p05


@given(st.lists(st.floats(0.0, 1.0), min_size=2, max_size=40).filter(lambda w: sum(w) > 1e-6))
@settings(max_examples=60, deadline=None)
def test_resampling_keeps_proportions(raw: list[float]) -> None:
    weights = np.array(raw)
    count = weights.shape[0]
    chosen = np.bincount(resample(weights), minlength=count)
    share = weights / weights.sum() * count
    assert np.all(chosen >= np.floor(share - 1e-9))
    assert np.all(chosen <= np.ceil(share + 1e-9))


ONE_ROUND = [FluidStep("drain", 4.1e-3), FluidStep("fill", 4.1e-3, batch="new")]
MIXED = [*ONE_ROUND, FluidStep("drive")]


def followed(*steps: FluidStep) -> Course:
    return follow_job(BOX, list(steps), draw(BOX, 256))


def test_a_sample_of_the_sump_is_of_the_mixture() -> None:
    course = followed(*MIXED)
    sump = Observation("D1", 0.55, 0.02, 3, "sump")
    model = predicted(course, sump)
    assert model is not None
    # 5.1 of 9.2 L were left: all of it is one mixture after the drive.
    np.testing.assert_allclose(model, 5.1 / 9.2, atol=1e-12)
    assert weigh(course, [sump]).used == (sump,)
    (doubt,) = weigh(course, [Observation("D1", 0.55, 0.02, 3, "out")]).doubts
    assert doubt.contradicts
    assert "was to be expected of what came out last" in doubt.what


def test_the_end_of_the_stream_is_what_a_last_drop_would_be() -> None:
    bottle = [*ONE_ROUND, FluidStep("discharge", 2e-3)]
    course = followed(*bottle)
    end = predicted(course, Observation("a", 0.5, 0.1, 3, "stream"))
    whole = predicted(course, Observation("a", 0.5, 0.1, 3, "out"))
    drop = followed(*bottle, FluidStep("discharge", 1e-9)).traces[-1].left_old
    assert end is not None
    assert whole is not None
    assert drop is not None
    np.testing.assert_allclose(end, drop, atol=1e-5)
    # New fluid comes last: the end is no older than the bottle, and in most draws newer.
    assert np.all(end <= whole + 1e-12)
    assert np.median(whole - end) > 0.005
    # Whatever was drained at the plug is one mixture from its first drop to its last.
    drained = followed(*MIXED, FluidStep("drain", 4.1e-3))
    one, other = (predicted(drained, Observation("a", 0.5, 0.1, 4, t)) for t in ("out", "stream"))
    np.testing.assert_array_equal(one, other)


@pytest.mark.parametrize("ran", [False, True])
def test_a_running_engine_mixes_what_moves_round(ran: bool) -> None:
    by_step = () if ran else (FluidStep("work", sweeps=3),)
    course = followed(*ONE_ROUND, *by_step, FluidStep("lose", 0.1e-3), FluidStep("level"))
    seen = Observation("a", 0.5, 0.05, len(course.traces), "sump", ran=ran)
    model = predicted(course, seen)
    long = followed(
        *ONE_ROUND,
        *by_step,
        FluidStep("lose", 0.1e-3),
        FluidStep("circulate", 2.0),
    )
    np.testing.assert_allclose(model, long.traces[-1].sump_old, atol=1e-9)
    assert not weigh(course, [seen]).doubts


def test_an_unmixed_sump_says_nothing() -> None:
    course = followed(*ONE_ROUND)
    (doubt,) = weigh(course, [Observation("a", 0.3, 0.02, 2, "sump")]).doubts
    assert not doubt.contradicts
    assert "before the new fluid there was mixed in" in doubt.sentence
    np.testing.assert_array_equal(weigh(course, [doubt.observation]).course.weights, course.weights)
    assert weigh(course, [Observation("a", 0.55, 0.05, 2, "sump", ran=True)]).used
    # A top-up that is small beside the sump spoils nothing.
    topped = followed(*MIXED, FluidStep("fill", 0.1e-3, batch="new"))
    assert weigh(topped, [Observation("a", 0.55, 0.03, 4, "sump")]).used
    again = followed(*MIXED, FluidStep("fill", 1e-3, batch="new"))
    assert weigh(again, [Observation("a", 0.55, 0.03, 4, "sump")]).doubts


def test_before_anything_was_done_a_sample_is_the_reference(course: Course) -> None:
    for place in ("out", "stream", "sump"):
        assert predicted(course, Observation("old", 1.0, 0.02, 0, place)) is None


ACTS = st.sampled_from(
    [
        FluidStep("drain", 1.5e-3),
        FluidStep("fill", 1.5e-3, batch="new"),
        FluidStep("fill", 0.1e-3, batch="other"),
        FluidStep("discharge", 1e-3),
        FluidStep("exchange", 1e-3, batch="new"),
        FluidStep("purge", share=0.5),
        FluidStep("work", sweeps=2),
        FluidStep("circulate", 1e-3),
        FluidStep("drive"),
        FluidStep("lose", 0.1e-3),
    ]
)


@given(st.lists(ACTS, min_size=1, max_size=8), st.booleans())
@settings(max_examples=40, deadline=None)
def test_wherever_it_is_taken_from_a_share_is_a_share(acts: list[FluidStep], ran: bool) -> None:
    course = follow_job(BOX, acts, draw(BOX, 32))
    for place in ("out", "stream", "sump"):
        seen = Observation("a", 0.5, 0.1, len(acts), place, ran)
        model = predicted(course, seen)
        if model is None:
            continue
        assert model.shape == (32,)
        assert np.all((model >= -1e-12) & (model <= 1 + 1e-12))
        if place == "sump" and acts[-1].kind == "drive":
            np.testing.assert_allclose(model, 1 - course.fresh, atol=1e-9)
        belief = weigh(course, [seen])
        assert belief.course.weights.sum() == pytest.approx(1.0)
        assert len(belief.used) + len(belief.doubts) == 1
