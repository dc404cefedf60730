"""Long-run policies from the books of a yard."""

from __future__ import annotations

import pytest

from pastkit import INSPECT, TODAY, even, limited, on, serviced
from sumpwright.errors import Complaint
from sumpwright.planning.clock import YEAR
from sumpwright.planning.machine import ServiceLimit
from sumpwright.planning.plan import make_plan
from sumpwright.records.due import machine_due
from sumpwright.records.policies import methods_of, outlook
from sumpwright.records.store import Store
from sumpwright.records.told import ToldUse, make


def test_policies_rest_on_the_limit_the_use_and_the_books(store: Store) -> None:
    store.machines.add(limited())
    even(store)
    serviced(store, on(2019), done="filled", odometer=3.7e7)
    serviced(store, on(2024, 3, 1), volume=0.0041, odometer=1.4e8)
    found = outlook(store, "Carrier 2", now=TODAY)
    assert (found.measure, found.limit) == ("distance", 6e7)
    assert found.per_year == pytest.approx(2e7, rel=1e-6)
    assert found.priced
    share = 0.0041 / 0.0092
    assert found.habit is not None
    assert found.habit.share == pytest.approx(share)
    assert found.habit.interval == pytest.approx(1.03e8)
    names = [method.name for method in found.table.methods]
    assert names[0] == "drain-and-refill × 1"
    assert len(names) == len(set(names))
    # The longest interval that keeps to the limit is among them, for every method.
    for row, method in enumerate(found.table.methods):
        longest = method.share * 6e7
        within = found.table.intervals[found.table.within[row]].max()
        assert longest - 1e6 <= within <= longest
    best = found.cheapest
    assert best is not None
    assert best["within"]
    rows = [r for r in found.table.rows() if r["within"]]
    assert best["cost_per_year"] == min(r["cost_per_year"] for r in rows)


def test_a_service_is_charged_with_what_it_uses(store: Store) -> None:
    store.machines.add(limited())
    kept = store.machines.get("Carrier 2")
    plan = make_plan(kept.system(), kept.sheet.offers)
    methods, priced = methods_of(plan)
    assert priced
    point = plan.methods[0].points[0]
    assert point.basket is not None
    per_volume = point.basket.total / point.basket.volume
    assert methods[0].cost == pytest.approx(per_volume * 0.0041)
    assert methods_of(make_plan(kept.system()))[1] is False


def test_without_readings_the_calendar_counts_and_the_scale_can_be_chosen(store: Store) -> None:
    store.machines.add(limited())
    assert outlook(store, "Carrier 2", now=TODAY).measure == "time"
    with pytest.raises(Complaint, match="use of this machine in a year is not known") as caught:
        outlook(store, "Carrier 2", now=TODAY, measure="distance")
    assert "sumpwright use" in caught.value.do
    store.told.add("Carrier 2", make(ToldUse, {"distance": (1e7, 3e7)}), on(2025))
    serviced(store, on(2024, 3, 1), volume=0.0041, odometer=1.4e8)
    assert outlook(store, "Carrier 2", now=TODAY).measure == "distance"
    by_time = outlook(store, "Carrier 2", now=TODAY, measure="time")
    assert (by_time.limit, by_time.per_year) == (4.0 * YEAR, YEAR)
    with pytest.raises(Complaint, match="no replace limit by hours"):
        outlook(store, "Carrier 2", now=TODAY, measure="hours")


def test_a_sheet_without_a_replace_limit_is_asked_for_one(store: Store) -> None:
    store.machines.add(limited(INSPECT))
    with pytest.raises(Complaint, match="nothing of when") as caught:
        outlook(store, "Carrier 2", "gearbox")
    assert "[[system.limit]]" in caught.value.do
    with pytest.raises(Complaint, match="no wet system"):
        outlook(store, "Carrier 2", "axle")


def test_without_offers_fluid_decides(store: Store) -> None:
    sheet = limited(ServiceLimit("replace", period=4.0 * YEAR), fluid="Rope Amber 3")
    store.machines.add(sheet)
    found = outlook(store, "Carrier 2", now=TODAY, intervals=[YEAR, 4.0 * YEAR])
    assert not found.priced
    assert found.table.intervals.tolist() == [YEAR, 4.0 * YEAR]
    best = found.cheapest
    assert best is not None
    rows = [r for r in found.table.rows() if r["within"]]
    assert best["volume_per_year"] == min(r["volume_per_year"] for r in rows)
    assert any("costs are left out" in str(note) for note in found.notes)


def test_a_bound_on_the_oldest_fluid_decides_in_the_long_run_too(store: Store) -> None:
    store.machines.add(limited(ServiceLimit("replace", distance=6e7, tail=0.3)))
    even(store)
    serviced(store, on(2019), done="filled", odometer=3.7e7)
    serviced(store, on(2024, 3, 1), volume=0.0041, odometer=1.4e8)
    found = outlook(store, "Carrier 2", now=TODAY)
    assert found.table.tail == 0.3
    assert any("lets 30 % of the fluid be older than the limit" in str(n) for n in found.notes)
    for row in found.table.rows():
        assert row["within"] == (row["overdue_peak"] <= 0.3)
    # One refill leaves 0.55 of the fluid, so three must come before the oldest is past it.
    assert found.table.intervals[found.table.within[0]].max() == pytest.approx(2e7)
    best = found.cheapest
    assert best is not None
    assert best["overdue_peak"] <= 0.3


SLOW = ServiceLimit("replace", distance=6e7, period=2.0 * YEAR)


def slow(store: Store, *limits: ServiceLimit) -> None:
    """A machine of 2900 km a year, filled five years ago and changed by half two years ago."""
    store.machines.add(limited(*(limits or (SLOW,))))
    even(store, per_year=2900.0, upto=1.6e4, years=5)
    serviced(store, on(2020, 4, 1), done="filled", odometer=2e6)
    serviced(store, on(2023, 3, 1), volume=0.0041, odometer=1.02e7)


def test_the_limit_that_comes_first_decides(store: Store) -> None:
    slow(store)
    found = outlook(store, "Carrier 2", now=TODAY)
    item = next(i for i in machine_due(store, "Carrier 2", TODAY).items if i.action == "replace")
    assert item.limit == "date"
    assert (found.measure, found.limit, found.per_year) == ("time", 2.0 * YEAR, YEAR)
    best = found.cheapest
    assert best is not None
    for row in found.rows:
        assert row["within"] == (row["peak_age"] <= 2.0 * YEAR * (1 + 1e-9))
        past = {pace.measure for pace in row["breaks"]}
        assert ("distance" in past) == (row["peak_age"] / YEAR * 2.9e6 > 6e7 * (1 + 1e-9))
    assert best["interval"] / best["share"] <= 2.0 * YEAR
    assert found.habit is not None
    assert "older than 2 years" in str(found.habit.says)
    assert str(found.notes[0]) == (
        "of the limits 2 years comes first: 60 000 km takes 20.7 years at 2900 km a year"
    )


def test_who_asks_for_a_scale_is_told_which_limits_the_best_policy_breaks(store: Store) -> None:
    slow(store)
    found = outlook(store, "Carrier 2", now=TODAY, measure="distance")
    assert (found.measure, found.limit) == ("distance", 6e7)
    best = found.cheapest
    assert best is not None
    assert [pace.limit for pace in best["breaks"]] == [2.0 * YEAR]
    peak = best["peak_age"] / 2.9e6
    assert any(
        f"breaks the limit of 2 years: at this use the fluid would be {peak:.1f} years old" in n
        for n in map(str, found.notes)
    )
    # A policy that keeps to everything is on the table as well.
    assert any(not row["breaks"] for row in found.rows)


def test_two_limits_that_each_stand_alone_on_the_sheet_both_count(store: Store) -> None:
    slow(
        store,
        ServiceLimit("replace", distance=6e7),
        ServiceLimit("replace", period=2.0 * YEAR, tail=0.2),
    )
    found = outlook(store, "Carrier 2", now=TODAY)
    assert (found.measure, found.table.tail) == ("time", 0.2)
    by_distance = outlook(store, "Carrier 2", now=TODAY, measure="distance")
    assert by_distance.table.tail is None
    assert any("of it older than the limit, where 20 % may be" in str(n) for n in by_distance.notes)


def test_a_limit_that_cannot_be_held_against_the_use_is_named(store: Store) -> None:
    store.machines.add(limited(ServiceLimit("replace", distance=6e7, hours=3.6e6)))
    even(store)
    found = outlook(store, "Carrier 2", now=TODAY)
    assert (found.measure, found.several) == ("distance", False)
    assert any(
        str(note).startswith("the limit of 1000 h is not checked: read the hour meter")
        for note in found.notes
    )
