"""The plan: every method, cycle by cycle, and what to do."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from sumpwright.errors import Complaint
from sumpwright.physics.circuit import Array
from sumpwright.physics.exchange import displacement_bound
from sumpwright.planning.assumptions import ORIGIN, Times
from sumpwright.planning.basket import Basket, Shelf
from sumpwright.planning.draws import Assumption, Draws, draw
from sumpwright.planning.kit import CATCH_MARGIN
from sumpwright.planning.machine import Offer, WetSystem
from sumpwright.planning.methods import (
    METHODS,
    Cycle,
    Method,
    applicable,
    bottle,
    minutes,
    step_volume,
)
from sumpwright.planning.outcome import (
    FLAT_POINTS,
    LONGEST,
    FlatPoint,
    MethodPlan,
    Point,
    Quantiles,
    Wish,
    chance,
    percent,
    points,
)
from sumpwright.planning.said import said
from sumpwright.planning.trails import Trails


@dataclass(frozen=True)
class Plan:
    """Everything that planning found out about one wet system."""

    system: WetSystem
    wish: Wish
    methods: tuple[MethodPlan, ...]
    chosen: MethodPlan
    point: Point
    reached: bool
    reason: str
    assumptions: tuple[Assumption, ...]
    times: tuple[Assumption, ...]
    safe: float
    catch_vessel: float
    draws: Draws

    @property
    def flat_point(self) -> FlatPoint | None:
        """Flat point of the recommended method."""
        return self.chosen.flat_point


def make_plan(
    system: WetSystem,
    offers: Sequence[Offer] = (),
    wish: Wish | None = None,
    spare: float = 0.0,
    draws: Draws | None = None,
    times: Times | None = None,
    *,
    trails: Trails | None = None,
    shelf: Shelf | None = None,
) -> Plan:
    """Plan the change of the fluid of one wet system.

    Parameters
    ----------
    system : WetSystem
    offers : sequence of Offer
        Offers of any fluid; those of the system's fluid are used.
    wish : Wish, optional
    spare : float
        Share bought beyond the need, for loss.
    draws : Draws, optional
        Draws to use instead of fresh ones, such as those that samples have
        reweighted.
    times : Times, optional
    trails : Trails, optional
        Of an earlier plan for the same system, whose draws are then used.
    shelf : Shelf, optional
        Of an earlier plan with the same offers, fluid and spare.

    Returns
    -------
    Plan

    Raises
    ------
    Complaint
        If the numbers contradict each other, or no method can be used.

    Examples
    --------
    >>> from sumpwright.planning.machine import Span
    >>> box = WetSystem("box", "automatic", Span(9.2e-3, 9.2e-3), Span(4.1e-3, 4.1e-3))
    >>> plan = make_plan(box, wish=Wish(target=0.5))
    >>> plan.point.fresh.p50 > 0.5
    True
    """
    wish = wish or Wish()
    times = times or Times()
    trails = trails or Trails(draws or draw(system))
    draws = trails.draws
    basket_for = (shelf or Shelf(offers, system.fluid, spare)).basket
    size = bottle(system, draws.safe)
    flow = system.flow.mid if system.flow else times.flow_l_per_min * 1e-3 / 60.0
    plans: list[MethodPlan] = []
    for method in METHODS:
        if wish.methods is not None and method.name not in wish.methods:
            continue
        unusable = applicable(method, system, draws.safe)
        if unusable:
            plans.append(MethodPlan(method, (), 0.0, (), (), None, unusable))
            continue
        step = step_volume(method, size, draws)
        endless = trails.cycles(method, step)
        cycles = list(itertools.islice(endless, wish.cycles))
        clock = partial(minutes, method, times=times, flow=flow)
        made = tuple(_points(cycles, step, draws, wish, clock, basket_for))
        own = tuple(
            draws.method_assumptions[n] for n in method.uses if n in draws.method_assumptions
        )
        missing = tuple(n for n in method.needs if n not in wish.have)
        flat = _flat_point(method, itertools.chain(cycles, endless), wish, basket_for)
        plans.append(MethodPlan(method, made, step if method.line else 0.0, own, missing, flat))
    usable = [p for p in plans if p.points]
    if not usable:
        raise Complaint(
            "none of the methods asked for can be used on this system: "
            + "; ".join(f"{p.method.name}: {p.unusable}" for p in plans),
            "leave --method out to see those that can",
            field="method",
        )
    usable = _mark_best(usable)
    chosen, point, reached = _choose(usable, wish)
    by_name = {p.method.name: p for p in usable}
    ordered = tuple(by_name.get(p.method.name, p) for p in plans)
    largest = max(q.largest_release for q in chosen.points)
    return Plan(
        system=system,
        wish=wish,
        methods=ordered,
        chosen=chosen,
        point=point,
        reached=reached,
        reason=_reason(chosen, point, reached, wish, usable, system.cooler_loop is None),
        assumptions=draws.assumptions,
        times=_time_basis(times, system),
        safe=draws.safe,
        catch_vessel=CATCH_MARGIN * largest,
        draws=draws,
    )


def _points(
    cycles: Sequence[Cycle],
    step: float,
    draws: Draws,
    wish: Wish,
    clock: Callable[[int, float], float],
    basket_for: Callable[[float], Basket | None],
) -> list[Point]:
    points = []
    before, used = 0.0, 0.0
    for cycle in cycles:
        fresh = Quantiles.of(cycle.fresh)
        new, high = _typical(cycle.new_fluid)
        gain = fresh.p50 - before
        bound = displacement_bound(cycle.new_fluid, draws.circuit.capacity)
        reach = np.minimum(1.0, cycle.new_fluid / draws.circuit.capacity)
        points.append(
            Point(
                cycles=cycle.number,
                fresh=fresh,
                probability=float(np.mean(_at_least(cycle.fresh, wish.target))),
                new_fluid=new,
                new_fluid_high=high,
                waste=_typical(cycle.waste)[0],
                gain=gain,
                gain_per_volume=gain / max(new - used, 1e-12),
                minutes=clock(cycle.number, (cycle.number - 1) * step),
                basket=basket_for(high),
                bound=float(bound.min()),
                efficiency=float(np.median(cycle.fresh / reach)),
                largest_release=cycle.largest_release,
            )
        )
        before, used = fresh.p50, new
    return points


def _at_least(fresh: Array, target: float) -> NDArray[np.bool_]:
    # A target that is met exactly is met, whatever the last binary digit says.
    return fresh >= target - 1e-12


def _typical(volume: Array) -> tuple[float, float]:
    q = Quantiles.of(volume)
    return q.p50, q.p95


def _mark_best(plans: list[MethodPlan]) -> list[MethodPlan]:
    """Mark the points that no other beats on fluid, money, time and fresh share."""
    flat = [(i, j, q) for i, p in enumerate(plans) for j, q in enumerate(p.points)]
    table = np.array([(*_price_key(q, _offered(plans)), -q.fresh.p50) for _, _, q in flat])
    table = np.round(table, 9)
    no_worse = (table[:, None, :] <= table[None, :, :]).all(axis=2)
    better = (table[:, None, :] < table[None, :, :]).any(axis=2)
    beaten = np.any(no_worse & better, axis=0)
    best = {(i, j) for (i, j, _), lost in zip(flat, list(beaten), strict=True) if not lost}
    return [
        replace(p, points=tuple(replace(q, best=(i, j) in best) for j, q in enumerate(p.points)))
        for i, p in enumerate(plans)
    ]


def _choose(plans: list[MethodPlan], wish: Wish) -> tuple[MethodPlan, Point, bool]:
    may = [p for p in plans if p.eligible] or plans
    pairs = [(p, q) for p in may for q in p.points]
    good = [(p, q) for p, q in pairs if q.probability >= wish.confidence]
    if good:
        offered = _offered(plans)
        p, q = min(good, key=lambda pq: _price_key(pq[1], offered))
        return p, q, True
    p, q = max(pairs, key=lambda pq: (pq[1].probability, pq[1].fresh.p05, -pq[1].new_fluid))
    return p, q, False


def _offered(plans: Sequence[MethodPlan]) -> bool:
    return any(q.cost is not None for p in plans for q in p.points)


def _price_key(q: Point, offered: bool) -> tuple[float, float, float]:
    """Money, fluid, minutes; what the offers do not cover is dearer than all that they do."""
    cost = q.cost if q.cost is not None else (np.inf if offered else 0.0)
    return (round(cost, 9), round(q.new_fluid, 9), q.minutes)


def _clearly_less(x: Point, q: Point) -> bool:
    if x.cost is not None and q.cost is not None and x.cost < q.cost:
        return True
    return x.new_fluid < 0.9 * q.new_fluid


def _flat_point(
    method: Method,
    cycles: Iterable[Cycle],
    wish: Wish,
    basket_for: Callable[[float], Basket | None],
) -> FlatPoint | None:
    before: tuple[int, float, float, float] | None = None
    for cycle in itertools.islice(cycles, LONGEST):
        fresh = Quantiles.of(cycle.fresh).p50
        new, high = _typical(cycle.new_fluid)
        if before is not None:
            number, old_fresh, old_new, old_high = before
            gain = fresh - old_fresh
            cost = _step_cost(old_high, high, basket_for)
            if wish.worth_per_point is not None and cost is not None:
                # Whole containers make one cycle look free and the next one dear, by what is
                # left in the last one: it is flat where both the fluid that it uses and the
                # money that it asks for are more than it is worth.
                worth = gain * 100 * wish.worth_per_point
                flat = worth < cost and worth < _fluid_cost(old_high, high, basket_for)
                rule = "less than {worth:money} a point makes it worth"
            else:
                flat = gain * 100 < FLAT_POINTS
                rule = f"less than {FLAT_POINTS:g} points"
            if flat:
                money = "" if cost is None else " for {cost:money} more of containers"
                return FlatPoint(
                    method.name,
                    number,
                    old_new,
                    gain,
                    cost,
                    said(
                        f"after {number}, the next cycle adds {points(gain)} points{money}: {rule}",
                        cost=cost,
                        worth=wish.worth_per_point,
                    ),
                )
        before = (cycle.number, fresh, new, high)
    return None


def _step_cost(
    low: float, high: float, basket_for: Callable[[float], Basket | None]
) -> float | None:
    """What one more cycle adds to the money for whole containers, as the table has it."""
    before, after = basket_for(low), basket_for(high)
    return None if before is None or after is None else after.total - before.total


def _fluid_cost(low: float, high: float, basket_for: Callable[[float], Basket | None]) -> float:
    """Cost of the fluid that one more cycle uses, at the price per volume of the larger basket."""
    basket = basket_for(high)
    if basket is None or basket.volume <= 0:
        return 0.0
    return basket.total / basket.volume * (high - low)


def _reason(
    chosen: MethodPlan,
    q: Point,
    reached: bool,
    wish: Wish,
    plans: list[MethodPlan],
    no_line_given: bool,
) -> str:
    share, sure = percent(wish.target), percent(wish.confidence)
    if not reached:
        return (
            f"No method at hand reaches {share} fresh with {sure} confidence in {wish.cycles} "
            f"cycles; this comes nearest. Raise the number of cycles, lower the target, or "
            f"measure what is assumed."
        )
    price = "the least money" if q.cost is not None else "the least new fluid"
    short = " The offers do not hold that much." if q.cost is None and _offered(plans) else ""
    text = (
        f"{price[0].upper()}{price[1:]} for which at least {share} of the fluid is fresh with "
        f"{sure} confidence (here {chance(q.probability)}).{short}"
    )
    others = [
        x
        for p in plans
        if p is not chosen and p.eligible
        for x in p.points
        if x.probability >= wish.confidence
    ]
    if not others and wish.methods is None:
        text += " No other method at hand reaches it."
    lacking = [
        (p, x) for p in plans if p.missing for x in p.points if x.probability >= wish.confidence
    ]
    if lacking:
        p, x = min(lacking, key=lambda px: _price_key(px[1], _offered(plans)))
        if _clearly_less(x, q):
            text += f" With {' and '.join(p.missing)} at hand, {p.method.name} would use less."
    if chosen.method.line and no_line_given:
        text += " It presumes a cooler line that can be opened; the sheet gives none: look first."
    return text


def _time_basis(times: Times, system: WetSystem) -> tuple[Assumption, ...]:
    rows = [
        Assumption(f"minutes to {label}", value, value, "min", ORIGIN.partition("; ")[2])
        for label, value in (
            ("set up and make safe", times.set_up),
            ("drain", times.drain),
            ("refill", times.refill),
            ("drive between rounds", times.drive),
            ("open the cooler line", times.open_line),
            ("close the cooler line", times.close_line),
            ("set the level", times.level),
        )
    ]
    if system.flow is None:
        flow = times.flow_l_per_min
        rows.append(
            Assumption("flow through the line", flow, flow, "L/min", "common practice, no source")
        )
    return tuple(rows)
