"""A plan as plain data, in litres and minutes, for other programs and for paper."""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from typing import Any

from sumpwright.display import Display
from sumpwright.planning.basket import Basket
from sumpwright.planning.kit import handling, kit
from sumpwright.planning.machine import Sheet
from sumpwright.planning.outcome import FlatPoint, MethodPlan, Point
from sumpwright.planning.plan import Plan
from sumpwright.planning.said import Said, said, say_all

_L = 1e3


def _litres(volume: float) -> float:
    return round(volume * _L, 6)


def plan_json(
    plan: Plan, sheet: Sheet | None = None, display: Display | None = None
) -> dict[str, Any]:
    """Return a plan as one object.

    Parameters
    ----------
    plan : Plan
    sheet : Sheet, optional
        Gives the vessels at hand, the currency and the warnings.
    display : Display, optional
        Units and money of the sentences and of the kit; metric when left out.

    Returns
    -------
    dict
        See the reference of ``plan --json``. Volumes in litres, shares as
        fractions, gain in fresh share per litre.

    Examples
    --------
    >>> from sumpwright.planning.machine import Span, WetSystem
    >>> from sumpwright.planning.plan import make_plan
    >>> box = WetSystem("box", "automatic", Span(9e-3, 9e-3))
    >>> sorted(plan_json(make_plan(box)))[:4]
    ['assumptions', 'basket', 'bound', 'catch_vessel_l']
    """
    shown = display or Display(currency=sheet.currency if sheet else "")
    q = plan.point
    chosen = plan.chosen
    flat = plan.flat_point
    poured = [0.0, *(p.waste for p in chosen.points[: q.cycles])]
    releases = [after - before for before, after in itertools.pairwise(poured)]
    hand = handling(
        q.new_fluid_high,
        releases,
        chosen.volume,
        sheet.pump_vessel if sheet else None,
        sheet.catch_vessel if sheet else None,
    )
    return {
        "machine": sheet.machine.name if sheet else None,
        "system": plan.system.name,
        "kind": plan.system.kind,
        "fluid": plan.system.fluid or None,
        "currency": (sheet.currency or None) if sheet else None,
        "target": plan.wish.target,
        "confidence": plan.wish.confidence,
        "methods": [_method(m, shown) for m in plan.methods],
        "recommended": {
            "method": chosen.method.name,
            "title": chosen.method.title,
            "cycles": q.cycles,
            "new_fluid_l": _litres(q.new_fluid),
            "fresh": q.fresh.to_json(),
            "cost": None if q.cost is None else round(q.cost, 2),
            "minutes": round(q.minutes),
            "helpers": chosen.method.helpers,
            "probability": q.probability,
            "reached": plan.reached,
            "reason": plan.reason,
        },
        "flat_point": None if flat is None else _flat(flat, shown),
        "basket": None if q.basket is None else _basket(q.basket, q.new_fluid_high),
        "largest_safe_discharge_l": _litres(plan.safe),
        "catch_vessel_l": _litres(plan.catch_vessel),
        "handling": hand.to_json(),
        "kit": [
            i.to_json(shown)
            for i in kit(plan.system, chosen.method, q.cycles, q.new_fluid_high, plan.catch_vessel)
        ],
        "bound": q.bound,
        "assumptions": [a.to_json() for a in plan.assumptions],
        "time_basis": [a.to_json() for a in plan.times],
        "warnings": [
            *(sheet.warnings if sheet else ()),
            *say_all(plan_warnings(plan, sheet), shown),
        ],
    }


def plan_warnings(plan: Plan, sheet: Sheet | None = None) -> tuple[Said, ...]:
    """Return what stands in a plan's way: vessel, stock, or a discharge that is not safe.

    Parameters
    ----------
    plan : Plan
    sheet : Sheet, optional
        Gives the catch vessel and the offers.

    Examples
    --------
    >>> from sumpwright.planning.machine import Machine, Sheet, Span, WetSystem
    >>> from sumpwright.planning.plan import make_plan
    >>> box = WetSystem("box", "automatic", Span(9e-3, 9e-3))
    >>> sheet = Sheet(Machine("Carrier 2", (box,)), catch_vessel=1e-3)
    >>> (small,) = plan_warnings(make_plan(box), sheet)
    >>> str(small)[:40]
    'the catch vessel of 1.00 L is too small:'
    """
    found = []
    vessel = sheet.catch_vessel if sheet else None
    if vessel is not None and vessel < plan.catch_vessel * (1 - 1e-9):
        found.append(
            said(
                "the catch vessel of {has:volume} is too small: {needs:volume} or more is needed "
                "for the largest release with a fifth to spare",
                has=vessel,
                needs=plan.catch_vessel,
            )
        )
    offered = sheet is not None and any(o.fluid == plan.system.fluid for o in sheet.offers)
    if plan.point.basket is None and offered:
        found.append(
            said(
                "the offers do not hold the {needs:volume} of {fluid} that are needed besides "
                "the spare: add offers or stock",
                needs=plan.point.new_fluid_high,
                fluid=plan.system.fluid,
            )
        )
    wanted = plan.system.discharge
    if plan.chosen.method.line and wanted is not None and wanted.low > plan.safe * (1 + 1e-9):
        found.append(
            said(
                "a discharge of {wanted:volume} would draw on the pick-up reserve: {safe:volume} "
                "is planned, the largest that is safe over all ranges",
                wanted=wanted.low,
                safe=plan.safe,
            )
        )
    return tuple(found)


def plan_summary(plan: Plan) -> dict[str, Any]:
    """Return what a job keeps of its plan: the recommendation and the limits.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    dict
        ``recommended``, ``flat_point``, ``basket``, ``largest_safe_discharge_l``,
        ``catch_vessel_l``, ``bound`` and ``assumptions`` as in `plan_json`.

    Examples
    --------
    >>> from sumpwright.planning.machine import Span, WetSystem
    >>> from sumpwright.planning.plan import make_plan
    >>> box = WetSystem("box", "automatic", Span(9e-3, 9e-3))
    >>> "methods" in plan_summary(make_plan(box))
    False
    """
    whole = plan_json(plan)
    keep = (
        "recommended",
        "flat_point",
        "basket",
        "largest_safe_discharge_l",
        "catch_vessel_l",
        "handling",
        "kit",
        "bound",
        "assumptions",
    )
    return {key: whole[key] for key in keep}


def _method(m: MethodPlan, shown: Display) -> dict[str, Any]:
    return {
        "method": m.method.name,
        "title": m.method.title,
        "needs": list(m.method.needs),
        "helpers": m.method.helpers,
        "eligible": m.eligible,
        "unusable": m.unusable or None,
        "discharge_l": _litres(m.volume) if m.method.line else None,
        "points": [_point(q) for q in m.points],
        "flat_point": None if m.flat_point is None else _flat(m.flat_point, shown),
        "assumptions": [a.to_json() for a in m.assumptions],
    }


def _point(q: Point) -> dict[str, Any]:
    return {
        "cycles": q.cycles,
        "new_fluid_l": _litres(q.new_fluid),
        "new_fluid_high_l": _litres(q.new_fluid_high),
        "waste_l": _litres(q.waste),
        "fresh": q.fresh.to_json(),
        "probability": q.probability,
        "cost": None if q.cost is None else round(q.cost, 2),
        "minutes": round(q.minutes, 1),
        "gain_per_l": q.gain_per_volume / _L,
        "fluid_efficiency": q.efficiency,
        "best": q.best,
    }


def _flat(f: FlatPoint, shown: Display) -> dict[str, Any]:
    return {
        "method": f.method,
        "cycles": f.cycles,
        "new_fluid_l": _litres(f.new_fluid),
        "next_gain": f.next_gain,
        "next_cost": None if f.next_cost is None else round(f.next_cost, 2),
        "reason": f.says.say(shown),
    }


def _basket(b: Basket, used: float) -> dict[str, Any]:
    return {
        "need_l": _litres(b.need),
        "volume_l": _litres(b.volume),
        "spare_l": _litres(max(0.0, b.need - used)),
        "left_over_l": _litres(b.left_over),
        "lines": [
            {
                "fluid": line.offer.fluid,
                "seller": line.offer.seller,
                "size_l": _litres(line.offer.size),
                "count": line.count,
                "price": line.offer.price,
                "sum": round(line.price, 2),
            }
            for line in b.lines
        ],
        "carriage": round(b.carriage, 2),
        "total": round(b.total, 2),
    }


LEAST_FOR_LOSS = 0.02
"""Share of the need below which a purchase leaves nothing for loss; common practice, no source."""


def for_loss(basket: Mapping[str, Any]) -> tuple[Said, bool]:
    """Say what a basket of `plan_json` holds beyond the need, and whether that is enough.

    Parameters
    ----------
    basket : mapping
        Its ``need_l`` has the share bought for loss in it; ``spare_l`` is that share,
        ``left_over_l`` what whole containers bring beyond both.

    Returns
    -------
    words : Said
    enough : bool

    Examples
    --------
    >>> words, enough = for_loss({"need_l": 14.66, "spare_l": 0.56, "left_over_l": 0.34})
    >>> print(words, enough)
    0.56 L bought for loss, 0.34 L left over beyond it. True
    >>> print(*for_loss({"need_l": 15.0, "spare_l": 0.0, "left_over_l": 0.0}))
    Nothing is left over for loss. False
    """
    spare, left = basket["spare_l"] / _L, basket["left_over_l"] / _L
    enough = spare + left >= LEAST_FOR_LOSS * (basket["need_l"] / _L - spare)
    if spare > 0:
        text = "{spare:volume} bought for loss, {left:volume} left over beyond it."
    elif left > 0:
        text = "{left:volume} left over for loss."
    else:
        text = "Nothing is left over for loss."
    return said(text, spare=spare, left=left), enough
