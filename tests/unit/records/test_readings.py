from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta, timezone

import pytest

from sumpwright.errors import Complaint
from sumpwright.records.jobs import KeptJob
from sumpwright.records.store import Store
from yardkit import START, carrier


def test_readings_come_back_in_order_and_in_utc(store: Store) -> None:
    store.machines.add(carrier())
    east = timezone(timedelta(hours=3))
    store.readings.add("Carrier 2", "odometer", 2e7, START.astimezone(east), by="Otto")
    store.readings.add_many(
        "Carrier 2",
        [("odometer", 1e7, START - timedelta(days=1)), ("hours", 3600.0, START)],
        note="told",
    )
    found = store.readings.of("Carrier 2", "odometer")
    assert [r.value for r in found] == [1e7, 2e7]
    assert found[1].at == START
    assert found[1].at.tzinfo is UTC
    assert [r.what for r in store.readings.of("Carrier 2")].count("hours") == 1


@pytest.mark.parametrize("value", [math.nan, math.inf, -1.0, 1e15])
def test_an_absurd_reading_keeps_the_others_out_too(store: Store, value: float) -> None:
    store.machines.add(carrier())
    with pytest.raises(Complaint):
        store.readings.add_many("Carrier 2", [("hours", 1.0, START), ("odometer", value, START)])
    assert store.readings.of("Carrier 2") == []


def test_what_is_no_reading_of_a_machine(store: Store) -> None:
    store.machines.add(carrier())
    with pytest.raises(Complaint, match="odometer, hours"):
        store.readings.add("Carrier 2", "mood", 1.0, START)
    with pytest.raises(Complaint, match="no machine"):
        store.readings.add("Sledge", "hours", 1.0, START)
    with pytest.raises(Complaint, match="no zone"):
        store.readings.add("Carrier 2", "hours", 1.0, datetime(2025, 1, 1))
    assert store.readings.add_many("Carrier 2", []) == []


def test_a_job_enters_its_readings_and_takes_them_back(store: Store, job: KeptJob) -> None:
    store.jobs.append(job.id, "read", {"what": "odometer", "value": 1.2e8, "unit": "m"})
    store.jobs.append(job.id, "read", {"what": "temperature", "value": 315.0, "unit": "K"})
    store.jobs.append(job.id, "closed", {"odometer": 1.3e8})
    assert [(r.what, r.value, r.job) for r in store.readings.of("Carrier 2")] == [
        ("odometer", 1.2e8, job.id),
        ("odometer", 1.3e8, job.id),
    ]
    store.jobs.undo(job.id)
    assert [r.value for r in store.readings.of("Carrier 2")] == [1.2e8]
