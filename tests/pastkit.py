"""A machine with a past: limits, readings, services and jobs that tests share."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

from sumpwright.planning.clock import YEAR
from sumpwright.planning.machine import ServiceLimit, Sheet
from sumpwright.records.jobs import KeptJob
from sumpwright.records.store import Store
from sumpwright.records.told import Entry, ToldService, make
from yardkit import FLUID, carrier

REPLACE = ServiceLimit("replace", distance=6e7, severe_distance=4e7, period=4.0 * YEAR)
INSPECT = ServiceLimit("inspect", distance=2e7)
NOW = datetime(2025, 3, 1, tzinfo=UTC)
TODAY = NOW.date()


def on(year: int, month: int = 1, day: int = 1, hour: int = 0) -> datetime:
    return datetime(year, month, day, hour, tzinfo=UTC)


def limited(
    *limits: ServiceLimit, name: str = "Carrier 2", odometer: float | None = None, **system: Any
) -> Sheet:
    """The invented machine with limits on its gearbox."""
    sheet = carrier(name)
    box = replace(sheet.machine.systems[0], limits=limits or (REPLACE, INSPECT), **system)
    return replace(
        sheet, machine=replace(sheet.machine, systems=(box,), odometer=odometer, hours=None)
    )


def read(store: Store, pairs: Sequence[tuple[datetime, float]], machine: str = "Carrier 2") -> None:
    """Enter odometer readings, km."""
    store.readings.add_many(machine, [("odometer", km * 1e3, at) for at, km in pairs])


def even(store: Store, per_year: float = 2e4, upto: float = 1.6e5, years: int = 3) -> None:
    """Read the odometer every month up to now; km."""
    read(
        store,
        [
            (datetime.fromtimestamp(NOW.timestamp() - k * YEAR / 12, UTC), upto - k * per_year / 12)
            for k in range(12 * years)
        ],
    )


def serviced(store: Store, at: datetime, **values: Any) -> Entry[ToldService]:
    """Tell a past service."""
    return store.told.add("Carrier 2", make(ToldService, {"system": "gearbox", **values}), at)


def whole_job(
    store: Store, at: datetime, km: float | None = None, bottles: int = 5, **fill: Any
) -> KeptJob:
    """Carry out a job in which nearly all of the fluid is changed; ``km`` as it closes."""
    job = store.jobs.start("Carrier 2", method="line-discharge", target=0.9, confidence=0.9, at=at)

    def add(kind: str, **body: Any) -> None:
        store.jobs.append(job.id, kind, body, at=at)

    add("drained", volume=0.0041)
    add("filled", volume=0.0041, fluid=FLUID, **fill)
    for _ in range(bottles):
        add("worked", sweeps=3)
        add("discharged", volume=0.002)
        add("filled", volume=0.002, fluid=FLUID)
    add("closed", **({} if km is None else {"odometer": km * 1e3}))
    return store.jobs.get(job.id)
