"""The server killed in the middle of writing, again and again, with devices that send on."""

from __future__ import annotations

import os
import random
import threading
import time
from datetime import UTC, datetime
from typing import Any

import httpx

from sumpwright.records.chain import new_id
from sumpwright.records.jobs import KeptJob
from sumpwright.records.store import Store
from webserver import Killable

KILLS = int(os.environ.get("SUMPWRIGHT_KILLS", "200"))
"""How often; more with the setting, for a longer run."""


class Phone(threading.Thread):
    """A device that sends its queue as often as it must, in order."""

    def __init__(self, address: str, job: str, name: str, enough: threading.Event) -> None:
        super().__init__()
        self.address = f"{address}/api/jobs/{job}/events?standing=false"
        self.who, self.enough = name, enough
        self.made: list[str] = []
        self.acknowledged: list[str] = []
        self.again = 0
        self.wrong: list[str] = []

    def run(self) -> None:
        rng = random.Random(self.who)
        with httpx.Client(timeout=5) as client:
            while not self.enough.is_set():
                batch = [self.entry() for _ in range(rng.randint(1, 4))]
                self.made += [entry["id"] for entry in batch]
                self.send(client, batch)

    def entry(self) -> dict[str, Any]:
        return {
            "id": new_id(),
            "kind": "noted",
            "body": {"text": f"entry {len(self.made)} of {self.who}"},
            "at": datetime.now(UTC).isoformat(),
            "by": self.who,
        }

    def send(self, client: httpx.Client, batch: list[dict[str, Any]]) -> None:
        while True:
            try:
                answer = client.post(self.address, json={"events": batch})
            except httpx.TransportError:
                self.again += 1
                time.sleep(0.002)
                continue
            if answer.status_code != 200:
                self.wrong.append(answer.text)
                return
            self.acknowledged += [added["event"]["id"] for added in answer.json()["added"]]
            return


def test_no_acknowledged_entry_is_lost_and_none_is_doubled_when_the_server_is_killed(
    store: Store, job: KeptJob, target: str
) -> None:
    enough = threading.Event()
    rng = random.Random(1)
    with Killable(target) as server:
        phones = [Phone(server.address, job.id, name, enough) for name in ("Ines", "Otto")]
        for phone in phones:
            phone.start()
        for _ in range(KILLS):
            before = sum(len(phone.acknowledged) for phone in phones)
            while sum(len(phone.acknowledged) for phone in phones) == before:
                time.sleep(0.001)
            time.sleep(rng.uniform(0.0, 0.03))
            server.kill()
            server.start()
        enough.set()
        for phone in phones:
            phone.join(60)
    assert [phone.wrong for phone in phones] == [[], []]
    assert sum(phone.again for phone in phones) >= KILLS // 2, "the kills hit no request"
    kept = [event.id for event in store.jobs.events(job.id)[1:]]
    assert len(kept) == len(set(kept))
    for phone in phones:
        own = set(phone.made)
        assert [id for id in kept if id in own] == phone.made == phone.acknowledged
    assert store.jobs.verify(job.id) == []
