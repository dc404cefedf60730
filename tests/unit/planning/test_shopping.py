"""One basket for several fluids against every combination there is."""

from __future__ import annotations

import itertools
import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sumpwright.planning.basket import buy
from sumpwright.planning.machine import Offer
from sumpwright.planning.shopping import shop

OFFERS = st.lists(
    st.builds(
        Offer,
        st.sampled_from(["x", "y"]),
        st.sampled_from(["near", "far"]),
        st.sampled_from([1e-3, 2e-3, 5e-3]),
        st.integers(1, 40).map(float),
        st.sampled_from([0.0, 6.0]),
        st.none() | st.integers(0, 3),
    ),
    min_size=1,
    max_size=4,
    unique_by=lambda o: (o.fluid, o.seller, o.size),
)
NEEDS = st.fixed_dictionaries({"x": st.integers(0, 5), "y": st.integers(0, 5)})


def cheapest(needs: dict[str, float], offers: list[Offer]) -> float:
    """Money of the best of all purchases within stock; infinite when none covers the needs."""
    best = math.inf
    ranges = [
        range(min(5 if o.stock is None else o.stock, math.ceil(needs[o.fluid] / o.size)) + 1)
        for o in offers
    ]
    for counts in itertools.product(*ranges):
        chosen = [(o, c) for o, c in zip(offers, counts, strict=True) if c]
        if all(
            sum(o.size * c for o, c in chosen if o.fluid == f) >= need - 1e-12
            for f, need in needs.items()
        ):
            fees: dict[str, float] = {}
            for o, _ in chosen:
                fees[o.seller] = max(x.carriage for x in offers if x.seller == o.seller)
            best = min(best, sum(o.price * c for o, c in chosen) + sum(fees.values()))
    return best


@given(NEEDS, OFFERS)
@settings(max_examples=60, deadline=None)
def test_no_purchase_is_cheaper(litres: dict[str, int], offers: list[Offer]) -> None:
    needs = {fluid: n * 1e-3 for fluid, n in litres.items()}
    found = shop(needs, offers)
    assert set(found.missing) | set(found.needs) == {f for f, need in needs.items() if need}
    for fluid, need in found.needs.items():
        assert found.volume(fluid) >= need - 1e-12
    for line in found.lines:
        assert line.offer.stock is None or line.count <= line.offer.stock
    covered = {f: found.needs.get(f, 0.0) for f in needs}
    useful = [o for o in offers if covered[o.fluid] > 0]
    assert found.total == pytest.approx(cheapest(covered, useful) if useful else 0.0)
    for fluid in found.missing:
        alone = [o for o in offers if o.fluid == fluid]
        assert cheapest({"x": 0.0, "y": 0.0, fluid: needs[fluid]}, alone) == math.inf


def test_one_fluid_costs_what_its_own_basket_does() -> None:
    offers = [Offer("x", "a", 1e-3, 11.4), Offer("x", "b", 5e-3, 44.5, 6.9)]
    alone = buy(8.2e-3, offers)
    assert alone is not None
    assert shop({"x": 8.2e-3}, offers).total == pytest.approx(alone.total)


def test_a_need_that_is_none() -> None:
    with pytest.raises(ValueError, match="not negative"):
        shop({"x": -1.0}, [])
    assert shop({"x": 1.0}, []).missing == ("x",)
    assert shop({}, []).total == 0.0
