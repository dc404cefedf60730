"""Invented fleets at random, with everything that people tell of machines, right and wrong."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

import numpy as np

from pastkit import NOW, limited
from sumpwright.planning.clock import DAY, YEAR
from sumpwright.planning.machine import ServiceLimit, Sheet
from sumpwright.records.store import Store
from sumpwright.records.told import (
    Told,
    ToldDrive,
    ToldExpense,
    ToldMeter,
    ToldReport,
    ToldService,
    ToldTemperatures,
    ToldUse,
    make,
)

Rng = np.random.Generator
PLAIN = "Plain"
"""Beginning of the names of machines of which nothing is kept but readings and services."""


def fill(store: Store, machines: int, seed: int, odd: float = 0.5) -> None:
    """Add machines; a share of them has more in its past than readings and services."""
    rng = np.random.default_rng(seed)
    sheets = []
    for n in range(machines):
        strange = rng.random() < odd
        sheets.append(_sheet(f"{'Odd' if strange else PLAIN} {n}", rng, strange))
    for kept in store.machines.add_all(sheets):
        strange = not kept.name.startswith(PLAIN)
        for what in ("odometer", "hours"):
            readings = _readings(what, rng, strange)
            if readings:
                store.readings.add_many(kept.name, readings)
        told = [_service(rng, strange) for _ in range(rng.integers(0, 6))]
        told += _expenses(rng)
        if strange:
            told += _oddities(rng)
        store.told.add_many(kept.name, told)
        if strange and rng.random() < 0.2:
            system = replace(kept.sheet.machine.systems[0], clean="18/16/13")
            machine = replace(kept.sheet.machine, systems=(system,))
            store.machines.change(kept.name, replace(kept.sheet, machine=machine))
        if strange and rng.random() < 0.1:
            store.machines.retire(kept.name)


def _sheet(name: str, rng: Rng, strange: bool) -> Sheet:
    limits = []
    for action in ("replace", "inspect"):
        if rng.random() < 0.85:
            limits.append(_limit(action, rng, strange))
    hours = 3600.0 * float(rng.integers(10, 4000))
    sheet = limited(name=name)
    system = replace(
        sheet.machine.systems[0],
        limits=tuple(limits),
        thermal_reference=363.15 if strange and rng.random() < 0.3 else None,
    )
    return replace(
        sheet,
        machine=replace(
            sheet.machine,
            systems=(system,),
            odometer=None if rng.random() < 0.6 else float(rng.integers(1, 2000)) * 1e5,
            hours=None if rng.random() < 0.6 else hours,
        ),
    )


def _limit(action: Any, rng: Rng, strange: bool) -> ServiceLimit:
    def some(chance: float, value: float) -> float | None:
        return value if rng.random() < chance else None

    def several(unit: float, low: int, high: int) -> float:
        return unit * float(rng.integers(low, high))

    return ServiceLimit(
        action,
        distance=some(0.7, several(1e6, 5, 90)),
        period=some(0.5, several(365 * DAY if rng.random() < 0.5 else YEAR, 1, 9)),
        hours=some(0.4, several(3600.0, 100, 3000)),
        thermal=some(0.2, 3.6e6) if strange else None,
        severe_distance=some(0.3, several(1e6, 5, 40)),
        severe_period=some(0.2, several(float(YEAR), 1, 3)),
        severe_hours=some(0.3, several(3600.0, 50, 900)),
        tail=float(rng.choice([0.0, 0.1, 0.5]))
        if action == "replace" and rng.random() < 0.3
        else None,
    )


def _moment(rng: Rng, years: float = 8.0) -> datetime:
    back = timedelta(seconds=float(rng.uniform(0, years * YEAR)))
    at = NOW - back
    return at if rng.random() < 0.5 else at.replace(hour=0, minute=0, second=0, microsecond=0)


def _readings(what: str, rng: Rng, strange: bool) -> list[tuple[str, float, datetime]]:
    number = int(rng.choice([0, 1, 2, 4, 12, 40]))
    years = float(rng.choice([0.2, 1.5, 6.0]))
    moments = sorted(_moment(rng, years) for _ in range(number))
    begin = float(rng.uniform(0, 1e8))
    rate = float(rng.choice([0.0, 1.0, 1.0, 1.0])) * float(rng.lognormal(np.log(0.6), 0.7))
    out = []
    for at in moments:
        value = begin + rate * (at.timestamp() - moments[0].timestamp())
        if what == "hours":
            value = value * 1e-2 + 10.0
        if rng.random() < 0.5:
            value = float(np.floor(value / 1e3)) * 1e3
        if strange and rng.random() < 0.08:
            value *= float(rng.choice([0.1, 0.6, 1.609344, 10.0]))
        if strange and rng.random() < 0.05:
            at = NOW + timedelta(days=float(rng.choice([0.2, 0.9, 30.0])))
        out += [(what, value, at)] * (2 if strange and rng.random() < 0.05 else 1)
    return out


def _service(rng: Rng, strange: bool) -> tuple[Told, datetime, str]:
    done = str(rng.choice(["changed", "changed", "changed", "filled", "topped up", "inspected"]))
    values: dict[str, Any] = {"system": "gearbox", "done": done}
    if strange and rng.random() < 0.15:
        values["done"] = done = "lost"
    if done == "changed":
        values["volume"] = float(rng.choice([0.0042, 0.0046, 0.0092]))
        if rng.random() < 0.3:
            values["share"] = float(rng.uniform(0.1, 1.0)) * values["volume"] / 0.0092
        elif rng.random() < 0.3:
            values |= {"volume": 0.0126, "times": 3}
        elif rng.random() < 0.2:
            values |= {"volume": 0.012, "way": "exchange"}
    elif done in ("topped up", "lost"):
        values["volume"] = float(rng.choice([0.0003, 0.002, 0.007]))
    elif done == "inspected" and rng.random() < 0.4:
        values["verdict"] = str(rng.choice(["good", "replace"]))
    if strange and rng.random() < 0.2:
        values["odometer"] = float(rng.uniform(0, 2e8))
    if strange and rng.random() < 0.1:
        values["hours"] = float(rng.uniform(0, 1e7))
    return make(ToldService, values), _moment(rng), ""


def _expenses(rng: Rng) -> list[tuple[Told, datetime, str]]:
    if rng.random() < 0.8:
        return []
    return [(make(ToldExpense, {"amount": 3.5, "what": "crush washer"}), _moment(rng), "")]


def _oddities(rng: Rng) -> list[tuple[Told, datetime, str]]:
    def use() -> list[Told]:
        if rng.random() < 0.5:
            return [make(ToldUse, {"service": str(rng.choice(["normal", "severe"]))})]
        return [make(ToldUse, {"distance": (1.8e7, 2.2e7), "hours": (3e5, 6e5)})]

    def drives() -> list[Told]:
        length = float(rng.choice([3e3, 4e4]))
        towing = bool(rng.random() < 0.5)
        return [make(ToldDrive, {"distance": length, "trailer": towing}) for _ in range(12)]

    def meter() -> list[Told]:
        return [make(ToldMeter, {"what": "odometer", "old": 1.2e8, "new": 0.0})]

    def report() -> list[Told]:
        iron = float(rng.choice([20.0, 900.0]))
        return [make(ToldReport, {"system": "gearbox", "odometer": 9e7, "elements": {"Fe": iron}})]

    def temperatures() -> list[Told]:
        bands = {"system": "gearbox", "edges": [360.0, 373.0], "durations": [9e4]}
        return [make(ToldTemperatures, bands) for _ in range(3)]

    chosen = rng.choice(5, size=int(rng.integers(0, 3)), replace=False)
    makers = (use, drives, meter, report, temperatures)
    return [(told, _moment(rng, 0.8), "") for k in chosen for told in makers[int(k)]()]
