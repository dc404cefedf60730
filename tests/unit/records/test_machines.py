from __future__ import annotations

from dataclasses import replace

import pytest
import sqlalchemy as sa

from sumpwright.errors import Complaint
from sumpwright.planning.machine import Machine, Sheet
from sumpwright.records.jobs import KeptJob
from sumpwright.records.schema import SystemRow
from sumpwright.records.store import Store
from yardkit import carrier


def test_a_machine_comes_back_as_it_was(store: Store) -> None:
    sheet = carrier()
    kept = store.machines.add(sheet, by="Ines", source="[machine]\n# as typed\n")
    again = store.machines.get("carrier  2")
    assert again == kept
    assert again.sheet == sheet
    assert again.source == "[machine]\n# as typed\n"
    assert (again.version, again.by, again.retired) == (1, "Ines", False)
    assert again.at.utcoffset() is not None
    assert store.machines.get(kept.id) == kept
    assert again.system().name == again.system(" GEARBOX ").name == "gearbox"


def test_each_change_keeps_what_was_before(store: Store) -> None:
    store.machines.add(carrier())
    changed = store.machines.change("Carrier 2", carrier(capacity=0.0096), by="Otto")
    renamed = store.machines.change("Carrier 2", carrier("Carrier 3", 0.0096))
    assert (changed.version, renamed.version) == (2, 3)
    assert [
        v.sheet.machine.systems[0].capacity.high for v in store.machines.versions("carrier 3")
    ] == [
        0.0092,
        0.0096,
        0.0096,
    ]
    assert store.machines.get("Carrier 3", version=1).sheet == carrier()
    with pytest.raises(Complaint, match="did you mean 'Carrier 3'"):
        store.machines.get("Carrier 2")
    with pytest.raises(Complaint, match="from 1 to 3"):
        store.machines.get("Carrier 3", version=9)


def test_the_same_sheet_again_is_no_new_version(store: Store) -> None:
    first = store.machines.save(carrier(), source="a")
    assert store.machines.save(carrier()).version == first.version
    assert store.machines.save(carrier(), source="b").version == 2


def test_names_are_unique_however_they_are_spelt(store: Store) -> None:
    store.machines.add(carrier())
    store.machines.add(carrier("Van 1"))
    with pytest.raises(Complaint, match="a machine called Carrier 2 is known"):
        store.machines.add(carrier("  CARRIER 2"))
    with pytest.raises(Complaint, match="a machine called Van 1 is known"):
        store.machines.change("Carrier 2", carrier("van 1"))
    assert [m.name for m in store.machines.all()] == ["Carrier 2", "Van 1"]
    assert len(store.machines.versions("Carrier 2")) == 1


def test_a_sheet_that_cannot_be_kept(store: Store) -> None:
    with pytest.raises(Complaint, match="no name"):
        store.machines.add(carrier("  "))
    with pytest.raises(Complaint, match="too long"):
        store.machines.add(carrier("x" * 201))
    with pytest.raises(Complaint, match="no wet system"):
        store.machines.add(Sheet(Machine("Sledge", ())))
    assert store.machines.all() == []


def test_a_system_has_to_be_named_when_there_are_several(store: Store) -> None:
    sheet = carrier()
    second = replace(sheet.machine.systems[0], name="transfer case")
    two = replace(sheet, machine=replace(sheet.machine, systems=(*sheet.machine.systems, second)))
    kept = store.machines.add(two)
    with pytest.raises(Complaint, match="name one of: gearbox, transfer case"):
        kept.system()
    with pytest.raises(Complaint, match="no wet system 'axle'"):
        kept.system("axle")
    with store.reading() as session:
        names = session.scalars(sa.select(SystemRow.name).order_by(SystemRow.place)).all()
    assert names == ["gearbox", "transfer case"]


def test_a_retired_machine_leaves_the_yard_and_keeps_its_jobs(store: Store, job: KeptJob) -> None:
    store.machines.retire("Carrier 2")
    assert store.machines.all() == []
    assert [m.retired for m in store.machines.all(retired=True)] == [True]
    assert store.jobs.get(job.id).machine_name == "Carrier 2"
    store.machines.save(carrier())
    assert len(store.machines.all()) == 1


def test_a_job_keeps_the_sheet_it_was_started_from(store: Store, job: KeptJob) -> None:
    store.machines.change("Carrier 2", carrier(capacity=0.0100))
    state = store.jobs.state(job.id)
    assert state.system is not None
    assert state.system.capacity.high == 0.0092
    assert store.jobs.get(job.id).version == 1


@pytest.mark.parametrize("statement", ["UPDATE sheets SET plain = '{}'", "DELETE FROM sheets"])
def test_the_database_itself_keeps_old_sheets(store: Store, job: KeptJob, statement: str) -> None:
    with store.writing() as session:
        session.execute(sa.text("DELETE FROM systems"))
    with pytest.raises(Complaint, match="never changed"), store.writing() as session:
        session.execute(sa.text(statement))
    assert store.machines.get(job.machine).sheet == carrier()
