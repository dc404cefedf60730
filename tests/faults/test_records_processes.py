"""Writers that are killed, and writers that come at the same time."""

from __future__ import annotations

import itertools
import random
from pathlib import Path

import pytest

from faults.record_processes import begin, finish, writer
from sumpwright.records.chain import new_id
from sumpwright.records.jobs import KeptJob
from sumpwright.records.store import Store
from yardkit import Backend, fresh_target


@pytest.mark.parametrize("seed", range(5))
def test_a_killed_writer_loses_nothing_that_it_was_told_is_kept(
    store: Store, job: KeptJob, target: str, seed: int
) -> None:
    ids = [new_id() for _ in range(400)]
    process = writer(target, job.id, "Ines", ids)
    begin(process)
    assert process.stdout is not None
    wanted = random.Random(seed).randint(1, 60)
    said = [process.stdout.readline().strip() for _ in range(wanted)]
    process.kill()
    # Through the same reader: what it has read ahead is lost to whoever reads the pipe itself.
    said += process.stdout.read().split("\n")[:-1]
    assert process.wait(60) == -9
    assert wanted <= len(said) < len(ids)

    kept = [event.id for event in store.jobs.events(job.id)[1:]]
    assert kept[: len(said)] == said == ids[: len(said)]
    # One more may have been kept between its commit and the word about it.
    assert len(kept) - len(said) in (0, 1)
    assert store.jobs.verify(job.id) == []

    assert store.jobs.append(job.id, "noted", {"text": "after"}).new
    assert store.jobs.verify(job.id) == []


def test_two_writers_at_once_lose_double_and_swap_nothing(
    store: Store, job: KeptJob, target: str
) -> None:
    queues = {who: [new_id() for _ in range(60)] for who in ("Ines", "Otto")}
    processes = [writer(target, job.id, who, ids) for who, ids in queues.items()]
    for process in processes:
        begin(process)
    for process, ids in zip(processes, queues.values(), strict=True):
        assert finish(process) == ids
    events = store.jobs.events(job.id)
    assert len(events) == 121
    for who, ids in queues.items():
        assert [event.id for event in events if event.by == who and event.seq > 1] == ids
    assert store.jobs.verify(job.id) == []
    by = [event.by for event in events[1:]]
    assert any(a != b for a, b in itertools.pairwise(by))


def test_two_devices_that_send_the_same_queue_make_one(
    store: Store, job: KeptJob, target: str
) -> None:
    ids = [new_id() for _ in range(40)]
    processes = [writer(target, job.id, "Ines", ids) for _ in range(2)]
    for process in processes:
        begin(process)
    assert [finish(process) for process in processes] == [ids, ids]
    assert [event.id for event in store.jobs.events(job.id)[1:]] == ids
    assert store.jobs.verify(job.id) == []


def test_two_processes_that_make_the_database_at_once(tmp_path: Path, backend: Backend) -> None:
    with fresh_target(tmp_path, backend) as target:
        processes = [writer(target, "", "", []) for _ in range(2)]
        for process in processes:
            begin(process)
        assert [finish(process) for process in processes] == [["0"], ["0"]]
        with Store.open(target) as store:
            assert store.jobs.all() == []
