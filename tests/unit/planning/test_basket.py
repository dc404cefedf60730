"""The basket against trying everything."""

from __future__ import annotations

import itertools
import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from random_sheets import FLUID, L, shelves
from sumpwright.planning.basket import Basket, Shelf, buy
from sumpwright.planning.machine import Offer


def brute(need: float, offers: list[Offer]) -> tuple[float, float] | None:
    """Least cost and, at that cost, most fluid, over all counts that could matter."""
    most = [
        min(math.ceil(need / o.size - 1e-9), math.inf if o.stock is None else o.stock)
        for o in offers
    ]
    best: tuple[float, float] | None = None
    for counts in itertools.product(*(range(int(m) + 1) for m in most)):
        volume = sum(n * o.size for n, o in zip(counts, offers, strict=True))
        if volume < need - 1e-12:
            continue
        sellers = {o.seller for n, o in zip(counts, offers, strict=True) if n}
        cost = sum(n * o.price for n, o in zip(counts, offers, strict=True)) + sum(
            max(o.carriage for o in offers if o.seller == s) for s in sellers
        )
        key = (round(cost, 6), -round(volume, 9))
        if best is None or key < (best[0], -best[1]):
            best = (key[0], -key[1])
    return best


needs = st.integers(1, 120).map(lambda n: n * 0.1 * L)


@settings(max_examples=80, deadline=None)
@given(shelves(), needs)
def test_the_basket_is_the_cheapest_there_is(offers: list[Offer], need: float) -> None:
    basket, want = buy(need, offers), brute(need, offers)
    if want is None:
        assert basket is None
        return
    assert basket is not None
    assert basket.total == pytest.approx(want[0], abs=1e-6)
    assert basket.volume >= need - 1e-12
    for line in basket.lines:
        assert line.count > 0
        assert line.offer.stock is None or line.count <= line.offer.stock


@settings(max_examples=40, deadline=None)
@given(shelves(), needs)
def test_among_equally_cheap_baskets_the_fuller_one_wins(offers: list[Offer], need: float) -> None:
    priced = [o for o in offers if o.price > 0]
    basket, want = buy(need, priced), brute(need, priced) if priced else None
    if basket is not None and want is not None and len(priced) > 1:
        assert basket.volume == pytest.approx(want[1], abs=1e-9)


@settings(max_examples=15, deadline=None)
@given(shelves(), st.lists(needs, min_size=2, max_size=5), st.sampled_from([0.0, 0.05]))
def test_a_shelf_that_remembers_finds_the_same_baskets(
    offers: list[Offer], volumes: list[float], spare: float
) -> None:
    shelf = Shelf(offers, FLUID, spare)
    for volume in volumes:
        got, want = shelf.basket(volume), buy(round(volume * (1 + spare), 9), offers)
        assert (got is None) == (want is None)
        if got is not None and want is not None:
            assert got.total == pytest.approx(want.total, abs=1e-6)
            assert got.need == pytest.approx(volume * (1 + spare), abs=1e-9)
            assert got.left_over >= -1e-12


def test_a_tie_goes_to_more_fluid_and_a_cent_less_to_the_cent() -> None:
    def sizes(large: float) -> list[float]:
        basket = buy(4 * L, [Offer("x", "a", 1 * L, 10.0), Offer("x", "a", 5 * L, large)])
        assert basket is not None
        return [line.offer.size for line in basket.lines for _ in range(line.count)]

    assert sizes(40.00) == [5 * L]
    assert sizes(40.01) == [1 * L] * 4
    assert sizes(39.99) == [5 * L]


def test_carriage_is_paid_once_and_only_where_something_is_bought() -> None:
    near = Offer("x", "near", 1 * L, 12.0)
    far = [Offer("x", "far", 1 * L, 10.0, carriage=9.0), Offer("x", "far", 5 * L, 50.0)]
    few, many = buy(4 * L, [near, *far]), buy(6 * L, [near, *far])
    assert few is not None
    assert many is not None
    assert ({line.offer.seller for line in few.lines}, few.carriage) == ({"near"}, 0.0)
    assert ({line.offer.seller for line in many.lines}, many.carriage) == ({"far"}, 9.0)
    assert many.total == pytest.approx(69.0)


def test_the_spare_is_a_share_of_the_need() -> None:
    shelf = Shelf([Offer("x", "a", 1 * L, 11.4)], "x", spare=0.05)
    basket = shelf.basket(4 * L)
    assert basket is not None
    assert (basket.need, basket.volume) == pytest.approx((4.2 * L, 5 * L))


def test_offers_of_another_fluid_are_left_out() -> None:
    assert Shelf([Offer("y", "a", 1 * L, 1.0)], "x").basket(1 * L) is None


def test_needing_nothing_costs_nothing() -> None:
    assert buy(0.0, [Offer("x", "a", 1 * L, 1.0, 5.0)]) == Basket(0.0, (), 0.0)


@pytest.mark.parametrize("need", [-1.0, math.nan, math.inf])
def test_a_need_that_is_none_is_refused(need: float) -> None:
    with pytest.raises(ValueError, match="need"):
        buy(need, [Offer("x", "a", 1 * L, 1.0)])
