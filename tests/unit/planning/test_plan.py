"""What a plan promises, recomputed from its own points."""

from __future__ import annotations

import itertools
import json
import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from random_sheets import FLUID, L, any_systems, exact_systems, litres, one, shelves
from sumpwright.errors import Complaint
from sumpwright.physics.exchange import displacement_bound
from sumpwright.planning.assumptions import Times
from sumpwright.planning.basket import buy
from sumpwright.planning.draws import draw
from sumpwright.planning.kit import CATCH_MARGIN
from sumpwright.planning.machine import Offer, Span, WetSystem
from sumpwright.planning.methods import (
    EQUIPMENT,
    METHODS,
    applicable,
    bottle,
    follow,
    minutes,
    step_volume,
)
from sumpwright.planning.outcome import FLAT_POINTS, LONGEST, Point, Quantiles, Wish
from sumpwright.planning.plan import Plan, make_plan
from sumpwright.planning.report import plan_json
from sumpwright.planning.sanity import check_system

CARRIER = WetSystem(
    "gearbox",
    "torque-converter automatic",
    litres(9.2),
    drain=litres(4.1),
    sump=litres(4.8),
    cooler_loop=litres(0.7),
    tanks=one(2),
    pockets=one(0.10),
    pickup_reserve=litres(1.5),
    fluid=FLUID,
)
STORE = [
    Offer(FLUID, "Yard store", 1 * L, 11.40),
    Offer(FLUID, "Yard store", 5 * L, 48.00),
    Offer(FLUID, "Valley depot", 20 * L, 150.00, carriage=12.0),
]
VAGUE = replace(CARRIER, drain=None, sump=None, cooler_loop=None, tanks=None, pockets=None)


def points_of(plan: Plan, name: str) -> tuple[Point, ...]:
    (found,) = [m for m in plan.methods if m.method.name == name]
    return found.points


# --- the sheet of single values -------------------------------------------------------


def test_a_plain_sheet_has_no_band_and_follows_the_closed_formula() -> None:
    plan = make_plan(CARRIER, STORE)
    for n, q in enumerate(points_of(plan, "drain-and-refill"), start=1):
        assert q.fresh.p05 == q.fresh.p50 == q.fresh.p95
        assert q.fresh.p50 == pytest.approx(1 - (1 - 4.1 / 9.2) ** n, abs=1e-9)
        assert q.new_fluid == pytest.approx(n * 4.1 * L, abs=1e-15)
    for q in points_of(plan, "line-discharge"):
        assert q.fresh.p05 == q.fresh.p50 == q.fresh.p95


@settings(max_examples=12, deadline=None)
@given(exact_systems())
def test_any_plain_sheet_has_no_band_and_follows_the_closed_formula(system: WetSystem) -> None:
    plan = make_plan(system, wish=Wish(cycles=5))
    part = system.drain.low / system.capacity.low  # type: ignore[union-attr]
    for n, q in enumerate(points_of(plan, "drain-and-refill"), start=1):
        assert q.fresh.p05 == q.fresh.p50 == q.fresh.p95
        assert q.fresh.p50 == pytest.approx(1 - (1 - part) ** n, abs=1e-9)
    for q in points_of(plan, "line-discharge"):
        assert q.fresh.p05 == q.fresh.p50 == q.fresh.p95


def test_the_first_point_of_the_line_is_drain_and_refill_and_each_later_one_a_bottle() -> None:
    plan = make_plan(CARRIER, STORE)
    line = points_of(plan, "line-discharge")
    assert line[0].fresh.p50 == pytest.approx(4.1 / 9.2, abs=1e-12)
    for a, b in itertools.pairwise(line):
        assert b.new_fluid - a.new_fluid == pytest.approx(3.3 * L, abs=1e-15)
        assert b.waste - a.waste == pytest.approx(3.3 * L, abs=1e-15)


def test_the_line_is_the_chain_worked_out_by_hand() -> None:
    # One perfect tank and neither loop nor pockets: a bottle v at a constant sump share s
    # leaves u = s + (u - s)·e^(-v/U), then the bottle is filled into the sump.
    box = replace(CARRIER, cooler_loop=litres(0.0), tanks=one(1), pockets=one(0.0))
    s, u = 4.1 / 4.8, 0.0
    for q in points_of(make_plan(box), "line-discharge"):
        fresh = (4.8 * s + 4.4 * u) / 9.2
        assert q.fresh.p50 == pytest.approx(fresh, abs=1e-12)
        u = s + (u - s) * math.exp(-3.3 / 4.4)
        s = (1.5 * s + 3.3) / 4.8


# --- every plan -----------------------------------------------------------------------


def _plan(system: WetSystem, offers: list[Offer], wish: Wish) -> Plan:
    assume(not any(finding.fatal for finding in check_system(system)))
    return make_plan(system, offers, wish, draws=draw(system, 64))


wishes = st.builds(
    Wish,
    target=st.floats(0.05, 0.999),
    confidence=st.floats(0.05, 0.99),
    cycles=st.integers(1, 9),
    worth_per_point=st.none() | st.floats(0.05, 20.0),
    have=st.lists(st.sampled_from(EQUIPMENT), unique=True).map(tuple),
)


@settings(max_examples=40, deadline=None)
@given(any_systems(), shelves(), wishes)
def test_any_legal_sheet_gets_a_plan_that_is_what_it_says(
    system: WetSystem, offers: list[Offer], wish: Wish
) -> None:
    plan = _plan(system, offers, wish)
    _finite(plan_json(plan))
    for m in plan.methods:
        assert bool(m.unusable) == (not m.points)
        for n, q in enumerate(m.points, start=1):
            assert q.cycles == n
            assert -1e-12 <= q.fresh.p05 <= q.fresh.p50 <= q.fresh.p95 <= 1 + 1e-9
            assert 0 <= q.probability <= 1
            assert q.efficiency <= 1 + 1e-9
            assert q.minutes > 0
            if q.basket is not None:
                assert q.basket.volume >= q.new_fluid_high - 1e-9
        for a, b in itertools.pairwise(m.points):
            assert b.new_fluid >= a.new_fluid
            assert b.bound <= a.bound
            assert b.fresh.p50 >= a.fresh.p50 - 1e-9
            assert b.minutes > a.minutes
    _check_choice(plan)
    _check_flat_points(plan, offers)
    _check_best(plan)


def _finite(value: Any, path: str = "") -> None:
    if isinstance(value, dict):
        for key, part in value.items():
            _finite(part, f"{path}.{key}")
    elif isinstance(value, list):
        for part in value:
            _finite(part, path)
    elif isinstance(value, float):
        assert math.isfinite(value), path


def _price(q: Point) -> float:
    return math.inf if q.cost is None else q.cost


def _check_choice(plan: Plan) -> None:
    wish = plan.wish
    eligible = [m for m in plan.methods if m.points and not m.missing]
    pairs = [(m, q) for m in (eligible or [m for m in plan.methods if m.points]) for q in m.points]
    good = [(m, q) for m, q in pairs if q.probability >= wish.confidence]
    assert plan.reached == bool(good)
    assert plan.point in plan.chosen.points
    chosen = plan.point
    if good:
        assert chosen.probability >= wish.confidence
        offered = any(q.cost is not None for m in plan.methods for q in m.points)
        for _, q in good:
            if offered:
                assert _price(chosen) <= _price(q) + 1e-9
            else:
                assert chosen.new_fluid <= q.new_fluid + 1e-9
    else:
        assert chosen.probability == max(q.probability for _, q in pairs)
        assert "No method" in plan.reason
    largest = max(q.largest_release for q in plan.chosen.points)
    assert plan.catch_vessel == pytest.approx(CATCH_MARGIN * largest)


def _check_flat_points(plan: Plan, offers: list[Offer]) -> None:
    worth = plan.wish.worth_per_point
    usable = [o for o in offers if o.fluid == plan.system.fluid]
    for m in plan.methods:
        flat = None
        for a, b in itertools.pairwise(m.points):
            gain = (b.fresh.p50 - a.fresh.p50) * 100
            basket = buy(round(b.new_fluid_high, 9), usable)
            if worth is None or basket is None:
                over = gain < FLAT_POINTS
            else:
                before = buy(round(a.new_fluid_high, 9), usable)
                assert before is not None
                used = basket.total / basket.volume * (b.new_fluid_high - a.new_fluid_high)
                cost = min(used, basket.total - before.total)
                if abs(gain * worth - cost) < 1e-6:
                    return  # a tie, which rounding may break either way
                over = gain * worth < cost
            if over:
                flat = a.cycles
                break
        if flat is not None:
            assert m.flat_point is not None
            assert m.flat_point.cycles == flat
        elif m.flat_point is not None:
            assert m.flat_point.cycles >= len(m.points)


def _check_best(plan: Plan) -> None:
    every = [q for m in plan.methods for q in m.points]

    def keys(q: Point) -> tuple[float, ...]:
        money = _price(q) if any(x.cost is not None for x in every) else 0.0
        return tuple(round(v, 9) for v in (money, q.new_fluid, q.minutes, -q.fresh.p50))

    for q in every:
        beaten = any(
            all(a <= b for a, b in zip(keys(x), keys(q), strict=True)) and keys(x) != keys(q)
            for x in every
        )
        assert q.best == (not beaten)


@settings(max_examples=25, deadline=None)
@given(any_systems())
def test_no_plan_beats_the_displacement_bound(system: WetSystem) -> None:
    assume(not any(finding.fatal for finding in check_system(system)))
    d = draw(system, 64)
    size = bottle(system, d.safe)
    for method in METHODS:
        if applicable(method, system, d.safe):
            continue
        for cycle in itertools.islice(follow(method, d, step_volume(method, size, d)), 6):
            bound = displacement_bound(cycle.new_fluid, d.circuit.capacity)
            assert np.all(1 - cycle.fresh >= bound - 1e-9)
            np.testing.assert_allclose(cycle.new_fluid, cycle.waste, rtol=1e-12)


@settings(max_examples=20, deadline=None)
@given(any_systems())
def test_no_discharge_uncovers_the_pick_up(system: WetSystem) -> None:
    assume(not any(finding.fatal for finding in check_system(system)))
    d = draw(system, 64)
    assert np.all(d.circuit.sump - bottle(system, d.safe) >= d.reserve - 1e-12)


def test_the_probability_is_the_share_of_draws_that_reach_the_target() -> None:
    d = draw(VAGUE)
    plan = make_plan(VAGUE, wish=Wish(target=0.8), draws=d)
    for name, method in (("drain-and-refill", METHODS[0]), ("line-discharge", METHODS[2])):
        cycles = follow(method, d, bottle(VAGUE, d.safe))
        for q, cycle in zip(points_of(plan, name), cycles, strict=False):
            assert q.probability == np.count_nonzero(cycle.fresh >= 0.8) / d.count
            low, mid, high = np.quantile(cycle.fresh, [0.05, 0.5, 0.95])
            assert (q.fresh.p05, q.fresh.p50, q.fresh.p95) == pytest.approx(
                (low, mid, high), abs=1e-12
            )


def test_more_draws_do_not_move_the_answer() -> None:
    few, many = (make_plan(VAGUE, draws=draw(VAGUE, n, seed)) for n, seed in ((1024, 1), (8192, 2)))
    for a, b in zip(
        points_of(few, "line-discharge"), points_of(many, "line-discharge"), strict=True
    ):
        assert a.fresh.p05 == pytest.approx(b.fresh.p05, abs=5e-3)
        assert a.fresh.p50 == pytest.approx(b.fresh.p50, abs=5e-3)


# --- the recommendation ---------------------------------------------------------------


def test_a_target_that_is_met_exactly_is_met() -> None:
    target = 1 - (1 - 4.1 / 9.2) ** 2
    plan = make_plan(CARRIER, wish=Wish(target=target, methods=("drain-and-refill",)))
    assert (plan.reached, plan.point.cycles, plan.point.probability) == (True, 2, 1.0)
    above = make_plan(CARRIER, wish=Wish(target=target + 1e-9, methods=("drain-and-refill",)))
    assert above.point.cycles == 3


def test_a_target_out_of_reach_gives_the_nearest_and_says_so() -> None:
    plan = make_plan(CARRIER, STORE, Wish(target=0.999, cycles=3))
    assert not plan.reached
    best = max(q.fresh.p05 for m in plan.methods if not m.missing for q in m.points)
    assert plan.point.fresh.p05 == best
    assert plan.reason.startswith(
        "No method at hand reaches 99.9 % fresh with 90 % confidence in 3"
    )


def test_methods_that_need_what_is_not_there_are_shown_but_not_recommended() -> None:
    plan = make_plan(CARRIER, STORE)
    assert all(not m.eligible for m in plan.methods if m.method.needs)
    assert not plan.chosen.method.needs
    only = make_plan(CARRIER, STORE, Wish(methods=("pumped-exchange",)))
    assert only.chosen.method.name == "pumped-exchange"


def test_equipment_that_would_save_fluid_is_pointed_out() -> None:
    loose = [Offer(FLUID, "Yard store", 0.1 * L, 1.14)]
    bare, rich = (make_plan(CARRIER, loose, Wish(have=have)) for have in ((), EQUIPMENT))
    assert rich.point.new_fluid < bare.point.new_fluid
    assert " at hand, " in bare.reason
    assert " at hand, " not in rich.reason


def test_what_the_offers_do_not_hold_is_never_the_cheapest() -> None:
    scarce = [Offer(FLUID, "Yard store", 1 * L, 11.4, stock=12)]
    plan = make_plan(CARRIER, scarce, Wish(target=0.7))
    assert plan.point.cost is not None
    far = make_plan(CARRIER, scarce, Wish(target=0.97))
    assert far.reached
    assert far.point.cost is None
    assert "The offers do not hold that much." in far.reason


def test_without_offers_the_least_fluid_is_recommended() -> None:
    plan = make_plan(CARRIER, wish=Wish(target=0.8))
    assert plan.point.cost is None
    assert plan.reason.startswith("The least new fluid")


def test_the_spare_is_bought_on_top() -> None:
    plain = make_plan(CARRIER, STORE, Wish(target=0.7))
    spare = make_plan(CARRIER, STORE, Wish(target=0.7), spare=0.25)
    assert plain.point.basket is not None
    assert spare.point.basket is not None
    assert spare.point.new_fluid == plain.point.new_fluid
    assert spare.point.basket.need == pytest.approx(1.25 * plain.point.basket.need, abs=1e-9)


def test_a_system_without_a_line_is_drained_only() -> None:
    axle = WetSystem("rear axle", "axle", litres(2.0))
    plan = make_plan(axle)
    assert {m.method.name for m in plan.methods if m.points} == {
        "drain-and-refill",
        "leaned-drain-and-refill",
    }
    with pytest.raises(Complaint, match="no pump"):
        make_plan(axle, wish=Wish(methods=("line-discharge",)))


def test_a_reserve_as_large_as_the_sump_forbids_the_bottle_but_not_the_pump() -> None:
    tight = replace(CARRIER, pickup_reserve=litres(4.8))
    plan = make_plan(tight)
    assert plan.safe == 0.0
    unusable = {m.method.name for m in plan.methods if m.unusable}
    assert "line-discharge" in unusable
    assert points_of(plan, "pumped-exchange")[1].new_fluid == pytest.approx(8.2 * L)


def test_a_discharge_on_the_sheet_is_held_to_what_is_safe() -> None:
    for given_, used in ((2.0, 2.0), (4.0, 3.3)):
        plan = make_plan(replace(CARRIER, discharge=litres(given_)))
        a, b = points_of(plan, "line-discharge")[:2]
        assert b.new_fluid - a.new_fluid == pytest.approx(used * L, abs=1e-15)


def test_a_flat_point_beyond_the_table_is_found_all_the_same() -> None:
    plan = make_plan(CARRIER, STORE, Wish(cycles=2, methods=("drain-and-refill",)))
    flat = plan.flat_point
    assert flat is not None
    gains = [4.1 / 9.2 * (1 - 4.1 / 9.2) ** n * 100 for n in range(LONGEST)]
    assert flat.cycles == next(n for n, gain in enumerate(gains) if gain < FLAT_POINTS)
    assert flat.next_gain * 100 == pytest.approx(gains[flat.cycles], abs=1e-9)


def test_a_price_per_point_moves_the_flat_point() -> None:
    def flat(worth: float | None) -> int:
        wish = Wish(worth_per_point=worth, methods=("drain-and-refill",))
        found = make_plan(CARRIER, STORE, wish).flat_point
        assert found is not None
        return found.cycles

    assert flat(0.5) < flat(3.0) < flat(30.0)


@pytest.mark.parametrize("worth", [None, 0.5, 3.0, 9.0])
def test_the_money_of_the_flat_point_is_that_between_two_rows_of_the_table(
    worth: float | None,
) -> None:
    wish = Wish(worth_per_point=worth, methods=("line-discharge",), cycles=14)
    plan = make_plan(CARRIER, STORE, wish)
    flat = plan.flat_point
    assert flat is not None
    a, b = (q for q in plan.chosen.points if q.cycles in (flat.cycles, flat.cycles + 1))
    assert a.cost is not None
    assert b.cost is not None
    assert flat.next_cost == pytest.approx(b.cost - a.cost)
    assert f"for {flat.next_cost:.2f} more of containers" in flat.reason
    if worth is not None:
        assert flat.next_gain * 100 * worth < flat.next_cost


def test_a_curve_that_never_flattens_has_no_flat_point() -> None:
    wish = Wish(worth_per_point=1e9, methods=("drain-and-refill",))
    drop = replace(CARRIER, drain=litres(0.1))
    assert make_plan(drop, STORE, wish).flat_point is None


# --- minutes, wishes, quantiles ---------------------------------------------------------


def test_minutes_count_what_is_done() -> None:
    t = Times()
    base = t.set_up + t.level + t.drain + t.refill
    assert minutes(METHODS[0], 1, 0.0, t, 1e-4) == base + t.drive
    assert minutes(METHODS[0], 3, 0.0, t, 1e-4) == base + 3 * t.drive + 2 * (t.drain + t.refill)
    assert minutes(METHODS[2], 1, 0.0, t, 1e-4) == base + t.drive
    line = base + t.drive + t.open_line + t.close_line + 2 * t.refill + 6e-3 / 1e-4 / 60
    assert minutes(METHODS[2], 3, 6e-3, t, 1e-4) == pytest.approx(line)
    assert minutes(METHODS[3], 3, 6e-3, t, 1e-4) == pytest.approx(line + 2 * t.sweeps)
    assert minutes(METHODS[4], 3, 6e-3, t, 1e-4) == pytest.approx(line + 2 * t.purge)


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("target", 0.0),
        ("target", 1.0),
        ("target", math.nan),
        ("confidence", 1.5),
        ("cycles", 0),
        ("cycles", LONGEST + 1),
        ("worth_per_point", -1.0),
        ("worth_per_point", math.inf),
        ("have", ("lance",)),
        ("methods", ("prayer",)),
    ],
)
def test_a_wish_that_cannot_be_is_refused_with_what_to_do(field: str, value: Any) -> None:
    with pytest.raises(Complaint) as caught:
        Wish(**{field: value})
    assert caught.value.do


@given(st.lists(st.floats(0, 1), min_size=1, max_size=40))
def test_quantiles_are_those_of_numpy(values: list[float]) -> None:
    q = Quantiles.of(np.array(values))
    want = np.quantile(values, [0.05, 0.5, 0.95])
    assert (q.p05, q.p50, q.p95) == pytest.approx(tuple(want), abs=1e-12)


def test_draws_without_weight_have_no_say() -> None:
    values, weights = np.array([0.1, 0.5, 0.6, 0.9]), np.array([0.0, 0.5, 0.5, 0.0])
    q = Quantiles.of(values, weights)
    assert q.p05 >= 0.5
    assert q.p95 <= 0.6
    assert Quantiles.of(values, np.array([0.0, 1.0, 0.0, 0.0])) == Quantiles(0.5, 0.5, 0.5)


def test_weights_act_like_copies() -> None:
    rng = np.random.default_rng(3)
    values, copies = rng.random(200), rng.integers(1, 6, 200)
    weighted = Quantiles.of(values, copies / copies.sum())
    copied = Quantiles.of(np.repeat(values, copies))
    for name in ("p05", "p50", "p95"):
        assert getattr(weighted, name) == pytest.approx(getattr(copied, name), abs=0.02)


# --- the edges of the domain ------------------------------------------------------------


EDGES = {
    "a loop of a millilitre": replace(CARRIER, cooler_loop=litres(0.001)),
    "a third of a litre": WetSystem("box", "power steering", litres(0.3)),
    "a large hydraulic tank": WetSystem("tank", "hydraulic system", litres(600.0)),
    "a large tank and a short line": WetSystem(
        "tank", "hydraulic system", litres(600.0), cooler_loop=litres(0.001)
    ),
    "a drain that empties the sump": replace(CARRIER, drain=litres(4.8)),
    "a sump that is all": WetSystem("box", "other", litres(5.0), litres(5.0), litres(5.0)),
    "nothing but pockets": replace(CARRIER, pockets=one(1.0)),
    "many tanks": replace(CARRIER, tanks=one(40)),
    "any number of tanks": replace(CARRIER, tanks=Span(1, 40)),
    "upper works of rounding": replace(CARRIER, sump=litres(8.5), cooler_loop=litres(0.7)),
    "a reserve of nothing": replace(CARRIER, pickup_reserve=litres(0.0)),
    "a reserve that touches the sump": replace(
        CARRIER, sump=litres(4.8, 5.2), pickup_reserve=litres(1.5, 4.8)
    ),
}


@pytest.mark.parametrize("name", EDGES)
def test_the_edges_of_the_domain_give_sensible_plans(name: str) -> None:
    plan = make_plan(EDGES[name], STORE, Wish(have=EQUIPMENT), draws=draw(EDGES[name], 256))
    _finite(json.loads(json.dumps(plan_json(plan), allow_nan=False)))
    for m in plan.methods:
        for q in m.points:
            assert 0 <= q.fresh.p05 <= q.fresh.p95 <= 1 + 1e-9
            assert q.efficiency <= 1 + 1e-9
    _check_choice(plan)


def test_a_thin_chain_and_none_are_nearly_the_same() -> None:
    none = make_plan(replace(CARRIER, cooler_loop=litres(0.0)))
    thin = make_plan(replace(CARRIER, cooler_loop=litres(0.001)))
    a, b = (points_of(p, "line-discharge") for p in (none, thin))
    for x, y in zip(a, b, strict=True):
        assert x.fresh.p50 == pytest.approx(y.fresh.p50, abs=1e-3)
