from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime

import pytest

from sumpwright.planning.machine import Fluid
from sumpwright.records.mark import yard_mark
from sumpwright.records.store import Store
from yardkit import carrier, start_job

NOW = datetime(2026, 3, 1, tzinfo=UTC)


def change_sheet(store: Store) -> None:
    store.machines.change("Carrier 2", replace(carrier(), spare=0.1))


def close(store: Store) -> None:
    store.jobs.append(store.jobs.all()[0].id, "closed", {})


CHANGES: list[Callable[[Store], object]] = [
    lambda store: store.machines.add(carrier("Another")),
    change_sheet,
    lambda store: store.machines.retire("Carrier 2"),
    lambda store: store.readings.add("Carrier 2", "odometer", 2e8, NOW),
    lambda store: store.fluids.keep((Fluid("Cable Green 7", 850.0),)),
    lambda store: start_job(store, "Carrier 2"),
    close,
]


@pytest.mark.parametrize("change", CHANGES)
def test_every_change_is_seen(store: Store, change: Callable[[Store], object]) -> None:
    start_job(store)
    before = yard_mark(store)
    assert yard_mark(store) == before
    change(store)
    assert yard_mark(store) != before


def test_an_open_job_moves_without_the_books(store: Store) -> None:
    job = start_job(store)
    before = yard_mark(store)
    store.jobs.append(job.id, "drained", {"volume": 0.004})
    assert yard_mark(store) == before
