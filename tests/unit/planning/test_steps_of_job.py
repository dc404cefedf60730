"""The steps of a job: in a safe order, whatever the machine and the method."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sumpwright.display import Display
from sumpwright.errors import Complaint
from sumpwright.planning.draws import draw
from sumpwright.planning.job_step import condition
from sumpwright.planning.kinds import KINDS
from sumpwright.planning.machine import Plug, Span, WetSystem
from sumpwright.planning.methods import METHODS, Method, applicable
from sumpwright.planning.outcome import Wish
from sumpwright.planning.plan import Plan, make_plan
from sumpwright.planning.steps_of_job import Situation, Step, holding, next_step, steps_for

BY_NAME = {method.name: method for method in METHODS}
EVERYTHING = Wish(have=("lean", "air", "second-pump"), cycles=4)


def one(value: float) -> Span:
    return Span(value, value)


def box(kind: str = "torque-converter automatic", **more: object) -> WetSystem:
    given: dict[str, object] = {
        "capacity": one(9.2e-3),
        "drain": one(4.1e-3),
        "sump": one(4.8e-3),
        "pickup_reserve": one(1.5e-3),
        "cooler_loop": one(0.7e-3),
        "fluid": "Cable Green 7",
        "window": (311.15, 319.15),
        "plugs": (
            Plug("drain", one(27.0), "crush washer", "10 mm hex"),
            Plug("fill", one(50.0), "crush washer", "17 mm hex"),
            Plug("level", one(31.0), "O-ring"),
        ),
        **more,
    }
    return WetSystem(name="box", kind=kind, **given)  # type: ignore[arg-type]


_PLANS: dict[str, Plan] = {}


def plan_of(system: WetSystem) -> Plan:
    key = repr(system)
    if key not in _PLANS:
        _PLANS[key] = make_plan(system, wish=EVERYTHING, draws=draw(system, 256))
    return _PLANS[key]


def usable(system: WetSystem) -> Iterator[Method]:
    plan = plan_of(system)
    return (m for m in METHODS if not applicable(m, system, plan.draws.safe))


def steps_of(system: WetSystem, method: str, cycles: int = 3) -> list[Step]:
    return steps_for(system, BY_NAME[method], plan_of(system), cycles)


def ids(steps: list[Step]) -> list[str]:
    return [step.id for step in steps]


def systems() -> list[WetSystem]:
    bare = {"sump": None, "pickup_reserve": None, "cooler_loop": None, "window": None, "plugs": ()}
    return [box(kind, **extra) for kind in KINDS for extra in ({}, {**bare, "fluid": ""})]


CASES = [(system, method) for system in systems() for method in usable(system)]


@pytest.mark.parametrize(("system", "method"), CASES)
def test_order_is_safe(system: WetSystem, method: Method) -> None:
    steps = steps_for(system, method, plan_of(system), 3)
    seen: set[str] = set()
    standing: set[str] = set()
    engine, drained, opened = "off", False, False
    for step in steps:
        assert step.id not in seen
        needed = {hold.step for hold in step.holds if hold.kind == "step" and not hold.opening}
        assert needed <= seen, f"{step.id} is held by what comes after it"
        for hold in step.holds:
            if hold.opening:
                closes = {opening for s in steps for opening in s.closes}
                assert hold.opening in closes, f"{step.id} waits for what nothing closes"
                assert hold.firm == (hold.opening == "line")
        for opening in standing & set(step.closes):
            standing.remove(opening)
        held = {hold.opening for hold in step.holds}
        assert not standing & held, f"{step.id} waits for what comes after it"
        standing |= set(step.opens)
        if step.engine != "either":
            assert step.engine == engine, f"{step.id} wants the engine {step.engine}"
        if step.id.startswith("fill-plug."):
            opened = True
        if step.id.startswith("drain."):
            assert opened
            assert f"fill-plug.{step.cycle}" in needed
            drained = True
        if step.turns in ("on", "pulse") or step.kind == "drive":
            balance = [hold for hold in step.holds if hold.kind == "balance"]
            assert balance, f"{step.id} may run the engine short of fluid"
        if step.turns in ("on", "pulse") or (step.kind == "drive" and "exhaust" in ids(steps)):
            assert "exhaust" in needed
        if step.turns in ("on", "pulse"):
            assert any(name.startswith("place.") for name in needed)
            assert any(name.startswith("ready.") for name in needed)
            assert step.who == "seat"
        if step.turns in ("on", "off"):
            engine = step.turns
        if step.kind in ("torque", "exchange", "purge") or step.id.startswith(("drain", "fill")):
            assert engine == "off"
        seen.add(step.id)
    assert engine == "off"
    assert not standing, "something stays open at the end"
    assert drained
    assert ids(steps)[0] == "manual"
    assert ids(steps)[-1] == "dispose"


@pytest.mark.parametrize(("system", "method"), CASES)
def test_every_release_is_entered_and_filled_again(system: WetSystem, method: Method) -> None:
    steps = steps_for(system, method, plan_of(system), 3)
    for cycle in (1, 2, 3):
        kinds = [step.kind for step in steps if step.cycle == cycle]
        if method.pumped and cycle > 1:
            assert kinds.count("exchange") == 1
        else:
            assert kinds.count("volume out") == kinds.count("volume in") == 1
            assert kinds.index("volume out") < kinds.index("volume in")
        assert kinds.count("purge") == (1 if method.purged and cycle > 1 else 0)


@pytest.mark.parametrize(("system", "method"), CASES)
@pytest.mark.parametrize("units", ["metric", "us"])
def test_texts_are_whole(system: WetSystem, method: Method, units: str) -> None:
    display = Display(units)  # type: ignore[arg-type]
    for step in steps_for(system, method, plan_of(system), 2):
        plain = step.to_json(display)
        json.dumps(plain)
        texts = [plain["title"], plain["instruction"], plain["caution"]]
        for text in (t for t in texts if t is not None):
            assert text.strip() == text != ""
            assert "{" not in text
            assert "  " not in text
            assert "None" not in text
        assert plain["instruction"].endswith(".")


def test_a_cycle_more_keeps_the_ids() -> None:
    for method in usable(box()):
        fewer, more = (ids(steps_for(box(), method, plan_of(box()), n)) for n in (2, 4))
        assert set(fewer) <= set(more)


def test_line_work_is_left_out_where_one_drain_is_enough() -> None:
    steps = steps_of(box(), "line-discharge", 1)
    assert not any(step.phase == "line" for step in steps)
    assert not any(hold.step == "helper" for step in steps for hold in step.holds)


def test_discharge_waits_for_the_fluid_that_keeps_the_pick_up_covered() -> None:
    system = box(discharge=one(3.0e-3))
    plan = plan_of(system)
    start = next(s for s in steps_of(system, "line-discharge") if s.id == "start.2")
    passed = frozenset(hold.step for hold in start.holds if hold.step)
    # 3.3 L may leave with the sump at its level; a mark at 3.0 L leaves 0.3 L to spare.
    assert plan.draws.safe == pytest.approx(3.3e-3)
    assert holding(start, Situation(passed, -0.29e-3)) == ()
    held = holding(start, Situation(passed, -0.31e-3))
    assert [hold.kind for hold in held] == ["balance"]
    assert "draw air" in str(held[0].why)


def test_mark_and_limit_are_said_where_the_bottle_fills() -> None:
    stop = next(s for s in steps_of(box(), "line-discharge") if s.id == "stop.2")
    assert "3.30 L" in str(stop.instruction)
    assert "3.30 L" in str(stop.caution)
    assert "3.49 US qt" in (stop.instruction.say(Display("us")))


def test_drain_is_held_until_the_fill_plug_comes_loose() -> None:
    steps = steps_of(box(), "drain-and-refill")
    drain = next(s for s in steps if s.id == "drain.1")
    before = ids(steps)[: ids(steps).index("drain.1")]
    assert holding(drain, Situation(frozenset(before))) == ()
    held = holding(drain, Situation(frozenset(before) - {"fill-plug.1"}))
    assert [str(hold.why) for hold in held] == ["make sure first that the fill plug comes loose"]


def test_level_opens_only_inside_the_window() -> None:
    level = next(s for s in steps_of(box(), "line-discharge") if s.id == "level")
    assert holding(level, Situation(temperature=315.0, engine="running")) == ()
    for outside in (311.0, 319.3, None):
        situation = Situation(temperature=outside, engine="running")
        assert [h.kind for h in holding(level, situation)] == ["window"]


@pytest.mark.parametrize(("system", "method"), CASES)
def test_no_step_is_open_that_wants_the_engine_otherwise(system: WetSystem, method: Method) -> None:
    steps = steps_for(system, method, plan_of(system), 3)
    passed = frozenset(s.id for s in steps) | frozenset(f"{s.id}/engine" for s in steps)
    for step in steps:
        bare = Situation(passed - {step.id}, temperature=315.0)
        for engine in ("called", "running", "stopping"):
            held = holding(step, replace(bare, engine=engine))  # type: ignore[arg-type]
            calls_itself = engine == "called" and step.turns in ("on", "pulse")
            assert bool(held) == (step.engine == "off" and not calls_itself), (step.id, engine)
            # No reason makes it safe to go on beside an engine that may run.
            assert all(hold.firm for hold in held)
    wants = [s for s in steps if s.engine == "on"]
    for step in wants:
        held = holding(step, Situation(passed - {step.id, f"{step.id}/engine"}, 0.0, 315.0))
        assert [(str(h.why), h.firm) for h in held] == [("start the engine first", False)]


def test_too_much_fluid_holds_the_start_as_too_little_does() -> None:
    steps = steps_of(box(), "line-discharge")
    for name in ("check.2", "start.2", "start.level", "test-drive"):
        step = next(s for s in steps if s.id == name)
        passed = frozenset(hold.step for hold in step.holds if hold.step)
        assert holding(step, Situation(passed, 0.15e-3)) == ()
        held = holding(step, Situation(passed, 1.4e-3))
        assert [h.kind for h in held] == ["excess"], name
        assert "too much" in str(held[0].why)
        assert not held[0].firm
        assert holding(step, Situation(passed | {condition(step, held[0])}, 1.4e-3)) == ()


def test_leaning_never_on_a_jack_and_filled_before_it_is_moved() -> None:
    steps = steps_of(box(), "leaned-drain-and-refill")
    lean = next(s for s in steps if s.id == "lean.1")
    assert "jack" in str(lean.caution)
    assert "ramps" in str(lean.instruction)
    order = ids(steps)
    assert order.index("lean.1") < order.index("drain.1") < order.index("fill.1")
    assert order.index("fill.1") < order.index("unlean.1")
    unlean = next(s for s in steps if s.id == "unlean.1")
    assert holding(unlean, Situation(balance=-4.1e-3))
    assert not holding(unlean, Situation(balance=0.0))
    assert next(s for s in steps if s.id == "drain.1").entry.leaned


def test_selector_is_worked_with_the_outlet_led_back() -> None:
    order = ids(steps_of(box(), "line-discharge-with-selector-work"))
    at = [order.index(name) for name in ("return.2", "start.2w", "work.2w", "stop.2w", "bottle.2")]
    assert at == sorted(at)


def test_purge_asks_for_eye_protection_and_low_pressure() -> None:
    purge = next(s for s in steps_of(box(), "line-discharge-with-purge") if s.id == "purge.2")
    assert "Eye protection" in str(purge.caution)
    assert "low pressure" in str(purge.caution)
    assert "protection" in {hold.step for hold in purge.holds}
    expected = purge.entry.expected
    assert expected is not None
    assert 0.4 * 0.7e-3 < expected.low < expected.high < 0.8 * 0.7e-3


def test_the_outlet_is_proved_by_a_short_run() -> None:
    steps = steps_of(box(), "line-discharge")
    bump = next(s for s in steps if s.id == "bump")
    assert bump.turns == "pulse"
    outlet = next(s for s in steps if s.id == "outlet")
    assert outlet.entry.event == "discharged"
    assert outlet.entry.may_be_none
    for step in steps:
        if step.id.startswith("bottle."):
            assert "outlet" in {hold.step for hold in step.holds}


def test_system_without_a_pump_never_starts_the_engine() -> None:
    steps = steps_of(box("axle", window=None), "drain-and-refill")
    assert not any(step.turns in ("on", "pulse") for step in steps)
    assert "exhaust" not in ids(steps)
    with pytest.raises(Complaint, match="no pump"):
        steps_of(box("axle"), "line-discharge")


def test_engine_is_read_at_standstill() -> None:
    order = ids(steps_of(box("engine", window=None), "drain-and-refill"))
    assert order.index("start.level") < order.index("stop.level") < order.index("level")


def test_a_cap_is_closed_not_torqued() -> None:
    steps = steps_of(box("engine", window=None, plugs=()), "drain-and-refill")
    assert {s.entry.subject for s in steps if s.kind == "torque"} == {"drain"}
    order = ids(steps)
    assert [i for i in order if i.startswith("close.")] == ["close.1", "close.2", "close.3"]
    assert order.index("fill.3") < order.index("close.3") < order.index("start.level")
    assert order.index("level") < order.index("cap")
    assert "oil filler cap" in str(steps[order.index("cap")].instruction)


def test_pressure_goes_first_where_there_is_some() -> None:
    for kind in ("coolant circuit", "hydraulic system", "hydrostatic drive"):
        steps = steps_of(box(kind), "drain-and-refill")
        opening = next(s for s in steps if s.id == "fill-plug.1")
        assert "pressure" in {hold.step for hold in opening.holds}


def test_torque_is_asked_for_where_the_sheet_has_none() -> None:
    steps = steps_of(box(plugs=()), "drain-and-refill")
    drain = next(s for s in steps if s.id == "drain-plug.1")
    assert drain.entry.expected is None
    assert "service manual" in str(drain.instruction)
    assert "torque.fill" in ids(steps)


def test_every_other_plug_is_tightened_at_the_end() -> None:
    steps = steps_of(box(), "line-discharge")
    assert [s.entry.subject for s in steps if s.kind == "torque"] == ["drain", "fill", "level"]
    assert [s.entry.expected for s in steps if s.kind == "torque"] == [
        one(27.0),
        one(50.0),
        one(31.0),
    ]


def test_samples_stand_for_the_cycles_before_them() -> None:
    for method in ("drain-and-refill", "line-discharge", "pumped-exchange"):
        vials = [s for s in steps_of(box(), method) if s.kind == "sample"][1:]
        assert [v.entry.for_cycle for v in vials] == [0, 1, 2, 3]
        assert [v.entry.subject for v in vials] == ["0", "1", "2", "3"]


def test_names_of_plugs_are_never_read_as_gaps() -> None:
    plug = Plug("drain {oops:volume}", one(27.0), "{x}", "{y:share}")
    steps = steps_of(box(plugs=(plug,)), "drain-and-refill")
    said = [str(s.instruction) for s in steps]
    assert any("{oops:volume}" in text and "{x}" in text for text in said)
    assert any("{y:share}" in text for text in said)


def test_next_step_goes_through_them_all() -> None:
    steps = steps_of(box(), "line-discharge", 2)
    done: list[str] = []
    while (step := next_step(steps, done)) is not None:
        done.append(step.id)
    assert done == ids(steps)


@pytest.mark.parametrize("cycles", [0, -1, 61])
def test_cycles_out_of_range(cycles: int) -> None:
    with pytest.raises(Complaint, match=str(cycles)):
        steps_of(box(), "drain-and-refill", cycles)


@given(
    method=st.sampled_from([m.name for m in METHODS]),
    cycles=st.integers(1, 6),
    data=st.data(),
)
@settings(max_examples=60, deadline=None)
def test_nothing_runs_short_however_the_steps_are_taken(
    method: str, cycles: int, data: st.DataObject
) -> None:
    """Whoever does any step that is not held never starts without the fluid it takes."""
    system = box(discharge=one(3.0e-3))
    steps = steps_of(system, method, cycles)
    safe, mark = plan_of(system).draws.safe, 3.0e-3
    passed: set[str] = set()
    balance = 0.0
    for _ in range(25):
        free = [
            s
            for s in steps
            if s.id not in passed and not holding(s, Situation(frozenset(passed), balance, 315.0))
        ]
        if not free:
            break
        step = data.draw(st.sampled_from(free))
        if step.id.startswith("start.") and step.id.removeprefix("start.").isdigit():
            room = safe if BY_NAME[method].pumped else safe - mark
            assert balance >= -room - 1e-9
        if step.id.startswith("drain."):
            assert f"fill-plug.{step.cycle}" in passed
            balance -= 4.1e-3
        elif step.entry.event == "discharged":
            balance -= mark if step.cycle else 0.05e-3
        elif step.entry.evens:
            balance = min(0.0, balance + data.draw(st.floats(0.0, 5e-3)))
        passed.add(step.id)


def test_a_hot_circuit_comes_to_rest_before_every_opening() -> None:
    system = WetSystem("coolant", "coolant circuit", Span(11e-3, 12e-3), Span(6e-3, 6e-3))
    plan = make_plan(system)
    steps = steps_for(system, plan.chosen.method, plan, cycles=3)
    ids = [step.id for step in steps]
    for cycle, rest in ((1, "pressure"), (2, "pressure.2"), (3, "pressure.3")):
        opening = steps[ids.index(f"fill-plug.{cycle}")]
        assert ids.index(rest) < ids.index(opening.id)
        assert rest in [hold.step for hold in opening.holds]
        assert "hot" in str(steps[ids.index(rest)].caution)
        if cycle > 1:
            assert ids.index(f"drive.{cycle - 1}") < ids.index(rest)
    assert ids.index("test-drive") < ids.index("pressure.recheck") < ids.index("recheck")
