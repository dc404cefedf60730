"""Costs of machines, prices over time, and next year's need."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest

from sumpwright.errors import Complaint
from sumpwright.planning.basket import buy
from sumpwright.planning.clock import YEAR
from sumpwright.planning.costs import Coming, Price, Spent, machine_costs, need, price_histories
from sumpwright.planning.due import Dates, DueItem
from sumpwright.planning.machine import Offer

NOW = date(2025, 1, 1)


def _item(name: str, *days: date | None, action: str = "replace") -> DueItem:
    return DueItem(name, "gearbox", action, Dates(*days), "distance", ())  # type: ignore[arg-type]


def test_costs_by_machine_and_year_add_up() -> None:
    spent = [
        Spent(date(2024, 3, 1), "Van 1", 80.0, fluid="Cable Green 7", volume=0.008),
        Spent(date(2024, 3, 1), "Van 1", 4.5, "crush washer"),
        Spent(date(2025, 1, 1), "Van 1", 40.0, fluid="Cable Green 7", volume=0.004),
        Spent(date(2024, 7, 1), "Carrier 2", 300.0, fluid="Rope Amber 3", volume=0.03),
    ]
    rows = machine_costs(spent)
    assert [(r.machine, r.year, r.total) for r in rows] == [
        ("Carrier 2", 2024, 300.0),
        ("Van 1", 2024, 84.5),
        ("Van 1", 2025, 40.0),
    ]
    assert sum(r.total for r in rows) == sum(s.amount for s in spent)
    assert sum(r.volume for r in rows) == pytest.approx(0.042)
    with pytest.raises(Complaint):
        machine_costs([Spent(NOW, "Van 1", -1.0)])


def test_prices_over_time() -> None:
    months = [date(2023, m, 1) for m in range(1, 13)]
    prices = [Price(d, "Cable Green 7", 8000.0 + 100.0 * k) for k, d in enumerate(months)]
    prices[5] = Price(months[5], "Cable Green 7", 20_000.0)
    prices.append(Price(NOW, "Rope Amber 3", 5000.0))
    green, amber = price_histories(prices)
    assert green.latest == 9100.0
    # One odd price does not make a trend: 1200 a year on 9100.
    assert green.change == pytest.approx(1200 / 9100, rel=0.03)
    assert np.isnan(amber.change)


def test_only_offers_of_one_seller_and_size_are_compared() -> None:
    days = [date(2023, 1, 1), date(2023, 7, 1), date(2024, 1, 1), date(2024, 7, 1)]
    bottles = [Price(d, "Cable Green 7", 12_000.0 + 600.0 * k, "Yard store", 0.001)
               for k, d in enumerate(days)]  # fmt: skip
    barrel = Price(date(2023, 10, 1), "Cable Green 7", 7_500.0, "Yard store", 0.02)
    paid = Price(NOW, "Cable Green 7", 9_000.0)
    what_was_paid, asked = price_histories([*bottles, barrel, paid])
    assert (what_was_paid.paid, what_was_paid.latest) == (True, 9_000.0)
    assert (asked.paid, asked.latest, asked.lowest) == (False, 13_800.0, 7_500.0)
    assert asked.change == pytest.approx(1200 / 13_800, rel=0.02)


def test_need_counts_by_the_late_the_likely_and_the_early_day() -> None:
    coming = [
        Coming(_item("Van 1", date(2025, 2, 1), date(2025, 5, 1), date(2025, 9, 1)), "G", 0.012),
        Coming(_item("Van 2", date(2025, 11, 1), date(2026, 2, 1), None), "G", 0.010),
        Coming(_item("Van 3", date(2024, 1, 1), date(2024, 5, 1), date(2024, 9, 1)), "G", 0.008),
        Coming(_item("Gen", None, None, None), "G", 0.005, make_up=0.001),
        Coming(_item("Van 4", NOW, NOW, NOW, action="inspect"), "G", 0.009),
    ]
    [green] = need(coming, NOW)
    assert green.low == pytest.approx(0.021)
    assert green.likely == pytest.approx(0.021)
    assert green.high == pytest.approx(0.031)
    assert green.machines == ("Van 1", "Van 2", "Van 3", "Gen")


def test_need_of_frequent_changes() -> None:
    often = Coming(_item("Gen", NOW, NOW, NOW), "E", 0.005, gap=YEAR / 4)
    [engine] = need([often], NOW)
    assert engine.likely == pytest.approx(5 * 0.005)


def test_what_is_overdue_is_counted_once_and_then_from_today() -> None:
    long_ago = date(2022, 1, 1)
    overdue = Coming(_item("Gen", long_ago, long_ago, long_ago), "E", 0.005, gap=0.75 * YEAR)
    [engine] = need([overdue], NOW)
    assert engine.likely == pytest.approx(2 * 0.005)


def test_need_goes_straight_into_the_basket() -> None:
    coming = [Coming(_item("Van 1", NOW, NOW, NOW), "Cable Green 7", 0.012)]
    [green] = need(coming, NOW)
    offers = [Offer("Cable Green 7", "A", 0.005, 40.0), Offer("Cable Green 7", "A", 0.001, 9.0)]
    basket = buy(green.likely, offers)
    assert basket is not None
    assert basket.volume >= green.likely
