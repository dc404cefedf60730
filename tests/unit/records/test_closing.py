"""What a job leaves undone is asked about when it is closed, and stands in its record."""

from __future__ import annotations

from datetime import UTC
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sumpwright.display import Display
from sumpwright.errors import Complaint
from sumpwright.paper.record_data import record_json
from sumpwright.paper.record_parts import parts
from sumpwright.planning.draws import draw
from sumpwright.planning.job_run import out_of_turn, running_steps
from sumpwright.planning.job_step import Step
from sumpwright.planning.methods import METHODS
from sumpwright.planning.plan import make_plan
from sumpwright.planning.said import said
from sumpwright.records.closing import ended, not_done, turned
from sumpwright.records.fold import fold
from sumpwright.records.job_run import situation_of
from sumpwright.records.standing import job_standing
from sumpwright.records.tally import Tally
from yardkit import FLUID, Log, carrier

BOX = carrier().machine.systems[0]
STEPS = running_steps(BOX, METHODS[0], make_plan(BOX, draws=draw(BOX, 64)), 1)


def led(log: Log, *left: str) -> None:
    for step in STEPS:
        if step.id not in left and not step.optional:
            log.add("did", {"step": step.id})


def closed(log: Log, reason: str = "") -> list[str]:
    """Close the job as the screens do; return the steps for which a reason is asked."""
    state = fold(log.events)
    end = ended(STEPS, state, situation_of(state).passed)
    for kind, body in end.reasoned(reason, [str(s.title) for s in end.unsafe]):
        log.add(kind, body)
    log.add("closed", end.body)
    return [step.id for step in end.unsafe]


def section(log: Log, units: str = "metric") -> dict[str, dict[str, Any]]:
    display = Display(units)  # type: ignore[arg-type]
    data = record_json(job_standing(fold(log.events)), log.events)
    return {p["title"]: p for p in parts(data, log.events, display, UTC)}


def test_a_job_done_in_its_order_leaves_nothing() -> None:
    log = Log()
    led(log)
    assert closed(log) == []
    assert not_done(fold(log.events)) == []
    assert turned(fold(log.events)) == []
    assert "Steps not done, or out of turn" not in section(log)


def test_what_was_not_done_stands_in_the_record_with_its_reason() -> None:
    log = Log()
    led(log, "test-drive", "recheck", "dispose")
    assert closed(log, "towed home") == []
    left = section(log)["Steps not done, or out of turn"]
    assert left["rows"] == [
        ["Run it, then look again", "towed home"],
        ["After the drive", "towed home"],
        ["Used fluid away", "towed home"],
    ]


def test_harmless_steps_need_no_reason_and_are_named_all_the_same() -> None:
    log = Log()
    led(log, "dispose")
    assert closed(log) == []
    left = section(log)["Steps not done, or out of turn"]
    assert left["rows"] == [["Used fluid away", "not said"]]


@pytest.mark.parametrize("step", ["drain-plug.1", "torque.2", "leak-check", "level"])
def test_what_protects_is_not_left_without_a_reason(step: str) -> None:
    log = Log()
    led(log, step)
    with pytest.raises(Complaint) as told:
        closed(log)
    assert told.value.field == "reason"
    assert step in closed(log, "by another yard")
    assert (step, "by another yard") in (not_done(fold(log.events)) or [])


def test_steps_done_out_of_turn_are_named() -> None:
    log = Log()
    log.add("did", {"step": "filter"})
    led(log, "filter")
    closed(log)
    assert turned(fold(log.events)) == ["filter"]
    lines = section(log)["Steps not done, or out of turn"]["lines"]
    assert lines == ["Done out of turn: Filter, screen, magnets."]


def test_a_job_without_ticks_says_that_nobody_knows() -> None:
    log = Log()
    log.add("drained", {"volume": 0.0041})
    assert closed(log) == []
    assert "left" not in log.events[-1].body
    (line,) = section(log)["Steps not done, or out of turn"]["lines"]
    assert "not ticked" in line


def test_whoever_closes_without_a_word_leaves_the_level_and_the_leaks_to_be_told() -> None:
    log = Log()
    log.add("did", {"step": "place.1"})
    log.add("closed", {})
    assert not_done(fold(log.events)) == [("level", ""), ("leak-check", "")]


def test_what_is_to_be_looked_at_is_shown_in_the_readers_units() -> None:
    log = Log()
    log.add("overrode", {"step": "drained/over", "reason": "full"})
    log.add("drained", {"volume": 0.0054})
    log.add("filled", {"volume": 0.0054, "fluid": FLUID})
    wrench = {"wrench_length": 0.45, "extension": 0.05, "wrench_set": 27.0}
    log.add("tightened", {"plug": "drain", "torque": 27.0, **wrench})
    metric, us = (section(log, units)["To look at"]["rows"] for units in ("metric", "us"))
    assert metric[0][0] == "drained 5.40 L"
    assert us[0][0] == "drained 5.71 US qt"
    assert "30 N·m, not 27 N·m" in metric[1][1]
    assert "lbf·ft" in us[1][1]
    assert "N·m" not in us[1][1]
    flags = job_standing(fold(log.events)).flags_in(Display("us"))
    assert any("lbf·ft" in flag for flag in flags)


def test_what_was_typed_is_quoted_in_a_flag_as_it_stands() -> None:
    tally = Tally()
    log = Log()
    tally.flag(log.events[0], "{oops:volume} went in {}")
    assert tally.flags[0].said.say(Display("us")) == "{oops:volume} went in {}"


@given(st.permutations(range(8)))
def test_without_the_steps_out_of_turn_the_others_are_in_order(order: list[int]) -> None:
    steps = [Step(str(n), said("s"), said("s")) for n in range(8)]
    away = set(out_of_turn(steps, [str(n) for n in order]))
    rest = [n for n in order if str(n) not in away]
    assert rest == sorted(rest)
    # No larger set is in order: dropping any one less is not enough.
    best = max(
        bin(mask).count("1")
        for mask in range(256)
        if (kept := [n for n in order if mask >> n & 1]) == sorted(kept)
    )
    assert len(rest) == best
