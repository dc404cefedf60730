from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sumpwright.display import Display
from sumpwright.errors import Complaint
from sumpwright.physics import level as lv
from sumpwright.physics.expansion import volume_at
from sumpwright.planning.level_plan import (
    DENSITY,
    Basis,
    basis,
    expected_run_out,
    if_closed,
    per_kelvin,
    when_cold,
)
from sumpwright.planning.level_port import decide, on_slope, second_check
from sumpwright.planning.machine import Fluid, Span, Spread, WetSystem
from sumpwright.units import parse_quantity

volumes = st.floats(0.5e-3, 40e-3)
densities = st.floats(805.0, 1000.0)
temperatures = st.floats(243.15, 400.0)
areas = st.floats(0.01, 0.5)


@st.composite
def bases(draw: st.DrawFn) -> Basis:
    low, density = draw(volumes), draw(densities)
    opens = draw(st.floats(290.0, 350.0))
    return Basis(
        content=Span(low, low * draw(st.floats(1.0, 1.2))),
        density=Span(density, density + draw(st.floats(0.0, 60.0))),
        window=(opens, opens + draw(st.floats(2.0, 20.0))),
        area=Span(area := draw(areas), area * draw(st.floats(1.0, 1.3))),
        offset=Span(offset := draw(st.floats(0.01, 0.4)), offset),
    )


def within(basis: Basis, rng: np.random.Generator) -> tuple[float, float]:
    """A content and a density that the ranges allow."""
    return (
        float(rng.uniform(basis.content.low, basis.content.high)),
        float(rng.uniform(basis.density.low, basis.density.high)),
    )


ROUNDING = 1e-15
"""m³: a few binary digits of the largest volume drawn."""


@settings(deadline=None)
@given(bases(), temperatures, st.integers(0, 2**32 - 1))
def test_every_range_holds_what_the_physics_says_of_what_it_allows(
    known: Basis, kelvin: float, seed: int
) -> None:
    volume, density = within(known, np.random.default_rng(seed))
    assert known.window is not None
    opens, closes = known.window

    def holds(span: Span, value: float) -> bool:
        # Differences of volumes of litres carry the rounding of those volumes.
        slack = 1e-9 * max(abs(span.low), abs(span.high)) + ROUNDING
        return span.low - slack <= value <= span.high + slack

    grown = volume_at(volume, kelvin, opens, density) - volume
    # What must be in cold is measured cold, so that the growth is told at that temperature.
    cold = volume - volume_at(volume, opens, kelvin, density)
    assert holds(when_cold(known, kelvin).growth, float(cold))
    assert np.sign(grown) == np.sign(cold) or abs(grown) < ROUNDING
    assert holds(expected_run_out(known), float(lv.run_out(volume, opens, closes, density)))
    start = max(kelvin, opens)
    assert holds(expected_run_out(known, kelvin), float(lv.run_out(volume, start, closes, density)))
    step = volume_at(volume, kelvin - 0.5, kelvin + 0.5, density) - volume
    rate = per_kelvin(known, kelvin)
    assert rate.low * 0.99 <= float(step) <= rate.high * 1.01
    off = if_closed(known, kelvin)
    edge = float(np.clip(kelvin, opens, closes))
    assert holds(off.volume, float(lv.level_change(volume, kelvin, edge, density)))


@settings(deadline=None)
@given(bases(), temperatures)
def test_a_level_closed_in_the_cold_is_overfull_and_one_closed_hot_is_short(
    known: Basis, kelvin: float
) -> None:
    assert known.window is not None
    off = if_closed(known, kelvin)
    assert off.height is not None
    for span in (off.volume, off.height):
        if kelvin < known.window[0]:
            assert 0.0 < span.low <= span.high
        elif kelvin > known.window[1]:
            assert span.low <= span.high < 0.0
        else:
            assert span.low == span.high == 0.0


@settings(deadline=None)
@given(bases(), st.floats(-0.2, 0.2), st.floats(0.5, 6.0))
def test_a_slope_is_allowed_for_as_the_geometry_says(
    known: Basis, slope: float, distance: float
) -> None:
    assert known.area is not None
    assert known.offset is not None
    low = 0.3
    check = on_slope(known, low + distance * np.sin(slope), low, distance)
    assert check.slope == pytest.approx(slope, abs=1e-9)
    middle = lv.slope_error(known.offset.mid, slope, known.area.mid)
    assert min(check.error.volume.low, check.error.volume.high) <= float(middle.volume) + 1e-12
    assert float(middle.volume) <= max(check.error.volume.low, check.error.volume.high) + 1e-12
    words = str(check.sentence)
    if abs(np.degrees(slope)) > 0.1:
        assert ("let out" in words) == (slope > 0.0)
        assert ("higher" in words) == (slope > 0.0)


@settings(deadline=None)
@given(
    bases(),
    st.sampled_from(["waiting", "fresh", "stale", "lost"]),
    st.none() | temperatures,
    st.sampled_from(["", "none", "stream", "drip"]),
    st.sampled_from([None, True, False]),
)
def test_the_plug_goes_in_only_when_all_is_seen_to_be_right(
    known: Basis, freshness: str, kelvin: float | None, flow: str, engine: bool | None
) -> None:
    decision = decide(
        known,
        freshness,  # type: ignore[arg-type]
        kelvin,
        flow=flow,  # type: ignore[arg-type]
        engine_as_manual=engine,
    )
    assert known.window is not None
    right = (
        freshness == "fresh"
        and kelvin is not None
        and known.window[0] <= kelvin <= known.window[1]
        and flow == "drip"
        and engine is True
    )
    assert decision.fit == right
    assert decision.fit == all(reason.met is True for reason in decision.reasons)


BOX = WetSystem(
    "gearbox",
    "torque-converter automatic",
    Span(9e-3, 9.6e-3),
    fluid="Cable Green 7",
    window=(311.15, 319.15),
)


def test_what_the_sheet_lacks_is_asked_for_or_assumed_with_its_range() -> None:
    bare = basis(replace(BOX, window=None))
    assert [lack.key for lack in bare.lacks] == ["window", "density", "lift", "area", "offset"]
    assert bare.density == DENSITY
    assert "820 to 880 kg/m³" in str(bare.lacks[1].why)
    assert decide(bare, "fresh", 313.15, flow="drip", engine_as_manual=True).verdict == "no window"
    with pytest.raises(Complaint, match="window of temperature is not known"):
        expected_run_out(bare)


def test_the_words_of_a_window_are_not_wider_than_it_is() -> None:
    # 97 to 118 °F is 36.11 to 47.78 °C: 36 °C would be too cold
    known = Basis(Span(9.2e-3, 9.2e-3), Span(846.0, 846.0), (309.26111111, 320.92777778))
    decision = decide(known, "fresh", 313.15, flow="drip", engine_as_manual=True)
    words = [reason.text for reason in decision.reasons]
    assert str(words[1]) == "the fluid is between 36.2 °C and 47.7 °C"
    assert words[1].say(Display("us")) == "the fluid is between 97 °F and 118 °F"
    # what was confirmed says the same as what was asked
    asked = decide(known, "fresh", 313.15, flow="drip").reasons[2].text
    assert str(asked) == f"confirm that {words[2]}"


@given(st.floats(250.0, 400.0), st.sampled_from(["metric", "us"]))
def test_the_edges_shown_lie_inside_the_window(kelvin: float, system: Any) -> None:
    shown = Display(system)
    places = [
        parse_quantity(text, "temperature")
        for text in (shown.temperature_from(kelvin), shown.temperature_to(kelvin))
    ]
    # within what a whole degree that was converted may stray
    assert places[0] >= kelvin - 0.0051
    assert places[1] <= kelvin + 0.0051
    assert all(abs(place - kelvin) < 0.1001 for place in places)


def test_what_is_given_goes_before_the_sheet_and_the_sheet_before_the_assumption() -> None:
    fluids = [Fluid("cable green 7 ", density_15=846.0)]
    assert basis(BOX, fluids).density.mid == 846.0
    assert basis(BOX, fluids, density=860.0).density.mid == 860.0
    assert basis(BOX, [Fluid("another", density_15=846.0)]).density == DENSITY
    range_ = [Fluid("Cable Green 7", 846.5, spreads=(Spread("density_15", 842.0, 851.0),))]
    assert basis(BOX, range_).density == Span(842.0, 851.0)
    told = basis(BOX, fluids, window=(303.15, 308.15), area=0.05, offset=-0.1, lift=1e-3)
    assert told.window == (303.15, 308.15)
    assert told.lacks == ()


@pytest.mark.parametrize(
    ("wrong", "field"),
    [
        ({"density": 84.6}, "density"),
        ({"window": (319.15, 311.15)}, "window"),
        ({"area": 720.0}, "area"),
        ({"offset": 95.0}, "offset"),
        ({"lift": 0.02}, "lift"),
    ],
)
def test_what_cannot_be_is_refused_at_its_field(wrong: dict[str, float], field: str) -> None:
    with pytest.raises(Complaint) as caught:
        basis(BOX, **wrong)  # type: ignore[arg-type]
    assert caught.value.field == field


def test_what_the_pump_lifts_is_added_once_it_is_known() -> None:
    known = basis(BOX, [Fluid("Cable Green 7", density_15=846.0)])
    without = when_cold(known, 285.15)
    lifted = when_cold(replace(known, lift=Span(0.6e-3, 0.6e-3)), 285.15)
    assert without.above_port is None
    assert lifted.above_port is not None
    assert lifted.above_port.low == pytest.approx(0.6e-3 - without.growth.high)
    assert lifted.above_port.high == pytest.approx(0.6e-3 - without.growth.low)


def test_heights_that_cannot_be_are_refused() -> None:
    known = basis(BOX, area=0.072, offset=0.095)
    with pytest.raises(Complaint, match="differ by less than the distance"):
        on_slope(known, 3.0, 0.2, 2.4)
    with pytest.raises(Complaint, match="none to work on"):
        on_slope(known, 1.2, 0.2, 2.4)
    with pytest.raises(Complaint, match="apart"):
        on_slope(known, 0.3, 0.2, 0.0)
    with pytest.raises(Complaint, match="not known"):
        on_slope(basis(BOX), 0.3, 0.2, 2.4)
    assert str(on_slope(known, 0.2, 0.2, 2.4).sentence) == "The machine stands level."


def test_the_second_check_tells_by_how_much_hot_fluid_stands_higher() -> None:
    known = basis(BOX, [Fluid("Cable Green 7", density_15=846.0)])
    assert "stands higher by 0.29 L at 85 °C" in str(second_check(known, 358.15))
    assert "stands higher by" not in str(second_check(known, 315.15))
    assert "service manual" in str(second_check(replace(known, window=None)))
