"""Draws stay within the sheet and within one another."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given, settings

from random_sheets import L, any_systems, exact_systems, litres, one
from sumpwright.errors import Complaint
from sumpwright.planning.assumptions import BY_KIND
from sumpwright.planning.draws import DRAWS, Draws, draw
from sumpwright.planning.kinds import KINDS
from sumpwright.planning.machine import MOST_TANKS, Span, WetSystem
from sumpwright.planning.sanity import check_system

PARTS = {
    "drain": lambda d: d.drain,
    "sump": lambda d: d.circuit.sump,
    "cooler_loop": lambda d: d.circuit.loop,
    "tanks": lambda d: d.circuit.tanks,
    "pockets": lambda d: d.circuit.pockets,
    "pickup_reserve": lambda d: d.reserve,
    "purge_share": lambda d: d.purge_share,
    "sweep_share": lambda d: d.sweep_share,
    "capacity": lambda d: d.circuit.capacity,
}


def _legal(system: WetSystem) -> bool:
    return not any(finding.fatal for finding in check_system(system))


def _within(values: np.ndarray, low: float, high: float) -> None:
    slack = 1e-12 * max(abs(high), L)
    assert values.min() >= low - slack
    assert values.max() <= high + slack


@settings(max_examples=60, deadline=None)
@given(any_systems())
def test_draws_keep_to_the_sheet_and_to_one_another(system: WetSystem) -> None:
    assume(_legal(system))
    d = draw(system, 64)
    for name, of in PARTS.items():
        span = getattr(system, name)
        if span is not None:
            _within(of(d), span.low, span.high)
    slack = 1e-12 * d.circuit.capacity
    assert np.all(d.drain <= d.circuit.sump + slack)
    assert np.all(d.drain > 0)
    assert np.all(d.reserve <= d.circuit.sump + slack)
    assert np.all(d.circuit.sump + d.circuit.loop <= d.circuit.capacity + slack)
    assert np.all(d.released(leaned=True) <= d.circuit.sump)
    assert np.all(d.released(leaned=True) >= d.released())
    assert 0 <= d.safe <= (d.circuit.sump - d.reserve).min() + 1e-15


@settings(max_examples=60, deadline=None)
@given(any_systems())
def test_every_assumption_is_named_with_the_range_that_was_drawn(system: WetSystem) -> None:
    assume(_legal(system))
    d = draw(system, 64)
    silent = {name for name in PARTS if getattr(system, name) is None}
    named = {a.name: a for a in (*d.assumptions, *d.method_assumptions.values())}
    assert set(named) - {"lean_gain"} == silent
    assert ("lean_gain" in named) == (system.lean_gain is None)
    for name in silent:
        a = named[name]
        scale = 1e3 if a.unit == "L" else 1.0
        values = PARTS[name](d) * scale
        assert a.low - 1e-4 <= values.min() <= values.max() <= a.high + 1e-4
        assert "common practice, no source" in a.origin


@pytest.mark.parametrize("kind", KINDS)
def test_the_stated_ranges_are_filled_to_their_ends(kind: str) -> None:
    d = draw(WetSystem("box", kind, litres(9.2)))
    for a in d.assumptions:
        if a.name == "cooler_loop":
            continue  # its ends are at a corner of two other ranges
        values = PARTS[a.name](d) * (1e3 if a.unit == "L" else 1.0)
        # A product of two even draws is thin at its ends; a tenth is a generous margin.
        margin = 0.1 * (a.high - a.low) + 1e-4
        assert values.min() <= a.low + margin
        assert values.max() >= a.high - margin
    guess = BY_KIND[kind]["drain"]
    (drain,) = [a for a in d.assumptions if a.name == "drain"]
    assert (drain.low, drain.high) == pytest.approx((guess.low * 9.2, guess.high * 9.2), abs=1e-4)


@given(exact_systems())
def test_a_sheet_of_single_values_is_a_single_circuit(system: WetSystem) -> None:
    d = draw(system, 16)
    assert d.assumptions == ()
    for of in PARTS.values():
        assert of(d)[:5].min() == of(d).max() or of in (PARTS["purge_share"], PARTS["sweep_share"])


def test_nothing_uncertain_is_one_draw() -> None:
    whole = WetSystem(
        "box",
        "automatic",
        litres(9.2),
        litres(4.1),
        litres(4.8),
        litres(0.7),
        one(2),
        one(0.1),
        litres(1.5),
        purge_share=one(0.5),
        lean_gain=litres(0.3),
        sweep_share=one(0.2),
    )
    assert draw(whole).count == 1


def test_the_same_sheet_gives_the_same_draws_and_another_seed_others() -> None:
    box = WetSystem("box", "automatic", litres(9.2))
    a, b, c = draw(box), draw(box), draw(box, seed=8)
    assert a.count == DRAWS
    np.testing.assert_array_equal(a.drain, b.drain)
    assert not np.array_equal(a.drain, c.drain)


def test_numbers_of_tanks_are_equally_likely() -> None:
    d = draw(WetSystem("box", "automatic", litres(9.2), tanks=Span(2, 5)))
    counts = np.bincount(d.circuit.tanks)[2:]
    assert counts.tolist() == pytest.approx([DRAWS / 4] * 4, rel=0.01)


def test_a_sump_that_is_known_bounds_the_drain_that_is_not() -> None:
    d = draw(WetSystem("box", "automatic", litres(9.2), sump=litres(3.5)))
    assert d.drain.max() < 3.5 * L
    assert d.drain.min() == pytest.approx(3.5 / 1.30 * L, rel=1e-3)


def test_ranges_that_partly_fit_are_drawn_where_they_do() -> None:
    box = WetSystem(
        "box",
        "automatic",
        litres(9.0, 9.4),
        drain=litres(4.0, 5.5),
        sump=litres(4.5, 5.0),
        cooler_loop=litres(4.0, 4.8),
        pickup_reserve=litres(1.0, 6.0),
    )
    d = draw(box)
    assert d.circuit.sump.min() >= 4.5 * L
    assert d.circuit.loop.min() >= 4.0 * L
    assert d.circuit.capacity.max() <= 9.4 * L * (1 + 1e-12)
    assert d.safe == 0.0


def test_the_safe_discharge_holds_at_the_ends_of_the_ranges() -> None:
    box = WetSystem(
        "box", "automatic", litres(9.2), sump=litres(4.6, 5.0), pickup_reserve=litres(1.2, 1.5)
    )
    assert draw(box).safe == pytest.approx(3.1 * L, rel=1e-12)
    silent = WetSystem("box", "automatic", litres(9.2), drain=litres(4.1), sump=litres(4.6, 5.0))
    assert draw(silent).safe == pytest.approx(0.6 * 4.6 * L, rel=1e-12)


def test_numbers_that_cannot_be_true_together_are_refused() -> None:
    box = WetSystem("box", "automatic", litres(9.2), drain=litres(4.9), sump=litres(4.8))
    with pytest.raises(Complaint, match="does not fit") as caught:
        draw(box)
    assert caught.value.field == "drain"
    with pytest.raises(Complaint, match="tanks"):
        draw(WetSystem("box", "automatic", litres(9.2), tanks=one(MOST_TANKS + 1)))


def test_taking_draws_keeps_them_whole() -> None:
    d: Draws = draw(WetSystem("box", "automatic", litres(9.2)), 32)
    keep = np.array([3, 3, 0])
    taken = d.take(keep)
    for of in PARTS.values():
        np.testing.assert_array_equal(of(taken), of(d)[keep])
    assert taken.safe == d.safe
