from __future__ import annotations

import pytest

from sumpwright.errors import Complaint
from sumpwright.planning.machine import Fluid, Offer
from sumpwright.records.jobs import KeptJob
from sumpwright.records.store import Store
from yardkit import FLUID, carrier


def test_a_sheet_brings_its_fluids_and_offers(store: Store) -> None:
    store.machines.add(carrier())
    assert store.fluids.all() == [Fluid(FLUID, 846.0, 29.6e-6, 6.0e-6)]
    assert store.fluids.get("cable green 7") == store.fluids.all()[0]
    assert store.fluids.get("water") is None
    assert [o.seller for o in store.fluids.offers(FLUID)] == ["Valley depot", "Yard store"]
    assert store.fluids.offers("water") == []


def test_what_is_told_again_is_brought_up_to_date(store: Store) -> None:
    store.machines.add(carrier())
    store.fluids.keep((Fluid("CABLE GREEN 7", density_15=850.0),), ())
    assert store.fluids.all() == [Fluid("CABLE GREEN 7", 850.0, 29.6e-6, 6.0e-6)]
    store.fluids.keep((), (Offer(FLUID, "yard store", 0.001, 12.0),))
    assert sorted(o.price for o in store.fluids.offers()) == [12.0, 48.0]
    store.fluids.drop_offer(FLUID, "Yard store", 0.001)
    assert [o.price for o in store.fluids.offers()] == [48.0]
    with pytest.raises(Complaint, match="no such offer"):
        store.fluids.drop_offer(FLUID, "Yard store", 0.001)


def test_a_sheet_may_name_a_fluid_twice(store: Store) -> None:
    store.fluids.keep(
        (Fluid("A"), Fluid("a", 850.0)), (Offer("A", "S", 0.001, 1), Offer("a", "s", 0.001, 2))
    )
    assert store.fluids.all() == [Fluid("a", 850.0)]
    assert [o.price for o in store.fluids.offers()] == [2]


def test_a_job_enters_its_batches_and_takes_them_back(store: Store, job: KeptJob) -> None:
    store.jobs.append(job.id, "drained", {"volume": 0.0041})
    fill = store.jobs.append(
        job.id, "filled", {"volume": 0.0043, "fluid": FLUID, "lot": "L1", "price": 49.0}
    )
    batch = store.fluids.batches("Carrier 2", "gearbox")[0]
    assert (batch.id, batch.volume, batch.lot, batch.price, batch.job) == (
        fill.event.id,
        0.0043,
        "L1",
        49.0,
        job.id,
    )
    assert batch.odometer is None
    store.jobs.append(job.id, "closed", {"odometer": 1.3e8})
    assert store.fluids.batches("Carrier 2")[0].odometer == 1.3e8
    store.jobs.undo(job.id)
    store.jobs.undo(job.id, fill.event.id)
    assert store.fluids.batches("Carrier 2") == []
    store.jobs.redo(job.id)
    assert [b.id for b in store.fluids.batches("Carrier 2")] == [fill.event.id]
