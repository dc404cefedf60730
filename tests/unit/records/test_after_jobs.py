"""What outlives a job: kept steps, and the looks after it."""

from __future__ import annotations

import pytest

from sumpwright.errors import Complaint
from sumpwright.planning.kept_steps import KeptSteps
from sumpwright.records.job_run import (
    adopted_steps,
    decided_cycles,
    flow_of,
    method_of,
    planned_cycles,
    situation_of,
    to_undo,
    wish_of,
)
from sumpwright.records.jobs import KeptJob
from sumpwright.records.state import JobState
from sumpwright.records.store import Store

TAUGHT = KeptSteps(("filter",), {"fill-plug": "behind the wheel"}, {"torque.2": {"tool": "2"}})


def test_a_set_is_found_for_its_sort_of_job_and_replaced_by_its_name(store: Store) -> None:
    first = store.step_sets.save("Vans", "automatic", "line-discharge", TAUGHT, by="Ines")
    assert (first.kind, first.kept, first.by) == ("torque-converter automatic", TAUGHT, "Ines")
    assert store.step_sets.all("torque-converter automatic", "line-discharge") == [first]
    assert store.step_sets.all("axle", "line-discharge") == []
    assert store.step_sets.all("automatic", "drain-and-refill") == []
    again = store.step_sets.save(" vans ", "automatic", "line-discharge", KeptSteps(("filter",)))
    assert again.id == first.id
    assert [s.kept.skipped for s in store.step_sets.all()] == [("filter",)]
    store.step_sets.forget(first.id)
    assert store.step_sets.all() == []
    with pytest.raises(Complaint, match="no kept steps"):
        store.step_sets.get(first.id)


@pytest.mark.parametrize(
    ("name", "kept", "says"),
    [
        ("  ", TAUGHT, "no name"),
        ("x" * 300, TAUGHT, "longer"),
        ("Vans", KeptSteps(), "no remarks"),
        ("Vans", KeptSteps(remarks={"a": "b\0"}), "control character"),
    ],
)
def test_what_cannot_be_kept_is_refused(
    store: Store, name: str, kept: KeptSteps, says: str
) -> None:
    with pytest.raises(Complaint, match=says):
        store.step_sets.save(name, "axle", "drain-and-refill", kept)
    assert store.step_sets.all() == []


def test_looks_stand_until_they_are_taken(store: Store, job: KeptJob) -> None:
    store.jobs.append(job.id, "closed", {"odometer": 1.3e8})
    first, later = store.looks.plan(job.id, [None, 2e5], by="Ines")
    assert (first.distance, first.due_at) == (None, None)
    assert (later.distance, later.due_at) == (2e5, 1.302e8)
    assert later.machine_name == "Carrier 2"
    store.looks.done(first.id, note="dry", by="Otto")
    store.looks.done(first.id, note="again", by="Ada")
    assert store.looks.open() == store.looks.open(later.machine) == [later]
    taken = store.looks.of(job.id)[0]
    assert (taken.note, taken.done_by) == ("dry", "Otto")
    assert taken.done_at is not None

    # Planned anew, what was taken stays and what was not gives way.
    assert [look.distance for look in store.looks.plan(job.id, [5e5])] == [None, 5e5]
    with pytest.raises(Complaint, match="no look"):
        store.looks.done("nothing")
    with pytest.raises(Complaint, match="sensible"):
        store.looks.plan(job.id, [-1.0])


def test_without_a_last_reading_a_look_has_no_mark_on_the_odometer(
    store: Store, job: KeptJob
) -> None:
    assert store.looks.plan(job.id, [1e5])[0].due_at is None
    store.jobs.append(job.id, "read", {"what": "odometer", "value": 5e7, "unit": "m"})
    assert store.looks.plan(job.id, [1e5])[0].due_at == 5.01e7


def test_a_job_among_its_steps(store: Store, job: KeptJob) -> None:
    def add(kind: str, **body: object) -> str:
        return store.jobs.append(job.id, kind, body).event.id

    add("did", step="place.1")
    add("overrode", step="catch.1", reason="tray of the lift")
    add("drained", volume=0.0041, step="drain.1")
    add("read", what="temperature", value=315.0, unit="K")
    add("decided", cycles=3, step="decide.1")
    add("adopted", name="Vans", **TAUGHT.to_json())
    last = add("discharged", volume=0.0005, seconds=10.0)
    add("signal", to="seat", instruction="stop")
    state = store.jobs.state(job.id)
    now = situation_of(state)
    assert now.passed == {"place.1", "catch.1", "drain.1", "decide.1"}
    assert (now.balance, now.temperature) == (pytest.approx(-0.0046), 315.0)
    assert decided_cycles(state) == 3
    assert adopted_steps(state) == TAUGHT
    flow = flow_of(state)
    assert flow is not None
    assert flow.seconds_to(0.002) == pytest.approx(40.0)
    undo = to_undo(state)
    assert undo is not None
    assert undo.id == last
    store.jobs.undo(job.id)
    assert store.jobs.state(job.id).pending == ()


def test_what_a_log_does_not_say(store: Store, job: KeptJob) -> None:
    empty = JobState()
    assert (planned_cycles(empty), decided_cycles(empty), adopted_steps(empty)) == (None,) * 3
    assert (flow_of(empty), to_undo(empty)) == (None, None)
    assert method_of(JobState(method="of another time")).name == "drain-and-refill"
    assert wish_of(JobState(target=1.0, confidence=0.0)).target == 0.9
    for plan in (
        {},
        {"recommended": 3},
        {"recommended": {"cycles": 0}},
        {"recommended": {"cycles": True}},
    ):
        assert planned_cycles(JobState(planned=plan)) is None
    assert to_undo(store.jobs.state(job.id)) is None
