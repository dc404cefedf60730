from __future__ import annotations

import pytest

from sumpwright.planning.basket import Shelf
from sumpwright.planning.draws import draw
from sumpwright.planning.outcome import Wish
from sumpwright.planning.plan import make_plan
from sumpwright.planning.report import plan_json
from sumpwright.planning.trails import Trails
from yardkit import carrier


@pytest.mark.parametrize(
    "wish", [Wish(), Wish(0.8, 0.95, cycles=4), Wish(0.97, 0.5, cycles=12, worth_per_point=2.0)]
)
def test_a_remembered_trail_gives_the_same_plan(wish: Wish) -> None:
    sheet = carrier()
    system = sheet.machine.systems[0]
    trails = Trails(draw(system, 256))
    shelf = Shelf(sheet.offers, system.fluid)
    make_plan(system, sheet.offers, Wish(0.6, cycles=6), trails=trails, shelf=shelf)
    again = make_plan(system, sheet.offers, wish, trails=trails, shelf=shelf)
    fresh = make_plan(system, sheet.offers, wish, draws=draw(system, 256))
    assert plan_json(again, sheet) == plan_json(fresh, sheet)
