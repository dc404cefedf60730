"""Fifty phones at one job at once, and a listener that must hear it all in order."""

from __future__ import annotations

import json
import threading
from typing import Any

import httpx

from sumpwright.records.chain import new_id
from sumpwright.records.jobs import KeptJob
from sumpwright.records.store import Store
from webserver import Killable

PHONES = 50
EACH = 4


def test_fifty_phones_at_once_lose_nothing_and_a_listener_hears_all_in_order(
    store: Store, job: KeptJob, target: str
) -> None:
    made: dict[int, list[str]] = {n: [new_id() for _ in range(EACH)] for n in range(PHONES)}
    statuses: list[int] = []
    together = threading.Barrier(PHONES)
    heard: list[int] = []
    all_heard = threading.Event()

    with Killable(target) as server:
        events = f"{server.address}/api/jobs/{job.id}/events?standing=false"

        def post(number: int) -> None:
            with httpx.Client(timeout=60) as client:
                together.wait(60)
                for id in made[number]:
                    entry: dict[str, Any] = {
                        "id": id,
                        "kind": "noted",
                        "body": {"text": "here"},
                        "by": f"phone {number}",
                    }
                    statuses.append(client.post(events, json={"events": [entry]}).status_code)

        def listen() -> None:
            address = f"{server.address}/jobs/{job.id}/live?after=1"
            with httpx.stream("GET", address, timeout=60) as stream:
                kind = ""
                for line in stream.iter_lines():
                    if line.startswith("event: "):
                        kind = line.removeprefix("event: ")
                    elif line.startswith("data: ") and kind == "entry":
                        heard.append(json.loads(line.removeprefix("data: "))["seq"])
                        if len(heard) == PHONES * EACH:
                            all_heard.set()
                            return

        threads = [threading.Thread(target=post, args=(n,)) for n in range(PHONES)]
        listener = threading.Thread(target=listen)
        listener.start()
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join(120)
        assert all_heard.wait(60)
        listener.join(10)

    assert statuses == [200] * (PHONES * EACH)
    assert heard == list(range(2, PHONES * EACH + 2))
    kept = [event.id for event in store.jobs.events(job.id)[1:]]
    assert len(kept) == len(set(kept)) == PHONES * EACH
    for ids in made.values():
        assert [id for id in kept if id in set(ids)] == ids
    assert store.jobs.verify(job.id) == []
