"""What vessels that read high or low do to the estimate of a job."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sumpwright.physics.circuit import Circuit
from sumpwright.planning.belief import Observation, weigh
from sumpwright.planning.draws import Draws, draw
from sumpwright.planning.machine import Span, WetSystem
from sumpwright.planning.progress import follow_job
from sumpwright.planning.steps import FluidStep
from sumpwright.planning.vessel import VESSEL_ERROR, as_read


def one(value: float) -> Span:
    return Span(value, value)


BOX = WetSystem(
    "box",
    "torque-converter automatic",
    one(9.2e-3),
    one(4.1e-3),
    one(4.8e-3),
    one(0.7e-3),
    one(2),
    one(0.1),
    one(1.5e-3),
    purge_share=one(0.5),
    lean_gain=one(0.2e-3),
    sweep_share=one(0.2),
)
JOB = (
    FluidStep("drain", 4.1e-3),
    FluidStep("fill", 4.1e-3, batch="new"),
    FluidStep("discharge", 2.0e-3),
    FluidStep("fill", 2.0e-3, batch="new"),
    FluidStep("purge", share=0.5),
    FluidStep("work", sweeps=2),
    FluidStep("exchange", 1.0e-3, batch="new"),
    FluidStep("fill", 0.35e-3, batch="new"),
)


def scaled(draws: Draws, by: float) -> Draws:
    c = draws.circuit
    return replace(
        draws,
        circuit=Circuit(c.sump * by, c.upper * by, c.loop * by, c.tanks, c.pockets),
        drain=draws.drain * by,
        reserve=draws.reserve * by,
        lean_gain=draws.lean_gain * by,
    )


@given(st.floats(-0.06, 0.06))
def test_a_vessel_that_reads_low_is_a_circuit_that_looks_small(error: float) -> None:
    true = [replace(step, volume=step.volume * (1 + error)) for step in JOB]
    by_truth = follow_job(BOX, true, draw(BOX))
    as_seen = follow_job(BOX, JOB, scaled(draw(BOX), 1 / (1 + error)))
    for a, b in zip(by_truth.traces, as_seen.traces, strict=True):
        assert a.fresh == pytest.approx(b.fresh, abs=1e-9)
        assert a.exit == pytest.approx(b.exit, abs=1e-9)
        assert a.total == pytest.approx(b.total * (1 + error), rel=1e-9)


def test_a_sheet_without_ranges_still_leaves_the_error_of_the_vessels() -> None:
    course = follow_job(BOX, JOB[:2], as_read(draw(BOX), 1024))
    band = course.fresh_quantiles
    share = 4.1 / 9.2
    assert band.p50 == pytest.approx(share, rel=1e-4)
    # 1.645 standard errors either way hold nine in ten.
    assert band.p05 == pytest.approx(share * (1 - 1.645 * VESSEL_ERROR), rel=1e-3)
    assert band.p95 == pytest.approx(share * (1 + 1.645 * VESSEL_ERROR), rel=1e-3)
    assert course.traces[-1].level == pytest.approx(np.zeros(1024), abs=1e-12)


def test_samples_tell_of_the_vessels() -> None:
    course = follow_job(BOX, JOB[:2], as_read(draw(BOX), 1024))
    before = course.fresh_quantiles
    low = float(np.quantile(course.traces[1].run_old, 0.2))
    belief = weigh(course, [Observation("1", low, 0.004, 2, "sump", ran=True)])
    after = belief.course.fresh_quantiles
    assert not belief.doubts
    assert after.p50 > before.p50
    assert after.p95 - after.p05 < 0.9 * (before.p95 - before.p05)
    assert belief.effective < 1000


def test_draws_of_a_range_keep_their_number_and_say_the_error() -> None:
    wide = replace(BOX, capacity=Span(9.0e-3, 9.6e-3))
    plain = draw(wide, 256)
    read = as_read(plain, 1024)
    assert read.count == 256
    assert read.safe == plain.safe
    told = read.assumptions[-1]
    assert (told.name, told.low, told.high) == ("vessel_error", -0.04, 0.04)
    assert "no source" in told.origin
    assert as_read(plain, 1024, error=0.0).circuit.capacity == pytest.approx(plain.circuit.capacity)


@pytest.mark.parametrize("error", [-0.01, 0.2, float("nan")])
def test_an_error_that_is_none_is_refused(error: float) -> None:
    with pytest.raises(ValueError, match="error"):
        as_read(draw(BOX), 64, error)
