"""How a job stands among its steps: the engine, calls, undo, cycles and the level."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from sumpwright.errors import Complaint
from sumpwright.planning.outcome import Quantiles
from sumpwright.records.chain import Event
from sumpwright.records.fold import fold
from sumpwright.records.job_run import situation_of, to_undo
from sumpwright.records.rules import check_next
from sumpwright.records.standing import job_standing
from unit.paper import jobs as printed
from yardkit import FLUID, Log


def call(log: Log, step: str, turns: str = "", completes: bool = True) -> Event:
    body: dict[str, Any] = {"to": "seat", "instruction": "x", "turns": turns}
    if step:
        body |= {"step": step, "completes": completes}
    return log.add("signal", body)


def answer(log: Log, signal: Event) -> Event:
    body = {"signal": signal.id}
    if signal.body.get("completes"):
        body["step"] = signal.body["step"]
    return log.add("acknowledged", body)


def started(log: Log, run: str = "2") -> None:
    log.add("did", {"step": f"check.{run}"})
    answer(log, call(log, f"ready.{run}"))
    answer(log, call(log, f"start.{run}", "on"))


def test_the_engine_follows_calls_answers_and_steps() -> None:
    log = Log()

    def engine() -> str:
        return situation_of(fold(log.events)).engine

    assert engine() == "off"
    start = call(log, "start.2", "on")
    assert engine() == "called"
    answer(log, start)
    assert engine() == "running"
    stop = call(log, "stop.2", "off")
    assert engine() == "stopping"
    answer(log, stop)
    assert engine() == "off"
    log.add("did", {"step": "start.level"})
    assert engine() == "running"
    log.add("did", {"step": "stop.level"})
    assert engine() == "off"
    bump = call(log, "bump", "pulse")
    assert engine() == "called"
    answer(log, bump)
    assert engine() == "off"


def test_after_a_stop_out_of_turn_the_start_is_prepared_afresh() -> None:
    log = Log()
    log.add("overrode", {"step": "start.2/balance", "reason": "as the manual says"})
    started(log)
    log.add("worked", {"sweeps": 1, "step": "work.1"})
    stop = call(log, "", "off")
    before = fold(log.events)
    assert {"check.2", "ready.2", "start.2"} <= set(before.done)
    answer(log, stop)
    state = fold(log.events)
    assert state.engine == "off"
    assert state.done == ("work.1",)
    assert state.overridden == {}
    assert state.pending == ()
    # A stop in its turn completes its step and leaves the start alone.
    started(log)
    answer(log, call(log, "stop.2", "off"))
    assert set(fold(log.events).done) == {"work.1", "check.2", "ready.2", "start.2", "stop.2"}


def test_a_start_that_was_called_off_is_not_waited_for() -> None:
    log = Log()
    log.add("did", {"step": "check.2"})
    late = call(log, "start.2", "on")
    answer(log, call(log, "", "off"))
    state = fold(log.events)
    assert (state.engine, state.pending, state.done) == ("off", (), ())
    # Should the seat have started all the same, its late answer is believed.
    answer(log, late)
    assert fold(log.events).engine == "running"


def test_undo_does_not_reach_what_was_said_of_the_engine() -> None:
    log = Log()
    started(log)
    assert to_undo(fold(log.events)) is None
    event = log.add("reversed", {"event": log.events[-1].id})
    log.events.pop()
    with pytest.raises(Complaint, match="about the engine cannot be undone"):
        check_next(fold(log.events), event)
    log.add("did", {"step": "stop.2"})
    assert to_undo(fold(log.events)) is None
    note = log.add("noted", {"text": "x"})
    assert to_undo(fold(log.events)) == note


def test_a_call_whose_step_was_undone_is_withdrawn() -> None:
    log = Log()
    ready = answer(log, call(log, "ready.2"))
    log.add("reversed", {"event": ready.id})
    assert fold(log.events).pending == ()
    again = call(log, "ready.2")
    assert fold(log.events).pending == (again,)
    # Done as seen or heard, the call is settled; that undone, it is withdrawn.
    heard = log.add("did", {"step": "ready.2"})
    assert fold(log.events).pending == ()
    log.add("reversed", {"event": heard.id})
    assert fold(log.events).pending == ()


def test_the_short_run_and_its_refill_are_no_cycle() -> None:
    log = Log()
    log.add("drained", {"volume": 0.0041, "step": "drain.1"})
    log.add("filled", {"volume": 0.0041, "fluid": FLUID, "step": "fill.1"})
    log.add("discharged", {"volume": 0.0001, "step": "outlet"})
    log.add("filled", {"volume": 0.0001, "fluid": FLUID, "step": "fill.bump"})
    log.add("discharged", {"volume": 0.002, "step": "discharge.2"})
    log.add("filled", {"volume": 0.002, "fluid": FLUID, "step": "fill.2"})
    state = fold(log.events)
    assert state.cycles == 2
    assert [step.trial for step in state.fluid_steps] == [False, False, True, False, False, False]


def test_the_level_once_set_is_what_counts() -> None:
    log = Log()
    log.add("drained", {"volume": 0.0041, "step": "drain.1"})
    log.add("filled", {"volume": 0.0041, "fluid": FLUID, "step": "fill.1"})
    log.add("lost", {"volume": 0.00015, "step": "level"})
    state = fold(log.events)
    assert state.volume_change == pytest.approx(0.0, abs=1e-15)
    assert state.balance.lost == 0.00015
    standing = job_standing(state)
    assert standing.advice.refill == 0.0
    assert not standing.advice.go_on
    assert standing.course.standings[-1].level.p50 == pytest.approx(0.0, abs=1e-12)
    # A spill is none of it, neither before nor after.
    log.add("lost", {"volume": 0.0005})
    state = fold(log.events)
    assert state.volume_change == pytest.approx(-0.0005)
    assert job_standing(state).advice.refill == pytest.approx(0.0005)


def test_advice_ends_with_the_decision_to_stop() -> None:
    log = Log()
    log.add("drained", {"volume": 0.0041, "step": "drain.1"})
    log.add("filled", {"volume": 0.0041, "fluid": FLUID, "step": "fill.1"})
    assert job_standing(fold(log.events)).advice.go_on
    log.add("decided", {"cycles": 2, "step": "decide.1"})
    assert job_standing(fold(log.events)).advice.go_on
    stop = log.add("decided", {"cycles": 1, "step": "decide.1"})
    advice = job_standing(fold(log.events)).advice
    assert (advice.go_on, advice.sentence) == (False, "No further cycle is planned.")
    log.add("reversed", {"event": stop.id})
    assert job_standing(fold(log.events)).advice.go_on


def test_one_reason_for_several_conditions_is_one_entry() -> None:
    log = Log()
    over = log.add(
        "overrode", {"step": "place.1", "also": ["protection", "catch.1"], "reason": "on a lift"}
    )
    assert set(fold(log.events).overridden) == {"place.1", "protection", "catch.1"}
    log.add("reversed", {"event": over.id})
    assert fold(log.events).overridden == {}


def test_a_sample_narrows_the_estimate_and_is_said_with_the_advice() -> None:
    steps: list[tuple[str, dict[str, Any]]] = [
        ("drained", {"volume": 4.1e-3}),
        ("filled", {"volume": 4.1e-3, "fluid": printed.FLUID}),
        ("discharged", {"volume": 2.0e-3}),
    ]
    sample = {"vial": "B", "cycle": 2, "old_share": 0.9, "standard_error": 0.01}
    plain = printed.standing(printed.log(steps, printed.carrier()))
    expected = plain.course.traces[-1].left_old
    assert expected is not None
    sample["old_share"] = float(np.quantile(expected, 0.8))
    told = {**sample, "told_from_new": False}
    weighed = printed.standing(printed.log([*steps, ("sampled", told)], printed.carrier()))

    def width(fresh: Quantiles) -> float:
        return fresh.p95 - fresh.p05

    assert weighed.unweighed == plain.course.fresh_quantiles
    assert width(weighed.course.fresh_quantiles) < 0.95 * width(weighed.unweighed)
    assert weighed.belief.effective < 0.9 * weighed.course.draws.count
    share = f"{100 * sample['old_share']:.0f} % ± 1 %"
    assert weighed.counsel.startswith(f"Sample B says {share} old. With 1 sample")
    assert f"it rests on {weighed.belief.effective:.0f} of " in weighed.counsel
    assert weighed.counsel.endswith(weighed.advice.sentence)
    assert "the next cycle would add" in weighed.counsel
    assert "cannot be told from new" in weighed.advice.sentence
    assert "cannot be told from new" not in plain.advice.sentence
    assert plain.said_by_samples == ""
