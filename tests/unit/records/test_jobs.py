from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, timedelta

import pytest

from sumpwright.errors import Complaint
from sumpwright.records.chain import new_id
from sumpwright.records.fold import fold
from sumpwright.records.jobs import KeptJob, NewEvent
from sumpwright.records.store import Store
from yardkit import FLUID, START, carrier, start_job


def test_a_job_begins_with_its_opening(store: Store, job: KeptJob) -> None:
    events = store.jobs.events(job.id)
    assert [e.kind for e in events] == ["opened"]
    assert (events[0].seq, events[0].prev, events[0].hash) == (1, "", job.head)
    assert job.opened_at == START
    assert job.open
    state = store.jobs.state(job.id)
    assert state.sheet == carrier()
    assert state.job == job.id
    assert state.opened_by == "Ines"


def test_entries_are_kept_in_order_and_chained(store: Store, job: KeptJob) -> None:
    at = START + timedelta(minutes=5)
    added = store.jobs.append(job.id, "drained", {"volume": 0.0041}, by=" Ines ", at=at)
    store.jobs.append(job.id, "filled", {"volume": 0.0043, "fluid": FLUID})
    events = store.jobs.events(job.id)
    assert added.new
    assert added.event == events[1]
    assert (events[1].at, events[1].by) == (at, "Ines")
    assert events[2].at.tzinfo is UTC
    assert [e.prev for e in events] == ["", events[0].hash, events[1].hash]
    assert store.jobs.verify(job.id) == []
    assert store.jobs.state(job.id) == fold(events)
    assert store.jobs.events(job.id, after=2) == events[2:]
    assert (store.jobs.get(job.id).length, store.jobs.get(job.id).head) == (3, events[2].hash)


def test_the_same_id_twice_is_one_entry(store: Store, job: KeptJob) -> None:
    id, at = new_id(), START
    first = store.jobs.append(job.id, "drained", {"volume": 0.0041}, by="Ines", at=at, id=id)
    again = store.jobs.append(
        job.id, "drained", {"volume": 0.0041}, by="Ines", at=at, id=id.upper()
    )
    unsaid = store.jobs.append(job.id, "drained", {"volume": 0.0041}, by="Ines", id=id)
    assert first.new
    assert not again.new
    assert again.event == first.event == unsaid.event
    assert len(store.jobs.events(job.id)) == 2
    assert again.state.balance.total_out == 0.0041


@pytest.mark.parametrize(
    "other",
    [
        {"kind": "discharged"},
        {"body": {"volume": 0.004}},
        {"by": "Otto"},
        {"at": START + timedelta(seconds=1)},
    ],
)
def test_the_same_id_with_another_content_is_refused(
    store: Store, job: KeptJob, other: dict[str, object]
) -> None:
    told = {
        "kind": "drained",
        "body": {"volume": 0.0041},
        "by": "Ines",
        "at": START,
        "id": new_id(),
    }
    store.jobs.append(job.id, **told)  # type: ignore[arg-type]
    with pytest.raises(Complaint, match="another content") as caught:
        store.jobs.append(job.id, **(told | other))  # type: ignore[arg-type]
    assert caught.value.field == "id"
    assert len(store.jobs.events(job.id)) == 2


def test_an_id_belongs_to_one_job(store: Store, job: KeptJob) -> None:
    second = start_job(store, "Van 1")
    id = new_id()
    store.jobs.append(job.id, "noted", {"text": "cold"}, at=START, id=id)
    with pytest.raises(Complaint, match="another content"):
        store.jobs.append(second.id, "noted", {"text": "cold"}, at=START, id=id)


def test_a_queue_sent_twice_in_part_is_taken_once(store: Store, job: KeptJob) -> None:
    queue = [NewEvent("noted", {"text": f"{n}"}, "Ines", START, new_id()) for n in range(6)]
    store.jobs.append_all(job.id, queue[:4])
    added = store.jobs.append_all(job.id, [*queue, queue[5]])
    assert [a.new for a in added] == [False] * 4 + [True] * 2 + [False]
    assert [e.body["text"] for e in store.jobs.events(job.id)[1:]] == list("012345")


def test_a_queue_with_one_wrong_entry_is_refused_whole(store: Store, job: KeptJob) -> None:
    queue = [NewEvent("drained", {"volume": 0.0041}), NewEvent("drained", {"volume": 0.0041})]
    with pytest.raises(Complaint, match="by the sheet"):
        store.jobs.append_all(job.id, queue)
    assert len(store.jobs.events(job.id)) == 1
    assert store.jobs.state(job.id).balance.total_out == 0.0


def test_undo_and_redo_walk_back_and_forth(store: Store, job: KeptJob) -> None:
    with pytest.raises(Complaint, match="nothing to undo"):
        store.jobs.undo(job.id)
    with pytest.raises(Complaint, match="nothing to redo"):
        store.jobs.redo(job.id)
    first = store.jobs.append(job.id, "drained", {"volume": 0.0041})
    store.jobs.append(job.id, "drained", {"volume": 0.0005})
    store.jobs.undo(job.id)
    assert store.jobs.undo(job.id).event.body == {"event": first.event.id}
    assert store.jobs.state(job.id).balance.total_out == 0.0
    store.jobs.redo(job.id)
    assert store.jobs.state(job.id).balance.total_out == 0.0041
    store.jobs.redo(job.id)
    assert store.jobs.state(job.id).balance.total_out == pytest.approx(0.0046)
    with pytest.raises(Complaint, match="nothing to redo"):
        store.jobs.redo(job.id)
    assert store.jobs.verify(job.id) == []


def test_closing_and_reopening(store: Store, job: KeptJob) -> None:
    store.jobs.append(job.id, "closed", {"summary": "well"})
    assert store.jobs.get(job.id).closed_at is not None
    with pytest.raises(Complaint, match="closed"):
        store.jobs.append(job.id, "noted", {"text": "late"})
    with pytest.raises(Complaint, match="no job is open"):
        store.jobs.current()
    store.jobs.undo(job.id)
    assert store.jobs.current().id == job.id


def test_finding_jobs(store: Store, job: KeptJob) -> None:
    second = start_job(store, "Van 1")
    assert store.jobs.get(job.id[:30] if job.id[:30] != second.id[:30] else job.id) == job
    assert store.jobs.get(job.id[-8:].upper()) == job
    for wrong, says in (
        ("", "no job ''"),
        ("zz", "no job 'zz'"),
        ("%", "no job"),
        ("0", "jobs match"),
    ):
        with pytest.raises(Complaint, match=says):
            store.jobs.get(wrong)
    assert {j.id for j in store.jobs.all()} == {job.id, second.id}
    assert store.jobs.all(machine="van 1") == [second]
    assert store.jobs.current("van 1") == second
    with pytest.raises(Complaint, match="2 jobs are open"):
        store.jobs.current()
    store.jobs.append(job.id, "closed", {})
    assert store.jobs.all(open=True) == [second]
    assert [j.id for j in store.jobs.all(open=False)] == [job.id]


def test_a_job_that_is_not_there(store: Store) -> None:
    for ask in (store.jobs.events, store.jobs.state, store.jobs.verify, store.jobs.undo):
        with pytest.raises(Complaint, match="no job"):
            ask("nowhere")
    with pytest.raises(Complaint, match="no job"):
        store.jobs.append("nowhere", "noted", {"text": "x"})


def test_a_job_that_cannot_be_opened(store: Store) -> None:
    store.machines.add(carrier())
    wanted = {"method": "drain-and-refill", "target": 0.9, "confidence": 0.9}
    for wrong, says in (
        ({"target": 1.2}, "target"),
        ({"method": ""}, "method"),
        ({"system": "axle"}, "axle"),
        ({"machine": "Sledge"}, "Sledge"),
        ({"job": "x"}, "UUID"),
        ({"by": "x" * 300}, "person"),
    ):
        with pytest.raises(Complaint, match=says):
            store.jobs.start(**({"machine": "Carrier 2"} | wanted | wrong))  # type: ignore[arg-type]
    assert store.jobs.all() == []


def test_a_job_opened_twice_by_the_same_device_is_one(store: Store) -> None:
    store.machines.add(carrier())
    made = {"job": new_id(), "event": new_id(), "at": START, "by": "Ines"}
    wanted = {"method": "drain-and-refill", "target": 0.9, "confidence": 0.9}
    first = store.jobs.start("Carrier 2", **wanted, **made)  # type: ignore[arg-type]
    assert store.jobs.start("Carrier 2", **wanted, **made) == first  # type: ignore[arg-type]
    with pytest.raises(Complaint, match="open already"):
        store.jobs.start("Carrier 2", **wanted, job=made["job"])  # type: ignore[arg-type]
    assert len(store.jobs.all()) == 1


def test_two_stores_on_one_database_see_each_other(store: Store, job: KeptJob, target: str) -> None:
    with Store.open(target) as other:
        for _ in range(3):
            store.jobs.append(job.id, "lost", {"volume": 0.0001})
            other.jobs.append(job.id, "lost", {"volume": 0.0001})
        assert store.jobs.state(job.id) == other.jobs.state(job.id)
        assert store.jobs.state(job.id).balance.lost == pytest.approx(0.0006)


def test_many_threads_on_one_store(store: Store, job: KeptJob) -> None:
    with ThreadPoolExecutor(8) as pool:
        ids = list(
            pool.map(
                lambda n: store.jobs.append(job.id, "noted", {"text": f"{n}"}).event.id, range(64)
            )
        )
    events = store.jobs.events(job.id)
    assert {e.id for e in events[1:]} == set(ids)
    assert len(events) == 65
    assert store.jobs.verify(job.id) == []
    assert store.jobs.state(job.id) == fold(events)


def test_a_refused_entry_leaves_no_trace_in_what_is_remembered(store: Store, job: KeptJob) -> None:
    before = store.jobs.state(job.id)
    for _ in range(3):
        with pytest.raises(Complaint):
            store.jobs.append(job.id, "drained", {"volume": 0.0091})
    assert store.jobs.state(job.id) == before
    assert store.jobs.state(job.id).length == 1
