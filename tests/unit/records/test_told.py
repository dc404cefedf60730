"""What is told of machines: kept, refused, taken back, moved between yards."""

from __future__ import annotations

import json
import math
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from sumpwright.errors import Complaint
from sumpwright.records.chain import new_id
from sumpwright.records.export import export_yard
from sumpwright.records.intake import import_yard
from sumpwright.records.store import Store
from sumpwright.records.told import (
    ToldDrive,
    ToldMeter,
    ToldReport,
    ToldService,
    ToldTemperatures,
    ToldUse,
    from_plain,
    make,
    plain,
)
from yardkit import FLUID, START, carrier, ready_target

EARLIER = START - timedelta(days=900)


def service(**values: Any) -> ToldService:
    return make(ToldService, {"system": "gearbox", "volume": 0.004, **values})


def test_an_earlier_service_is_told(store: Store) -> None:
    store.machines.add(carrier())
    told = store.told.add(
        "Carrier 2", service(system="GEARBOX", odometer=9e7, fluid=FLUID), EARLIER, note="half"
    )
    assert told.told.system == "gearbox"
    assert store.told.of("Carrier 2", ToldService) == [told]
    assert store.told.of("Carrier 2", ToldService, system="axle") == []
    assert store.told.of("Carrier 2", ToldDrive) == []
    with pytest.raises(Complaint, match="no wet system"):
        store.told.add("Carrier 2", service(system="axle"), START)
    with pytest.raises(Complaint, match="no zone"):
        store.told.add("Carrier 2", service(), datetime(2025, 1, 1))
    with pytest.raises(Complaint, match="no machine"):
        store.told.add("Sledge", service(), START)
    assert store.told.of("Carrier 2", ToldService) == [told]


@pytest.mark.parametrize(
    ("kind", "values", "says"),
    [
        (ToldService, {"volume": 0.0}, "not above zero"),
        (ToldService, {"volume": 500.0}, "beyond any wet system"),
        (ToldService, {"volume": math.nan}, "not a finite number"),
        (ToldService, {"volume": None}, "the volume is missing"),
        (ToldService, {"volume": None, "share": 1.2}, "'share'"),
        (ToldService, {"done": "topped up", "share": 0.5}, "only a change has a fresh share"),
        (ToldService, {"done": "inspected"}, "moves no fluid"),
        (ToldService, {"verdict": "good"}, "only an inspection"),
        (ToldService, {"times": 0}, "'times'"),
        (ToldService, {"colour": "red"}, "'colour'"),
        (ToldDrive, {"volume": None}, "a distance or a duration"),
        (ToldDrive, {"volume": None, "duration": 60.0, "idle": 61.0}, "longer than it lasts"),
        (ToldDrive, {"volume": None, "distance": 1.0, "outside": 20.0}, "beyond any working"),
        (ToldTemperatures, {"volume": None, "edges": [300.0, 310.0], "durations": []}, "durations"),
        (
            ToldTemperatures,
            {"volume": None, "edges": [310.0, 300.0], "durations": [1.0]},
            "do not rise",
        ),
        (
            ToldTemperatures,
            {"volume": None, "edges": [300.0, 310.0, 320.0], "durations": [1.0]},
            "not one duration",
        ),
        (ToldUse, {"volume": None, "distance": [2.0, 1.0]}, "from low to high"),
        (ToldMeter, {"volume": None, "what": "mood"}, "'what'"),
    ],
)
def test_what_cannot_be_is_refused_and_says_what_to_do(
    kind: Any, values: dict[str, Any], says: str
) -> None:
    with pytest.raises(Complaint, match=says) as caught:
        make(kind, {"system": "gearbox", "volume": 0.004, **values})
    assert caught.value.do


def test_what_is_taken_back_stays_in_the_books(store: Store) -> None:
    store.machines.add(carrier())
    ids = ["01890a5d-ac96-774b-bcce-b30209900057", "01890a5d-ac96-774b-bcce-b30209a00057"]
    first = store.told.add("Carrier 2", service(), EARLIER, id=ids[0])
    second = store.told.add("Carrier 2", service(done="lost"), START, id=ids[1])
    assert [e.id for e in store.told.of("Carrier 2", ToldService)] == [first.id, second.id]
    gone = store.told.withdraw(first.id[-8:])
    assert gone.withdrawn_at is not None
    assert store.told.of("Carrier 2", ToldService) == [second]
    both = store.told.of("Carrier 2", ToldService, withdrawn=True)
    assert [e.withdrawn_at for e in both] == [gone.withdrawn_at, None]
    for id, says in ((first.id, "already"), (new_id(), "nothing told"), ("0057", "several")):
        with pytest.raises(Complaint, match=says):
            store.told.withdraw(id)


def test_the_same_id_twice_is_one_entry(store: Store) -> None:
    store.machines.add(carrier())
    id = new_id()
    first = store.told.add("Carrier 2", service(), EARLIER, id=id)
    assert store.told.add("Carrier 2", service(), EARLIER, id=id) == first
    with pytest.raises(Complaint, match="another content"):
        store.told.add("Carrier 2", service(volume=0.005), EARLIER, id=id)
    assert store.told.of("Carrier 2", ToldService) == [first]


def test_all_or_none(store: Store) -> None:
    store.machines.add(carrier())
    with pytest.raises(Complaint, match="no wet system"):
        store.told.add_many(
            "Carrier 2", [(service(), EARLIER, ""), (service(system="axle"), START, "")]
        )
    assert store.told.of("Carrier 2", ToldService) == []


@pytest.mark.parametrize(
    "told",
    [
        service(share=0.4, times=2, way="exchange", price=40.0, lot="L1"),
        make(ToldDrive, {"distance": 4000.0, "trailer": True, "outside": 268.15}),
        make(ToldTemperatures, {"system": "gearbox", "edges": [300.0, 301.0], "durations": [60.0]}),
        make(ToldUse, {"service": "severe", "distance": (8e6, 1.2e7)}),
        make(ToldReport, {"system": "gearbox", "elements": {"Fe": 38.0}, "counts": [9.0, 4.0, 1]}),
    ],
)
def test_told_things_are_json_and_come_back(told: Any) -> None:
    assert from_plain(told.kind, json.loads(json.dumps(plain(told)))) == told


def test_what_is_taken_back_elsewhere_is_taken_back_here(store: Store, tmp_path: Path) -> None:
    store.machines.add(carrier())
    told = store.told.add("Carrier 2", service(), EARLIER)
    read = store.readings.add("Carrier 2", "odometer", 9e7, EARLIER, sure=True)
    (tmp_path / "other").mkdir()
    with ready_target(tmp_path / "other") as address, Store.open(address) as other:
        import_yard(other, export_yard(store, tmp_path / "a.json"))
        assert other.told.of("Carrier 2", ToldService) == [told]
        assert other.readings.of("Carrier 2") == [read]
        store.told.withdraw(told.id)
        store.readings.withdraw(read.id)
        report = import_yard(other, export_yard(store, tmp_path / "b.json"))
        assert report.added == {"readings": 1, "told": 1}
        assert other.told.of("Carrier 2", ToldService) == []
        assert other.readings.of("Carrier 2") == []
        assert len(other.readings.of("Carrier 2", withdrawn=True)) == 1
        # An older file brings nothing back.
        assert import_yard(other, tmp_path / "a.json").added == {}
        assert other.told.of("Carrier 2", ToldService) == []


def test_a_reading_of_a_job_is_taken_back_in_the_job(store: Store) -> None:
    store.machines.add(carrier())
    job = store.jobs.start("Carrier 2", method="drain-and-refill", target=0.9, confidence=0.9)
    store.jobs.append(job.id, "read", {"what": "odometer", "value": 1.2e8, "unit": "m"})
    (read,) = store.readings.of("Carrier 2")
    with pytest.raises(Complaint, match="belongs to a job"):
        store.readings.withdraw(read.id)
    own = store.readings.add("Carrier 2", "hours", 3600.0, datetime.now(UTC))
    store.readings.withdraw(own.id)
    with pytest.raises(Complaint, match="already"):
        store.readings.withdraw(own.id)
