"""The fluid by its age today: a reading and a service of the same day count in full."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from pastkit import TODAY, even, limited, on, read, serviced
from sumpwright.planning.clock import YEAR
from sumpwright.planning.machine import ServiceLimit
from sumpwright.records.ages import ages_of, mean_age
from sumpwright.records.books import total_on
from sumpwright.records.due import machine_due
from sumpwright.records.policies import outlook
from sumpwright.records.store import Store
from sumpwright.records.told import ToldService, make

NOON = datetime(TODAY.year, TODAY.month, TODAY.day, 12, tzinfo=UTC)


def test_a_reading_of_today_is_what_the_meter_shows_now(store: Store) -> None:
    store.machines.add(limited())
    read(store, [(on(2020), 10.0), (on(2024), 80_000.0), (NOON, 100_000.0)])
    serviced(store, on(2020), done="filled", volume=0.009)
    found = machine_due(store, "Carrier 2", TODAY)
    meter = found.meters.distance
    assert total_on(meter, TODAY) == 1e8
    # The day before it is between the two readings, and the day after it goes on.
    assert 9.9e7 < total_on(meter, TODAY - timedelta(days=1)) < 1e8
    assert total_on(meter, TODAY + timedelta(days=30)) > 1e8
    ages = ages_of(found.systems[0], "normal", TODAY)
    assert ages is not None
    assert mean_age(ages.groups[-1]) == pytest.approx(1e8 - 1e4, abs=1.0)


def test_what_was_done_today_is_not_yet_to_come(store: Store) -> None:
    store.machines.add(limited(ServiceLimit("replace", period=1e8)))
    serviced(store, NOON, done="filled", volume=0.009)
    found = machine_due(store, "Carrier 2", TODAY)
    ages = ages_of(found.systems[0], "normal", TODAY)
    assert ages is not None
    assert mean_age(ages.groups[-1]) == 0.0
    assert found.items[0].limits[0].age == 0.0


def test_ages_are_by_the_limit_that_comes_first(store: Store) -> None:
    store.machines.add(limited(ServiceLimit("replace", distance=6e7, period=2.0 * YEAR)))
    even(store, per_year=2900.0, upto=1.6e4, years=5)
    serviced(store, on(2020, 4, 1), done="filled", odometer=2e6)
    serviced(store, on(2023, 3, 1), volume=0.0041, odometer=1.02e7)
    ages = ages_of(machine_due(store, "Carrier 2", TODAY).systems[0], "normal", TODAY)
    assert ages is not None
    assert (ages.measure, ages.limit) == ("time", 2.0 * YEAR)
    assert str(ages.by).startswith("of the limits 2 years comes first: 60 000 km takes 20.7 years")
    assert ages.habit is not None
    assert "older than 2 years" in str(ages.habit)
    # A machine of ten times the use is limited by the distance.
    store.machines.add(limited(ServiceLimit("replace", distance=6e7, period=2.0 * YEAR), name="B"))
    read(store, [(on(2020, 4, 1), 2e3), (on(2025, 2, 1), 1.72e5)], machine="B")
    told = {"system": "gearbox", "done": "filled", "odometer": 2e6}
    store.told.add("B", make(ToldService, told), on(2020, 4, 1))
    fast = ages_of(machine_due(store, "B", TODAY).systems[0], "normal", TODAY)
    assert fast is not None
    assert (fast.measure, fast.limit) == ("distance", 6e7)


def test_the_long_run_starts_from_the_reading_of_today(store: Store) -> None:
    store.machines.add(limited())
    even(store, upto=99_000.0)
    read(store, [(NOON, 100_000.0)])
    serviced(store, on(2024, 6, 1), done="filled", volume=0.009)
    long = outlook(store, "Carrier 2", now=TODAY, horizon=1.0, intervals=[9e8])
    meters = machine_due(store, "Carrier 2", TODAY).meters
    assert meters.distance.track is not None
    filled = meters.distance.track.at(on(2024, 6, 1).timestamp())
    # Within a second nothing is driven: the peak is the age of the fluid today.
    assert long.table.horizon_peak[0, 0] == pytest.approx(1e8 - filled, abs=10.0)
