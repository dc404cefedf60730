from __future__ import annotations

import random
from datetime import UTC
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sumpwright.planning.steps import FluidStep
from sumpwright.records.chain import Event
from sumpwright.records.fold import Folding, fold, reversed_ids
from yardkit import FLUID, Log

VOLUME = st.floats(1e-4, 4e-3)
BODIES: st.SearchStrategy[tuple[str, dict[str, Any]]] = st.one_of(
    VOLUME.map(lambda v: ("drained", {"volume": v})),
    VOLUME.map(lambda v: ("filled", {"volume": v, "fluid": FLUID, "lot": "L1", "price": 9.5})),
    VOLUME.map(lambda v: ("discharged", {"volume": v})),
    VOLUME.map(lambda v: ("exchanged", {"volume": v, "fluid": "Cable Green 8"})),
    VOLUME.map(lambda v: ("lost", {"volume": v})),
    VOLUME.map(lambda v: ("circulated", {"volume": v})),
    st.just(("purged", {"share": 0.5})),
    st.just(("worked", {"sweeps": 3})),
    st.just(("drove", {})),
    st.floats(280, 400).map(lambda t: ("read", {"what": "temperature", "value": t, "unit": "K"})),
    st.floats(10, 60).map(lambda t: ("tightened", {"plug": "drain", "torque": t})),
    st.just(("sampled", {"vial": "A", "cycle": 1})),
    st.just(("did", {"step": "stands"})),
    st.just(("overrode", {"step": "eyes", "reason": "visor worn"})),
    st.just(("photographed", {"attachment": "0" * 64})),
    st.just(("noted", {"text": "cold"})),
    st.just(("signal", {"to": "seat", "instruction": "start"})),
    st.just(("closed", {"odometer": 1e8})),
)


def in_force(events: list[Event]) -> list[Event]:
    """Say it as the rule is worded: out of force while a reversal in force names it."""
    against: dict[str, list[Event]] = {}
    for event in events:
        if event.kind == "reversed":
            against.setdefault(event.body["event"], []).append(event)
    settled: dict[str, bool] = {}

    def stands(event: Event) -> bool:
        if event.id not in settled:
            settled[event.id] = not any(stands(r) for r in against.get(event.id, []))
        return settled[event.id]

    return [event for event in events if stands(event)]


def play(acts: list[tuple[str, dict[str, Any]] | float]) -> list[Event]:
    """Write a log, a number standing for "undo the entry at that place of those in force"."""
    log = Log()
    for act in acts:
        if isinstance(act, tuple):
            log.add(*act)
        elif open_to_undo := in_force(log.events)[1:]:
            log.add("reversed", {"event": open_to_undo[int(act * len(open_to_undo))].id})
    return log.events


ACTS = st.lists(st.one_of(BODIES, st.floats(0, 1, exclude_max=True)), max_size=25)


@settings(max_examples=150, deadline=None)
@given(ACTS)
def test_undone_entries_might_as_well_not_be_there(
    acts: list[tuple[str, dict[str, Any]] | float],
) -> None:
    events = play(acts)
    standing = [e for e in in_force(events) if e.kind != "reversed"]
    state = fold(events)
    assert list(state.effective) == standing
    assert state == fold(standing)
    assert state.length == len(events)


@settings(max_examples=60, deadline=None)
@given(ACTS)
def test_entry_by_entry_is_the_same_as_all_at_once(
    acts: list[tuple[str, dict[str, Any]] | float],
) -> None:
    events = play(acts)
    walking = Folding()
    for place, event in enumerate(events, start=1):
        before = walking.copy()
        early = walking.state()
        walking.push(event)
        assert walking.state() == fold(events[:place])
        assert walking.state().reversed == reversed_ids(events[:place])
        assert before.state() == early


@settings(max_examples=60, deadline=None)
@given(st.lists(BODIES, max_size=25))
def test_the_balance_counts_every_drop(acts: list[tuple[str, dict[str, Any]]]) -> None:
    log = Log()
    for act in acts:
        log.add(*act)
    state = fold(log.events)
    steps = state.fluid_steps
    came = sum(s.volume for s in steps if s.kind in ("fill", "exchange"))
    went = sum(s.volume for s in steps if s.kind in ("drain", "discharge", "exchange", "purge"))
    lost = sum(s.volume for s in steps if s.kind == "lose")
    assert state.balance.total_in == pytest.approx(came)
    assert state.balance.total_out == pytest.approx(went)
    assert state.volume_change == pytest.approx(came - went - lost)
    assert sum(b.volume for b in state.batches) == pytest.approx(came)
    assert [s.event_id for s in steps] == [
        e.id for e in log.events if e.id in {s.event_id for s in steps}
    ]


def test_a_whole_job() -> None:
    log = Log()
    drain = log.add("drained", {"volume": 0.0041, "temperature": 318.0})
    fill = log.add("filled", {"volume": 0.0043, "fluid": FLUID, "lot": "L1", "price": 49.0})
    log.add("drove", {"distance": 9000.0})
    log.add("discharged", {"volume": 0.0019, "seconds": 41.0})
    log.add("purged", {"share": 0.5})
    log.add("filled", {"volume": 0.002, "fluid": FLUID, "lot": "L2"})
    log.add("filled", {"volume": 0.0001, "fluid": FLUID, "lot": "L1"})
    log.add("lost", {"volume": 0.0002})
    log.add("sampled", {"vial": "B", "cycle": 2, "old_share": 0.3, "standard_error": 0.02})
    log.add("tightened", {"plug": "Drain", "torque": 27.5})
    log.add("read", {"what": "odometer", "value": 1.2e8, "unit": "m"})
    log.add("did", {"step": "stands"})
    log.add("did", {"step": "stands"})
    ask = log.add("signal", {"to": "seat", "instruction": "start"})
    end = log.add("closed", {"odometer": 1.3e8, "summary": "well"})
    state = fold(log.events)

    assert state.system is not None
    assert state.system.name == "gearbox"
    assert state.sheet is not None
    assert state.sheet.machine.name == "Carrier 2"
    assert (state.target, state.confidence, state.method) == (0.9, 0.9, "drain-and-refill")
    assert state.balance.out == {
        "drained": 0.0041,
        "discharged": 0.0019,
        "purged": pytest.approx(0.00035),
    }
    assert state.balance.lost == 0.0002
    assert state.volume_change == pytest.approx(0.0064 - 0.00635 - 0.0002)
    assert state.fluid_steps[:2] == (
        FluidStep("drain", 0.0041, event_id=drain.id),
        FluidStep("fill", 0.0043, batch="Cable Green 7 (lot L1)", event_id=fill.id),
    )
    assert [(b.lot, b.volume, b.price) for b in state.batches] == [
        ("L1", pytest.approx(0.0044), 49.0),
        ("L2", 0.002, 0.0),
    ]
    assert state.cycles == 2
    assert state.samples[0].old_share == 0.3
    assert state.samples[0].after == 8
    assert state.torques["drain"][0].within is True
    assert state.readings["odometer"][0].value == 1.2e8
    assert state.done == ("stands",)
    assert state.pending == (ask,)
    assert not state.open
    assert state.closed_at == end.at
    assert state.closed_at.tzinfo is UTC
    assert state.closing_odometer == 1.3e8
    assert state.flags == ()


def test_a_top_up_is_no_cycle_and_two_bottles_are_one() -> None:
    log = Log()
    log.add("filled", {"volume": 0.0002, "fluid": FLUID})
    assert fold(log.events).cycles == 0
    log.add("drained", {"volume": 0.002})
    log.add("filled", {"volume": 0.001, "fluid": FLUID})
    log.add("filled", {"volume": 0.001, "fluid": FLUID})
    assert fold(log.events).cycles == 1
    log.add("exchanged", {"volume": 0.003, "fluid": FLUID})
    assert fold(log.events).cycles == 2
    assert fold(log.events).balance.net == pytest.approx(0.0002)


@pytest.mark.parametrize(
    ("plug", "torque", "within", "says"),
    [
        ("drain", 27.0, True, None),
        ("drain", 31.0, True, None),
        ("drain", 31.1, False, "15 % above"),
        ("drain", 22.9, False, "15 % below"),
        ("level", 20.0, True, None),
        ("level", 25.31, False, "15 % above"),
    ],
)
def test_a_torque_far_from_what_is_given_is_flagged(
    plug: str, torque: float, within: bool, says: str | None
) -> None:
    log = Log()
    log.add("tightened", {"plug": plug, "torque": torque})
    state = fold(log.events)
    assert state.torques[plug][0].within is within
    assert [says in flag.text for flag in state.flags if says] == ([True] if says else [])
    assert len(state.flags) == (0 if within else 1)


def test_a_wrench_setting_that_forgets_the_extension_is_flagged() -> None:
    log = Log()
    body = {"plug": "drain", "torque": 27.0, "wrench_length": 0.4, "extension": 0.1}
    log.add("tightened", body | {"wrench_set": 27.0 * 0.4 / 0.5})
    assert fold(log.events).flags == ()
    wrong = log.add("tightened", body | {"wrench_set": 27.0})
    flags = fold(log.events).flags
    assert [(f.event, "33.8 N·m" in f.text) for f in flags] == [(wrong.id, True)]


def test_a_discharge_into_the_reserve_is_flagged() -> None:
    log = Log()
    log.add("discharged", {"volume": 0.0033})
    assert fold(log.events).flags == ()
    late = log.add("discharged", {"volume": 0.0001})
    assert [f.event for f in fold(log.events).flags] == [late.id]


def test_an_undone_fill_can_leave_more_out_than_in_and_says_so() -> None:
    log = Log()
    log.add("drained", {"volume": 0.0045})
    fill = log.add("filled", {"volume": 0.0045, "fluid": FLUID})
    log.add("drained", {"volume": 0.0048})
    assert fold(log.events).flags == ()
    log.add("reversed", {"event": fill.id})
    assert [f.text for f in fold(log.events).flags] == [
        "more came out than the sheet says was in it"
    ]


def test_a_long_tangle_of_undo_and_redo_settles() -> None:
    rng = random.Random(7)
    acts: list[Any] = [("did", {"step": f"{n}"}) for n in range(40)]
    events = play([*acts, *(rng.random() for _ in range(200))])
    standing = [e for e in in_force(events) if e.kind != "reversed"]
    assert 1 < len(standing) < 41
    assert list(fold(events).effective) == standing


def test_an_entry_completes_the_step_that_asked_for_it_and_undoing_it_reopens_the_step() -> None:
    log = Log()
    log.add("drained", {"volume": 0.0041, "step": "drain.1"})
    log.add("noted", {"text": "dark", "step": "sample.0"})
    ask = log.add("signal", {"to": "seat", "instruction": "start", "step": "start.2"})
    log.add("acknowledged", {"signal": ask.id, "step": "start.2"})
    fill = log.add("filled", {"volume": 0.0041, "fluid": FLUID, "step": "fill.1"})
    assert fold(log.events).done == ("drain.1", "start.2", "fill.1")
    log.add("reversed", {"event": fill.id})
    assert fold(log.events).done == ("drain.1", "start.2")


def test_readings_that_cannot_be_are_pointed_at() -> None:
    def flags(*bodies: tuple[str, float, str]) -> list[str]:
        log = Log()
        for what, value, unit in bodies:
            log.add("read", {"what": what, "value": value, "unit": unit})
        return [flag.text for flag in fold(log.events).flags]

    assert flags(("temperature", 314.0, "K")) == []
    assert "check the reading" in flags(("temperature", 683.0, "K"))[0]
    assert flags(("odometer", 1e8, "m"), ("odometer", 1.01e8, "m")) == []
    assert "less than before" in flags(("odometer", 1e8, "m"), ("odometer", 9e7, "m"))[0]
