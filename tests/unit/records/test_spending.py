"""What machines have cost, and what the yard will need, as one basket."""

from __future__ import annotations

from dataclasses import replace

import pytest

from pastkit import TODAY, even, limited, on, serviced, whole_job
from sumpwright.planning.clock import YEAR
from sumpwright.planning.machine import Offer, ServiceLimit
from sumpwright.records.spending import costs, year_need
from sumpwright.records.store import Store
from sumpwright.records.told import ToldExpense, make
from yardkit import FLUID, carrier


def test_costs_are_what_was_paid_and_say_what_was_not_priced(store: Store) -> None:
    store.machines.add(limited())
    whole_job(store, on(2024, 3, 1), price=49.2)
    serviced(store, on(2024, 5, 1), done="topped up", volume=0.0005, price=6.0, fluid=FLUID)
    serviced(store, on(2023, 5, 1), volume=0.004, price=40.0, fluid=FLUID)
    washer = make(ToldExpense, {"amount": 3.5, "what": "crush washer"})
    store.told.add("Carrier 2", washer, on(2024, 3, 1))
    found = costs(store)
    rows = {row.year: row for row in found.by_machine}
    assert (rows[2024].fluid, rows[2024].other) == (pytest.approx(55.2), 3.5)
    assert rows[2024].volume == pytest.approx(0.0146)
    assert rows[2023].total == 40.0
    # Only the first fill of the job had a price: five bottles of 2 L have none.
    assert found.unpriced == {("Carrier 2", 2024): pytest.approx(0.01)}


def test_prices_are_followed_through_fills_and_the_versions_of_sheets(store: Store) -> None:
    store.machines.add(limited())
    dearer = replace(limited(), offers=(Offer(FLUID, "Yard store", 0.001, 13.0),))
    store.machines.change("Carrier 2", dearer)
    store.machines.change("Carrier 2", replace(dearer, spare=0.05))
    serviced(store, on(2023, 5, 1), volume=0.004, price=36.0, fluid=FLUID)
    paid, asked = costs(store).prices
    # 36 for 4 L was paid; asked were 48 for 5 L and 6 of carriage, then 13 for 1 L.
    assert (paid.paid, paid.prices.tolist()) == (True, [pytest.approx(9000.0)])
    assert asked.prices.tolist() == pytest.approx([10_800.0, 13_000.0])
    assert (asked.latest, asked.size) == (13000.0, 0.001)


def test_a_barrel_is_no_bottle_that_became_cheaper_and_carriage_counts(store: Store) -> None:
    store.machines.add(replace(limited(), offers=(Offer(FLUID, "Yard store", 0.001, 12.0),)))
    barrel = Offer(FLUID, "Barrel yard", 0.02, 150.0, 50.0)
    store.machines.change("Carrier 2", replace(limited(), offers=(barrel,)))
    for year in (2023, 2024):
        serviced(store, on(year), volume=0.004, price=48.0, fluid=FLUID)
    serviced(store, on(2025), volume=0.004, price=50.4, fluid=FLUID)
    paid, asked = costs(store).prices
    # 12.00, 12.00 and 12.60 per litre were paid, whatever the barrel is offered at.
    assert paid.latest == pytest.approx(12_600.0)
    assert paid.change == pytest.approx(300.0 / 12_600.0, rel=0.01)
    assert asked.latest == pytest.approx(200.0 / 0.02)
    assert asked.change != asked.change


def test_every_machine_has_a_total_of_all_years(store: Store) -> None:
    store.machines.add(limited())
    serviced(store, on(2023), volume=0.004, price=40.0, fluid=FLUID)
    serviced(store, on(2024), volume=0.005, price=55.0, fluid=FLUID)
    store.told.add("Carrier 2", make(ToldExpense, {"amount": 3.5, "what": "washer"}), on(2024))
    found = costs(store)
    (total,) = found.totals
    assert (total.machine, total.fluid, total.other, total.total) == ("Carrier 2", 95.0, 3.5, 98.5)
    assert total.volume == pytest.approx(sum(row.volume for row in found.by_machine))


def test_next_year_counts_what_is_due_and_the_top_ups(store: Store) -> None:
    store.machines.add(limited(ServiceLimit("replace", period=4.0 * YEAR)))
    serviced(store, on(2021, 6, 1), done="filled", volume=0.0092)
    for month in (3, 9):
        serviced(store, on(2024, month), done="topped up", volume=0.0003)
    found = year_need(store, TODAY)
    (need,) = found.needs
    # Changed once, 9.2 L, and 0.6 L topped up in the three years that count.
    assert need.fluid == FLUID
    assert need.likely == pytest.approx(0.0092 + 0.0002, rel=1e-3)
    assert found.assumed == ()
    assert found.basket.volume(FLUID) >= need.likely
    assert not found.basket.missing
    assert found.covers == ()
    later = year_need(store, TODAY, ahead=0.1 * YEAR)
    assert later.needs[0].likely < 0.001


def test_the_spare_in_the_basket_is_said(store: Store) -> None:
    store.machines.add(replace(limited(ServiceLimit("replace", period=4.0 * YEAR)), spare=0.04))
    serviced(store, on(2021, 6, 1), done="filled", volume=0.0092)
    found = year_need(store, TODAY)
    assert found.spare == {FLUID: 0.04}
    assert [str(line) for line in found.covers] == [
        f"{FLUID}: 9.20 L and 4.0 % to spare for loss, 9.57 L; the containers hold 10.00 L"
    ]


def test_half_changes_come_more_often(store: Store) -> None:
    sheet = limited(ServiceLimit("replace", distance=3e7))
    store.machines.add(sheet)
    even(store, per_year=3e4)
    serviced(store, on(2022), done="filled", odometer=6.5e7)
    serviced(store, on(2024, 9), share=0.5, volume=0.0046, odometer=1.45e8)
    (need,) = year_need(store, TODAY).needs
    # Due already; then every half of 30 000 km, half a year: twice more within the year.
    assert need.likely == pytest.approx(3 * 0.0046)


def test_a_volume_that_is_not_known_is_assumed_and_said(store: Store) -> None:
    store.machines.add(limited(ServiceLimit("replace", period=4.0 * YEAR)))
    serviced(store, on(2020), done="inspected", verdict="replace")
    unnamed = limited(ServiceLimit("replace", period=4.0 * YEAR), name="Van 1", fluid="")
    store.machines.add(unnamed)
    store.machines.add(carrier("Sledge"))
    found = year_need(store, TODAY)
    assert found.assumed == (("Carrier 2", "gearbox"),)
    assert found.unnamed == (("Van 1", "gearbox"),)
    (need,) = found.needs
    assert need.likely >= 0.0041
