"""An invented machine and helpers that the tests of the records share."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any, Literal

from pgkit import database
from sumpwright.planning.machine import Fluid, Machine, Offer, Plug, Sheet, Span, WetSystem
from sumpwright.records.chain import Event, new_id, seal
from sumpwright.records.jobs import KeptJob
from sumpwright.records.snapshot import sheet_to_plain
from sumpwright.records.store import Store

BACKENDS = ("sqlite", "postgresql")
Backend = Literal["sqlite", "postgresql"]

FLUID = "Cable Green 7"
START = datetime(2025, 3, 1, 9, 30, tzinfo=UTC)


def one(value: float) -> Span:
    return Span(value, value)


def carrier(name: str = "Carrier 2", capacity: float = 0.0092) -> Sheet:
    box = WetSystem(
        "gearbox",
        "torque-converter automatic",
        one(capacity),
        drain=one(0.0041),
        sump=one(0.0048),
        cooler_loop=one(0.0007),
        pickup_reserve=one(0.0015),
        fluid=FLUID,
        window=(311.15, 319.15),
        plugs=(
            Plug("drain", one(27.0), "crush washer", "10 mm hex"),
            Plug("level", Span(18.0, 22.0)),
            Plug("fill"),
        ),
    )
    return Sheet(
        Machine(name, (box,), odometer=1.2e8),
        (Fluid(FLUID, 846.0, 29.6e-6, 6.0e-6),),
        (
            Offer(FLUID, "Yard store", 0.001, 11.4),
            Offer(FLUID, "Valley depot", 0.005, 48.0, 6.0, 3),
        ),
    )


OPENED: dict[str, Any] = {
    "machine": "01890a5d-ac96-774b-bcce-b302099a8057",
    "system": "gearbox",
    "sheet": sheet_to_plain(carrier()),
    "method": "drain-and-refill",
    "target": 0.9,
    "confidence": 0.9,
}


class Log:
    """A log made in memory, one minute between its entries."""

    def __init__(self, job: str = "") -> None:
        self.job = job or new_id()
        self.events: list[Event] = []
        self.add("opened", OPENED)

    def add(self, kind: str, body: dict[str, Any] | None = None, by: str = "Ines") -> Event:
        seq = len(self.events) + 1
        prev = self.events[-1].hash if self.events else ""
        at = START + timedelta(minutes=seq)
        event = seal(new_id(), self.job, seq, at, by, kind, body or {}, prev)
        self.events.append(event)
        return event


@contextmanager
def fresh_target(folder: Path, backend: Backend = "sqlite") -> Iterator[str]:
    """Give the address of a database that is not there yet, or has no tables."""
    if backend == "sqlite":
        yield str(folder / "yard.db")
        return
    with database() as address:
        yield address


@cache
def empty_database() -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "yard.db"
        Store.open(path).close()
        return path.read_bytes()


@contextmanager
def ready_target(folder: Path, backend: Backend = "sqlite") -> Iterator[str]:
    """Give the address of a database that has its tables, made once and copied."""
    if backend == "sqlite":
        path = folder / "yard.db"
        path.write_bytes(empty_database())
        yield str(path)
        return
    with database(ready=True) as address:
        yield address


def start_job(store: Store, name: str = "Carrier 2") -> KeptJob:
    store.machines.save(carrier(name))
    return store.jobs.start(
        name, method="drain-and-refill", target=0.9, confidence=0.9, by="Ines", at=START
    )
