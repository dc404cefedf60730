from __future__ import annotations

import base64
import copy
import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from sumpwright.errors import Complaint
from sumpwright.planning.kept_steps import KeptSteps
from sumpwright.records.chain import new_id
from sumpwright.records.export import export_record, export_yard, record_document
from sumpwright.records.intake import import_yard
from sumpwright.records.jobs import KeptJob
from sumpwright.records.proof import verify_file
from sumpwright.records.store import Store
from sumpwright.records.told import KINDS, ToldService, ToldUse, make
from yardkit import FLUID, START, carrier, ready_target, start_job

PNG = b"\x89PNG\r\n\x1a\n" + b"invented pixels"


@pytest.fixture
def yard(store: Store, job: KeptJob) -> Store:
    """A store with something of everything in it."""
    picture = store.attachments.add(PNG, "image/png", name="plug.png", by="Ines")
    store.machines.change("Carrier 2", carrier(capacity=0.0094), by="Otto", source="# typed")
    store.machines.add(carrier("Van 1"))
    store.machines.retire("Van 1")
    store.jobs.append(job.id, "drained", {"volume": 0.0041}, by="Ines")
    store.jobs.append(job.id, "filled", {"volume": 0.0043, "fluid": FLUID, "lot": "L1"})
    store.jobs.append(job.id, "photographed", {"attachment": picture.sha256})
    store.jobs.append(job.id, "lost", {"volume": 0.0001})
    store.jobs.undo(job.id)
    store.jobs.append(job.id, "closed", {"odometer": 1.3e8})
    taught = KeptSteps(("filter",), {"fill-plug": "behind the wheel"}, {"torque.2": {"tool": "2"}})
    store.step_sets.save("Carriers", "cvt", "drain-and-refill", taught, job=job.id, by="Ines")
    looks = store.looks.plan(job.id, [None, 2e5], by="Ines")
    store.looks.done(looks[0].id, note="dry", by="Otto")
    store.readings.add("Van 1", "odometer", 5e7, START)
    store.told.add(
        "Van 1",
        make(ToldService, {"system": "gearbox", "volume": 0.004, "odometer": 4e7, "fluid": FLUID}),
        START,
        by="Ines",
        note="from the old book",
    )
    withdrawn = store.told.add("Van 1", make(ToldUse, {"distance": (8e6, 1.2e7)}), START)
    store.told.withdraw(withdrawn.id)
    return store


@pytest.fixture
def other(tmp_path: Path) -> Any:
    folder = tmp_path / "other"
    folder.mkdir()
    with ready_target(folder) as address, Store.open(address) as opened:
        yield opened


def content(store: Store, path: Path) -> dict[str, Any]:
    document: dict[str, Any] = json.loads(export_yard(store, path).read_text("utf-8"))
    del document["written"]
    return document


def test_everything_comes_back(yard: Store, other: Store, tmp_path: Path) -> None:
    first = content(yard, tmp_path / "a.json")
    report = import_yard(other, tmp_path / "a.json")
    assert report.added == {
        "machines": 2,
        "fluids": 1,
        "offers": 2,
        "attachments": 1,
        "jobs": 1,
        "readings": 1,
        "told": 2,
        "step sets": 1,
        "looks": 2,
    }
    assert report.skipped == {}
    assert content(other, tmp_path / "b.json") == first
    for name in ("Carrier 2", "Van 1"):
        assert other.machines.versions(name) == yard.machines.versions(name)
        assert other.fluids.batches(name) == yard.fluids.batches(name)
        for kind in KINDS.values():
            mine = yard.told.of(name, kind, withdrawn=True)
            assert other.told.of(name, kind, withdrawn=True) == mine
        assert other.readings.of(name) == yard.readings.of(name)
    assert other.jobs.all() == yard.jobs.all()
    assert other.step_sets.all() == yard.step_sets.all()
    assert other.looks.of(other.jobs.all()[0].id) == yard.looks.of(yard.jobs.all()[0].id)
    id = other.jobs.all()[0].id
    assert other.jobs.state(id) == yard.jobs.state(id)
    assert other.attachments.all() == yard.attachments.all()
    assert other.attachments.data(yard.attachments.all()[0].sha256) == PNG


def test_twice_is_once(yard: Store, other: Store, tmp_path: Path) -> None:
    export_yard(yard, tmp_path / "a.json")
    first = import_yard(other, tmp_path / "a.json")
    before = content(other, tmp_path / "b.json")
    again = import_yard(other, tmp_path / "a.json")
    assert again.added == {}
    assert again.skipped == first.added
    assert content(other, tmp_path / "b.json") == before
    assert import_yard(yard, tmp_path / "a.json").added == {}


def test_what_went_on_since_is_added(yard: Store, other: Store, tmp_path: Path) -> None:
    old = export_yard(yard, tmp_path / "old.json")
    import_yard(other, old)
    id = yard.jobs.all()[0].id
    yard.jobs.undo(id)
    yard.jobs.append(id, "noted", {"text": "again"})
    yard.machines.change("Carrier 2", carrier(capacity=0.0096))
    start_job(yard, "Sledge")
    new = export_yard(yard, tmp_path / "new.json")
    report = import_yard(other, new)
    assert report.added == {"machines": 2, "jobs": 2, "offers": 2, "fluids": 1}
    assert content(other, tmp_path / "b.json") == content(yard, tmp_path / "a.json")
    assert other.jobs.verify(id) == []
    assert import_yard(other, old).added == {}


def test_a_job_that_went_two_ways_keeps_the_import_out(
    yard: Store, other: Store, tmp_path: Path
) -> None:
    import_yard(other, export_yard(yard, tmp_path / "a.json"))
    id = yard.jobs.all()[0].id
    yard.jobs.undo(id)
    other.jobs.undo(id)
    start_job(yard, "Sledge")
    before = content(other, tmp_path / "b.json")
    with pytest.raises(Complaint, match="different ways from entry 8"):
        import_yard(other, export_yard(yard, tmp_path / "a.json"))
    assert content(other, tmp_path / "b.json") == before


def test_a_machine_that_went_two_ways_keeps_the_import_out(
    yard: Store, other: Store, tmp_path: Path
) -> None:
    import_yard(other, export_yard(yard, tmp_path / "a.json"))
    yard.machines.change("Carrier 2", carrier(capacity=0.0095))
    other.machines.change("Carrier 2", carrier(capacity=0.0096))
    with pytest.raises(Complaint, match=r"changed here and in the file \(version 3\)"):
        import_yard(other, export_yard(yard, tmp_path / "a.json"))


def test_another_machine_of_that_name_keeps_the_import_out(
    yard: Store, other: Store, tmp_path: Path
) -> None:
    other.machines.add(carrier("carrier 2"))
    with pytest.raises(Complaint, match="another machine is called carrier 2"):
        import_yard(other, export_yard(yard, tmp_path / "a.json"))
    assert len(other.machines.all(retired=True)) == 1
    assert other.fluids.batches("carrier 2") == []


Spoil = Callable[[dict[str, Any]], None]


def _body(document: dict[str, Any]) -> None:
    document["jobs"][0]["events"][1]["body"]["volume"] = 0.004


def _drop(document: dict[str, Any]) -> None:
    del document["jobs"][0]["events"][2]


def _swap(document: dict[str, Any]) -> None:
    events = document["jobs"][0]["events"]
    events[1], events[2] = events[2], events[1]


def _cut(document: dict[str, Any]) -> None:
    document["jobs"][0]["events"].pop()


def _pixel(document: dict[str, Any]) -> None:
    document["attachments"][0]["data"] = base64.b64encode(PNG + b"!").decode()


def _other_job(document: dict[str, Any]) -> None:
    document["jobs"][0]["id"] = new_id()


SPOILT: dict[str, tuple[Spoil, str]] = {
    "body": (_body, "was altered after it was written"),
    "drop": (_drop, "1 missing before it"),
    "swap": (_swap, "out of order|comes after a gap"),
    "cut": (_cut, "7 events are here where 8 were written|6 events"),
    "pixel": (_pixel, "was altered"),
    "job": (_other_job, "belongs to another job"),
}


@pytest.mark.parametrize("name", SPOILT)
def test_an_altered_file_is_found_and_kept_out(
    yard: Store, other: Store, tmp_path: Path, name: str
) -> None:
    spoil, says = SPOILT[name]
    path = export_yard(yard, tmp_path / "a.json")
    assert verify_file(path).sound
    document = json.loads(path.read_text("utf-8"))
    spoil(document)
    path.write_text(json.dumps(document), "utf-8")
    proof = verify_file(path)
    assert not proof.sound
    assert proof.lines()
    with pytest.raises(Complaint, match=says) as caught:
        import_yard(other, path)
    assert "nothing was imported" in str(caught.value)
    assert str(path) in str(caught.value)
    assert other.machines.all(retired=True) == []
    assert other.attachments.all() == []


LATER = (("readings", "sure"), ("readings", "withdrawn"))
"""Keys that exports made before they were known do without."""


def spoilt_copies(whole: dict[str, Any]) -> Iterator[tuple[str, dict[str, Any]]]:
    """Give the document with each key of each kind of entry missing, or of another type."""
    for name in ("machines", "fluids", "offers", "readings", "told", "jobs", "attachments"):
        for key, value in whole[name][0].items():
            if (name, key) not in LATER:
                document = copy.deepcopy(whole)
                del document[name][0][key]
                yield f"{name} without {key}", document
            for wrong in (7, {"x": 1}, [1]):
                if wrong == 7 and (value is None or isinstance(value, int | float)):
                    continue
                document = copy.deepcopy(whole)
                document[name][0][key] = wrong
                yield f"{name} with {key} = {wrong}", document


def test_every_missing_or_wrong_key_is_one_complaint(
    yard: Store, other: Store, tmp_path: Path
) -> None:
    whole = json.loads(export_yard(yard, tmp_path / "a.json").read_text("utf-8"))
    path = tmp_path / "spoilt.json"
    taken = []
    for what, document in spoilt_copies(whole):
        path.write_text(json.dumps(document), "utf-8")
        try:
            import_yard(other, path)
        except Complaint as complaint:
            if "\n" not in str(complaint) and "nothing was imported" in str(complaint):
                continue
        taken.append(what)
    assert taken == []
    assert other.machines.all(retired=True) == []


def test_a_file_that_is_no_export(other: Store, tmp_path: Path) -> None:
    path = tmp_path / "a.json"
    for text, says in (
        ("", "not JSON"),
        ("{", "not JSON"),
        ('{"a": NaN}', "NaN is not JSON"),
        ("[" * 100_000, "not JSON"),
        ("[]", "not a Sumpwright document"),
        ('{"format": "x"}', "not a Sumpwright document"),
        ('{"format": "sumpwright-yard"}', "no version"),
        ('{"format": "sumpwright-yard", "version": 2}', "newer version"),
        ('{"format": "sumpwright-yard", "version": 1, "jobs": {}}', "'jobs' of the file"),
        ('{"format": "sumpwright-record", "version": 1}', "record of one job"),
    ):
        path.write_text(text, "utf-8")
        with pytest.raises(Complaint, match=says) as caught:
            import_yard(other, path)
        assert str(path) in str(caught.value)
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(Complaint, match="not JSON"):
        verify_file(path)
    with pytest.raises(Complaint, match="cannot be read"):
        verify_file(tmp_path / "none.json")
    with pytest.raises(Complaint, match="cannot be read"):
        verify_file(tmp_path)


def test_a_record_stands_on_its_own(yard: Store, tmp_path: Path) -> None:
    id = yard.jobs.all()[0].id
    path = export_record(yard, id[-8:], tmp_path / "record.json")
    proof = verify_file(path)
    assert proof.sound
    (job,) = proof.jobs
    assert (job.id, job.length) == (id, 7)
    assert job.head == yard.jobs.get(id).head
    assert job.state == yard.jobs.state(id)
    document = json.loads(path.read_text("utf-8"))
    assert base64.b64decode(document["attachments"][0]["data"]) == PNG
    document["attachments"] = []
    path.write_text(json.dumps(document), "utf-8")
    assert "is missing" in verify_file(path).lines()[0]
    document["events"][2]["by"] = "Otto"
    path.write_text(json.dumps(document), "utf-8")
    assert "event 3" in verify_file(path).lines()[0]
    del document["events"][2]["by"]
    path.write_text(json.dumps(document), "utf-8")
    assert "incomplete" in verify_file(path).lines()[0]


def test_a_forged_log_needs_the_noted_hash_to_be_found(yard: Store, tmp_path: Path) -> None:
    id = yard.jobs.all()[0].id
    document = record_document(yard, id)
    document["job"] = []
    path = tmp_path / "record.json"
    path.write_text(json.dumps(document), "utf-8")
    assert not verify_file(path).sound


def test_a_file_that_cannot_be_written(yard: Store, tmp_path: Path) -> None:
    kept = tmp_path / "kept.json"
    kept.write_text("before", "utf-8")
    with pytest.raises(Complaint, match="cannot be written"):
        export_yard(yard, tmp_path / "nowhere" / "a.json")
    with pytest.raises(Complaint, match="cannot be written"):
        export_yard(yard, tmp_path)
    with pytest.raises(Complaint, match="no job"):
        export_record(yard, "zz", kept)
    assert kept.read_text("utf-8") == "before"
    assert not [p for p in tmp_path.iterdir() if p.name.startswith(".")]
