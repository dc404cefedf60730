"""The JSON of a plan has exactly the keys that others rely on."""

from __future__ import annotations

import json
from typing import Any

import pytest

from random_sheets import FLUID, L, litres
from sumpwright.display import Display
from sumpwright.planning.machine import Machine, Offer, Sheet, WetSystem
from sumpwright.planning.outcome import Wish
from sumpwright.planning.plan import make_plan
from sumpwright.planning.report import plan_json, plan_summary, plan_warnings

BOX = WetSystem("gearbox", "automatic", litres(9.2), drain=litres(4.1), fluid=FLUID)
OFFERS = (
    Offer(FLUID, "Yard store", 1 * L, 11.40),
    Offer(FLUID, "Yard store", 5 * L, 48.00, carriage=6.0),
)
SHEET = Sheet(
    Machine("Carrier 2", (BOX,)),
    offers=OFFERS,
    pump_vessel=2 * L,
    catch_vessel=6 * L,
    currency="crowns",
    warnings=("sheet:3: doubtful",),
)

PROMISED = {
    "system",
    "target",
    "confidence",
    "methods",
    "recommended",
    "flat_point",
    "basket",
    "largest_safe_discharge_l",
    "catch_vessel_l",
    "bound",
    "assumptions",
}
BESIDES = {"machine", "kind", "fluid", "currency", "handling", "kit", "time_basis", "warnings"}
POINT = {
    "cycles",
    "new_fluid_l",
    "waste_l",
    "fresh",
    "cost",
    "minutes",
    "gain_per_l",
}
POINT_BESIDES = {"new_fluid_high_l", "probability", "fluid_efficiency", "best"}
RECOMMENDED = {"method", "cycles", "new_fluid_l", "fresh", "cost", "probability", "reason"}
RECOMMENDED_BESIDES = {"title", "minutes", "helpers", "reached"}


@pytest.fixture(scope="module")
def data() -> dict[str, Any]:
    plan = make_plan(BOX, OFFERS, Wish(target=0.8))
    written: dict[str, Any] = json.loads(json.dumps(plan_json(plan, SHEET), allow_nan=False))
    return written


def test_the_keys_are_those_promised_and_no_other_unawares(data: dict[str, Any]) -> None:
    assert set(data) == PROMISED | BESIDES
    assert set(data["recommended"]) == RECOMMENDED | RECOMMENDED_BESIDES
    for method in data["methods"]:
        assert {"method", "points"} <= set(method)
        for point in method["points"]:
            assert set(point) == POINT | POINT_BESIDES
            assert set(point["fresh"]) == {"p05", "p50", "p95"}
    for row in data["assumptions"]:
        assert {"name", "range", "origin"} <= set(row)
        low, high = row["range"]
        assert low <= high


def test_the_methods_go_by_the_promised_names(data: dict[str, Any]) -> None:
    names = [m["method"] for m in data["methods"]]
    assert {"drain-and-refill", "line-discharge"} <= set(names)
    assert len(set(names)) == len(names)


def test_the_recommendation_is_one_of_the_points(data: dict[str, Any]) -> None:
    best = data["recommended"]
    (method,) = [m for m in data["methods"] if m["method"] == best["method"]]
    (point,) = [p for p in method["points"] if p["cycles"] == best["cycles"]]
    for key in ("new_fluid_l", "fresh", "cost", "probability"):
        assert point[key] == best[key]
    assert best["cost"] == data["basket"]["total"]
    assert method["flat_point"] == data["flat_point"]


def test_volumes_are_litres_and_gains_are_shares_per_litre(data: dict[str, Any]) -> None:
    (drain,) = [m for m in data["methods"] if m["method"] == "drain-and-refill"]
    first, second = drain["points"][:2]
    assert first["new_fluid_l"] == 4.1
    assert first["gain_per_l"] == pytest.approx(1 / 9.2, rel=1e-9)
    assert second["gain_per_l"] == pytest.approx((1 - 4.1 / 9.2) / 9.2, rel=1e-9)
    chosen = data["recommended"]["new_fluid_l"]
    assert data["bound"] == pytest.approx(max(0.0, 1 - chosen / 9.2), abs=1e-9)


def test_the_basket_adds_up(data: dict[str, Any]) -> None:
    basket = data["basket"]
    assert sum(r["sum"] for r in basket["lines"]) + basket["carriage"] == pytest.approx(
        basket["total"], abs=0.005
    )
    bought = sum(r["count"] * r["size_l"] for r in basket["lines"])
    assert bought == pytest.approx(basket["volume_l"])
    assert basket["volume_l"] - basket["need_l"] == pytest.approx(basket["left_over_l"])


def test_the_sheet_adds_its_vessels_money_and_warnings(data: dict[str, Any]) -> None:
    assert (data["machine"], data["currency"]) == ("Carrier 2", "crowns")
    assert data["warnings"] == ["sheet:3: doubtful"]
    assert data["handling"]["pump_refills"] == -(-data["recommended"]["new_fluid_l"] // 2.0)
    bare = plan_json(make_plan(BOX))
    assert (bare["machine"], bare["currency"], bare["basket"]) == (None, None, None)
    assert bare["recommended"]["cost"] is None


def test_a_summary_is_the_plan_without_its_tables() -> None:
    plan = make_plan(BOX, OFFERS)
    whole, kept = plan_json(plan), plan_summary(plan)
    assert kept == {key: whole[key] for key in kept}
    assert "methods" not in kept
    assert kept["recommended"]["method"] == plan.chosen.method.name


def test_what_stands_in_the_way_is_said_in_the_units_of_the_reader() -> None:
    box = WetSystem(
        "gearbox",
        "automatic",
        litres(9.2),
        drain=litres(4.1),
        sump=litres(4.8),
        cooler_loop=litres(0.7),
        pickup_reserve=litres(1.5),
        fluid=FLUID,
        discharge=litres(4.0),
    )
    little = (Offer(FLUID, "Yard store", 1 * L, 11.40, stock=2),)
    sheet = Sheet(Machine("Carrier 2", (box,)), offers=little, catch_vessel=1 * L)
    plan = make_plan(box, little, Wish(target=0.8, methods=("line-discharge",)))
    vessel, stock, discharge = plan_json(plan, sheet, Display("us"))["warnings"]
    assert vessel.startswith("the catch vessel of 1.06 US qt is too small")
    assert stock.startswith("the offers do not hold the ")
    assert "add offers or stock" in stock
    assert discharge.startswith("a discharge of 4.23 US qt would draw on the pick-up reserve: ")
    assert f"{plan.safe / L:.2f} L is planned" in str(plan_warnings(plan, sheet)[2])
