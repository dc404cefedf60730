from __future__ import annotations

from typing import Any

import pytest

from sumpwright.display import Display
from sumpwright.errors import Complaint
from sumpwright.records.fold import fold
from sumpwright.records.rules import check_next
from yardkit import FLUID, OPENED, Log


def refused(log: Log, kind: str, body: dict[str, Any]) -> str:
    """Return the complaint about an entry; the log stays as it was."""
    state = fold(log.events)
    event = log.add(kind, body)
    log.events.pop()
    with pytest.raises(Complaint) as caught:
        check_next(state, event)
    assert caught.value.do
    return str(caught.value)


def taken(log: Log, kind: str, body: dict[str, Any]) -> str:
    state = fold(log.events)
    event = log.add(kind, body)
    check_next(state, event)
    return event.id


def why(log: Log, step: str) -> None:
    taken(log, "overrode", {"step": f"{step}/over", "reason": "it was filled too high"})


def test_no_more_comes_out_than_is_in_by_the_sheet_without_a_reason() -> None:
    log = Log()
    said = refused(log, "drained", {"volume": 0.0093, "leaned": True})
    assert "9.30 L drained is more than was in the gearbox by the sheet, 9.20 L at most" in said
    taken(log, "drained", {"volume": 0.0092, "leaned": True})
    for kind in ("lost", "discharged", "drained"):
        assert "0.00 L at most" in refused(log, kind, {"volume": 0.001})
    taken(log, "filled", {"volume": 0.002, "fluid": FLUID})
    taken(log, "lost", {"volume": 0.002})


def test_a_gearbox_that_was_filled_too_high_can_be_entered_with_a_reason() -> None:
    log = Log()
    why(log, "drain.1")
    taken(log, "drained", {"volume": 0.0054, "step": "drain.1"})
    assert [f.text for f in fold(log.events).flags] == [
        "more came out than the sheet says was in it"
    ]
    # The reason was for that volume alone.
    assert "by the sheet" in refused(log, "drained", {"volume": 0.0054})
    taken(log, "filled", {"volume": 0.0054, "fluid": FLUID})
    assert fold(log.events).volume_change == pytest.approx(0.0)


@pytest.mark.parametrize("kind", ["drained", "discharged", "lost", "purged"])
def test_what_is_absurd_is_refused_whatever_the_reason(kind: str) -> None:
    log = Log()
    why(log, kind)
    share = {"share": 0.5} if kind == "purged" else {}
    said = refused(log, kind, {"volume": 0.0185, **share})
    assert f"18.50 L cannot have been {kind}: no more than 18.40 L can be in the gearbox" in said
    taken(log, kind, {"volume": 0.0184, **share})
    assert "0.00 L can be in" in refused(log, kind, {"volume": 0.0001, **share})


def test_complaints_speak_in_the_units_of_the_reader() -> None:
    log = Log()
    log.add("drained", {"volume": 0.004, "step": "drain.1"})
    state = fold(log.events)
    for body in ({"volume": 0.004, "step": "drain.1"}, {"volume": 0.02}, {"volume": 0.005}):
        event = log.add("drained", body)
        log.events.pop()
        with pytest.raises(Complaint) as told:
            check_next(state, event, Display("us"))
        assert " US qt" in told.value.what
        assert " L" not in told.value.what


def test_a_drain_beyond_the_sump_says_how_to_go_on() -> None:
    log = Log()
    assert "mark the drain as leaned" in refused(log, "drained", {"volume": 0.0049})
    taken(log, "drained", {"volume": 0.0049, "leaned": True})


def test_the_sum_of_bottles_is_not_refused_for_a_rounding() -> None:
    log = Log()
    for _ in range(48):
        taken(log, "drained", {"volume": 0.0001})


def test_a_discharge_needs_fluid_in_the_sump() -> None:
    log = Log()
    taken(log, "discharged", {"volume": 0.0048})
    assert "more than was in the gearbox" in refused(log, "discharged", {"volume": 0.0001})
    taken(log, "filled", {"volume": 0.001, "fluid": FLUID})
    taken(log, "discharged", {"volume": 0.001})


def test_a_fill_or_exchange_beyond_reason_is_refused() -> None:
    log = Log()
    assert "cannot have gone in" in refused(log, "filled", {"volume": 0.0093, "fluid": FLUID})
    taken(log, "filled", {"volume": 0.0009, "fluid": FLUID})
    assert "10 times" in refused(log, "exchanged", {"volume": 0.0921, "fluid": FLUID})
    taken(log, "exchanged", {"volume": 0.0125, "fluid": FLUID})


@pytest.mark.parametrize(
    ("body", "says"),
    [
        ({"plug": "dran", "torque": 27.0}, "'dran' is not a plug of the gearbox"),
        ({"plug": "dran", "torque": 27.0, "target": 27.0}, "plugs with a torque: drain, level"),
        ({"plug": "dran", "torque": 27.0, "target": 27.0}, "did you mean 'drain'?"),
        ({"plug": "fill", "torque": 27.0}, "the sheet gives no torque for 'fill'"),
        ({"plug": "fill", "torque": 27.0}, 'torque = "… N.m"'),
    ],
)
def test_a_torque_against_no_specification(body: dict[str, Any], says: str) -> None:
    assert says in refused(Log(), "tightened", body)


def test_a_torque_that_has_one() -> None:
    log = Log()
    taken(log, "tightened", {"plug": "DRAIN ", "torque": 60.0})
    taken(log, "tightened", {"plug": "fill", "torque": 39.0, "target": 39.0})
    body = {"plug": "cover screws", "torque": 9.0, "target": 9.0}
    assert "not a plug" in refused(log, "tightened", {"plug": "cover screws", "torque": 9.0})
    taken(log, "tightened", body)
    taken(log, "tightened", {**body, "step": "torque.cover"})


def test_undo_of_what_cannot_be_undone() -> None:
    log = Log()
    nowhere = "01890a5d-ac96-774b-bcce-b302099a8057"
    assert "nothing to undo" in refused(log, "reversed", {"event": nowhere})
    assert "opening of a job" in refused(log, "reversed", {"event": log.events[0].id})
    drain = taken(log, "drained", {"volume": 0.004})
    undo = taken(log, "reversed", {"event": drain})
    assert "undone already" in refused(log, "reversed", {"event": drain})
    redo = taken(log, "reversed", {"event": undo})
    assert "undone already" in refused(log, "reversed", {"event": undo})
    taken(log, "reversed", {"event": redo})
    taken(log, "reversed", {"event": log.events[-1].id})
    assert fold(log.events).balance.total_out == 0.004


def test_a_closed_job_takes_nothing_but_its_reopening() -> None:
    log = Log()
    note = taken(log, "noted", {"text": "cold"})
    end = taken(log, "closed", {})
    assert "this job is closed" in refused(log, "noted", {"text": "late"})
    assert "this job is closed" in refused(log, "closed", {})
    assert "this job is closed" in refused(log, "reversed", {"event": note})
    taken(log, "reversed", {"event": end})
    taken(log, "noted", {"text": "late"})
    assert fold(log.events).open


def test_opening_twice_or_never() -> None:
    log = Log()
    assert "open already" in refused(log, "opened", OPENED)
    log.events.clear()
    assert "never opened" in refused(log, "noted", {"text": "cold"})


def test_an_acknowledgement_needs_its_signal() -> None:
    log = Log()
    note = taken(log, "noted", {"text": "cold"})
    assert "no signal" in refused(log, "acknowledged", {"signal": note})
    ask = taken(log, "signal", {"to": "seat", "instruction": "start"})
    taken(log, "acknowledged", {"signal": ask})
    assert fold(log.events).pending == ()


def test_a_second_measurement_of_a_step_is_a_conflict() -> None:
    log = Log()
    taken(log, "drained", {"volume": 0.0041, "step": "drain.1"})
    again = refused(log, "drained", {"volume": 0.0005, "step": "drain.1"})
    assert "this step was done already by Ines: drained 4.10 L" in again
    # One more of the same is taken, and a tick made twice contradicts nothing.
    taken(log, "drained", {"volume": 0.0005})
    taken(log, "did", {"step": "drain.1"})
    taken(log, "read", {"what": "odometer", "value": 1e8, "unit": "m", "step": "odometer"})
    taken(log, "read", {"what": "hours", "value": 1e6, "unit": "s", "step": "odometer"})
    log = Log()
    log.add("reversed", {"event": log.add("drained", {"volume": 0.0041, "step": "drain.1"}).id})
    taken(log, "drained", {"volume": 0.0042, "step": "drain.1"})
