"""What is laid out fits the system, the method and the torques."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from random_sheets import FLUID, L, litres
from sumpwright.display import Display
from sumpwright.planning.kit import CATCH_MARGIN, handling, kit, wrench_range
from sumpwright.planning.machine import Plug, Span, WetSystem
from sumpwright.planning.methods import METHODS, Method
from sumpwright.planning.outcome import Wish
from sumpwright.planning.plan import make_plan
from sumpwright.planning.progress import method_named
from sumpwright.planning.steps_of_job import steps_for

PLUGS = (
    Plug("drain", Span(27.0, 27.0), "crush washer", "10 mm hex"),
    Plug("fill", Span(38.0, 42.0), "", "T45"),
    Plug("level"),
)
BOX = WetSystem("gearbox", "automatic", litres(9.2), fluid=FLUID, plugs=PLUGS)


def whats(system: WetSystem, method: str = "drain-and-refill", cycles: int = 3) -> list[str]:
    return [str(i.what) for i in kit(system, method_named(method), cycles, 12.3 * L, 4.9 * L)]


def test_each_plug_brings_its_driver_and_only_named_seals_are_renewed() -> None:
    found = whats(BOX)
    assert found[:3] == ["Driver: 10 mm hex", "Driver: T45", "Driver for the level plug"]
    assert [w for w in found if "washer" in w] == ["3 × crush washer (drain plug)"]
    assert "New crush washer for the drain plug" in whats(BOX, cycles=1)
    assert "Torque wrench 10 N·m to 60 N·m" in found
    assert f"At least 12.30 L new fluid of {FLUID}" in found
    assert "Catch vessel of 4.90 L or more" in found
    assert "5 clear vials, with labels" in found


@pytest.mark.parametrize("method", METHODS, ids=[m.name for m in METHODS])
def test_there_is_a_seal_for_each_time_a_plug_is_tightened(method: Method) -> None:
    sealed = tuple(replace(plug, seal=f"{plug.name} seal") for plug in PLUGS)
    box = replace(BOX, plugs=(*sealed, Plug("Filler plug, side", seal="O-ring")))
    plan = make_plan(box, wish=Wish(target=0.5, methods=(method.name,)))
    for cycles in (1, 2, 5):
        tightened = Counter(
            step.entry.subject
            for step in steps_for(box, method, plan, cycles)
            if step.entry.kind == "torque"
        )
        found = whats(box, method.name, cycles)
        for plug in box.plugs:
            (item,) = [w for w in found if plug.seal in w]
            assert tightened[plug.name] > 0
            count = 1 if item.startswith("New ") else int(item.partition(" × ")[0])
            assert count == tightened[plug.name]


def test_what_the_sheet_does_not_say_is_asked_for_and_not_invented() -> None:
    bare = kit(replace(BOX, plugs=()), METHODS[0], 1, 4 * L, 5 * L)
    assert str(bare[0].what) == "Drivers for the plugs"
    (wrench,) = [i for i in bare if str(i.what) == "Torque wrench"]
    assert "service manual" in str(wrench.why)


def test_safety_is_in_every_kit_and_the_helper_where_the_engine_runs() -> None:
    for method in METHODS:
        found = " | ".join(whats(BOX, method.name))
        for thing in ("gloves and eye protection", "chocks and stands", "lidded waste"):
            assert thing in found
        assert ("helper in the seat, and exhaust led away" in found) == method.line
        assert ("Clear hose" in found) == method.line
        assert ("low-pressure air" in found) == method.purged
        assert ("Second pump" in found) == method.pumped


torques = st.lists(st.floats(2.0, 500.0), min_size=1, max_size=5)


@given(torques)
def test_a_wrench_covers_every_torque(values: list[float]) -> None:
    fits = wrench_range(values)
    if fits is None:
        assert max(values) / min(values) > 2
    else:
        assert fits[0] <= min(values) <= max(values) <= fits[1]


def test_a_wrench_is_not_used_at_its_lower_end_where_another_fits() -> None:
    # 12 and 21 N·m are in the range of 10–60 as well, but near its end.
    assert wrench_range([12.0]) == (5.0, 25.0)
    assert wrench_range([21.0]) == (5.0, 25.0)
    assert wrench_range([26.0]) == (10.0, 60.0)
    assert wrench_range([2.5]) == (2.0, 10.0)
    assert wrench_range([5.0, 480.0]) is None
    assert wrench_range([]) is None


def test_torques_that_no_wrench_spans_are_said() -> None:
    wide = replace(BOX, plugs=(Plug("a", Span(5.0, 5.0)), Plug("b", Span(300.0, 300.0))))
    assert "Torque wrenches that cover 5 N·m to 300 N·m" in whats(wide)


@given(
    st.floats(0.1, 60.0),
    st.lists(st.floats(0.1, 10.0), min_size=1, max_size=12),
    st.floats(0.2, 30.0),
    st.floats(0.2, 30.0),
)
def test_vessels_are_filled_and_emptied_as_often_as_needed_and_no_more(
    new: float, out: list[float], pump: float, catch: float
) -> None:
    h = handling(new * L, [v * L for v in out], 0.0, pump * L, catch * L)
    assert h.pump_refills is not None
    assert h.catch_empties is not None
    assert (h.pump_refills - 1) * pump - 1e-6 <= new <= h.pump_refills * pump + 1e-6
    assert h.catch_empties <= len(out)
    room = catch / CATCH_MARGIN
    if max(out) <= room:
        assert sum(out) <= h.catch_empties * room + 1e-6


def test_a_release_that_does_not_fit_in_what_is_left_needs_an_empty_vessel() -> None:
    # Four drains of 4.1 L into 6 L: no second one fits, although 16.4 L is less than three vessels.
    assert handling(16.4 * L, [4.1 * L] * 4, 0.0, None, 6 * L).catch_empties == 4
    # Into 10 L, of which a sixth stays free, two of them fit.
    assert handling(16.4 * L, [4.1 * L] * 4, 0.0, None, 10 * L).catch_empties == 2


def test_a_vessel_of_exactly_the_volume_is_filled_once() -> None:
    h = handling(3 * 0.1 * L, [2.05 * L] * 4, 3.3 * L, 0.3 * L, None)
    assert (h.pump_refills, h.catch_empties, h.bottles) == (1, None, 3)
    assert h.to_json()["bottle_l"] == pytest.approx(3.3)


def test_without_a_bottle_there_are_none_to_count() -> None:
    assert handling(8 * L, [2 * L] * 4, 0.0, None, None).bottles == 0


def test_quantities_are_written_in_the_readers_units() -> None:
    items = [i.to_json(Display("us")) for i in kit(BOX, METHODS[0], 2, 12.3 * L, 4.9 * L)]
    text = " | ".join(f"{i['what']}; {i['why']}" for i in items)
    assert "At least 13.00 US qt new fluid" in text
    assert "Catch vessel of 5.18 US qt" in text
    assert "lbf·ft" in text
    assert " L " not in text
    assert "N·m" not in text
