"""The pages on a full yard: push against polling, pages and entries at the 95th percentile.

Run as ``python bench/web.py``. A real server in a process of its own serves a yard of 500
machines whose jobs hold 20,000 entries. Measured through real sockets on this machine:

- how long after the bay sends a call the seat's stream has it, against a seat that asks once
  a second instead;
- each page, and the keeping of one entry (to the disk), 95th percentile of many requests, one
  after another;
- how many bytes the first page and the bay screen take, compressed as a browser asks for it.

Prints numbers and ratios; asserts nothing about time.
"""

from __future__ import annotations

import json
import re
import statistics
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import httpx

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests"))

from sumpwright.planning.machine import Machine
from sumpwright.records.chain import new_id
from sumpwright.records.jobs import NewEvent
from sumpwright.records.store import Store
from webserver import Killable
from yardkit import FLUID, carrier

MACHINES = 500
ENTRIES = 20_000
EACH = 100
"""Entries of one job."""
CALLS = 60
POLLS = 12
REQUESTS = 60
APPENDS = 200
CALL = {"to": "seat", "instruction": "Stop", "turns": "off"}


def fill(target: str) -> str:
    """Make the yard; return the id of one of its open jobs."""
    with Store.open(target) as store:
        sheet = carrier()
        for n in range(MACHINES):
            machine = replace(sheet.machine, name=f"Carrier {n}")
            assert isinstance(machine, Machine)
            store.machines.save(replace(sheet, machine=machine))
        job = ""
        for n in range(ENTRIES // EACH):
            job = store.jobs.start(
                f"Carrier {n}", method="line-discharge", target=0.9, confidence=0.9
            ).id
            store.jobs.append_all(job, list(entries(EACH - 1)))
    return job


def entries(count: int) -> list[NewEvent]:
    """Entries of a job: cycles, readings, notes."""
    made = [
        NewEvent("drained", {"volume": 0.0041, "step": "drain.1"}),
        NewEvent("filled", {"volume": 0.0041, "fluid": FLUID, "step": "fill.1"}),
    ]
    for n in range(3):
        made += [
            NewEvent("discharged", {"volume": 0.002, "seconds": 58.0}),
            NewEvent("filled", {"volume": 0.002, "fluid": FLUID, "step": f"fill.{n + 2}"}),
        ]
    while len(made) < count:
        n = len(made)
        made.append(
            NewEvent("read", {"what": "temperature", "value": 300.0 + n % 40, "unit": "K"})
            if n % 3 == 0
            else NewEvent("did", {"step": f"place.{n}"})
        )
    return made[:count]


def p95(seconds: list[float]) -> float:
    """95th percentile in ms."""
    return statistics.quantiles(seconds, n=20)[-1] * 1e3


def call(client: httpx.Client, job: str) -> tuple[str, float]:
    """Call the seat; return the call's id and when it was sent."""
    id = new_id()
    at = time.perf_counter()
    answer = client.post(
        f"/api/jobs/{job}/events?standing=false",
        json={"events": [{"id": id, "kind": "signal", "body": CALL}]},
    )
    answer.raise_for_status()
    return id, at


def pushed(address: str, job: str) -> list[float]:
    """Seconds from sending a call to its arrival on the seat's stream."""
    heard: dict[str, float] = {}
    sent: dict[str, float] = {}
    ready, ended = threading.Event(), threading.Event()

    def listen() -> None:
        length = httpx.get(f"{address}/api/jobs/{job}/events", timeout=60).json()["length"]
        with httpx.stream("GET", f"{address}/jobs/{job}/live?after={length}", timeout=60) as news:
            for line in news.iter_lines():
                at = time.perf_counter()
                ready.set()
                if line.startswith('data: {"id"'):
                    heard[json.loads(line.removeprefix("data: "))["id"]] = at
                if len(heard) == CALLS or ended.is_set():
                    return

    listener = threading.Thread(target=listen, daemon=True)
    listener.start()
    ready.wait(30)
    with httpx.Client(base_url=address, timeout=60) as client:
        for _ in range(CALLS):
            id, at = call(client, job)
            sent[id] = at
            time.sleep(0.05)
    listener.join(10)
    ended.set()
    return [heard[id] - sent[id] for id in sent]


def polled(address: str, job: str) -> list[float]:
    """The same for a seat that asks once a second."""
    took = []
    with httpx.Client(base_url=address, timeout=60) as client:
        for n in range(POLLS):
            length = client.get(f"/api/jobs/{job}/events?after=99999").json()["length"]
            asked = time.perf_counter()
            # Calls come at every moment between two questions, evenly spread.
            time.sleep((n + 0.5) / POLLS)
            id, at = call(client, job)
            while True:
                asked += 1.0
                time.sleep(max(0.0, asked - time.perf_counter()))
                found = client.get(f"/api/jobs/{job}/events?after={length}").json()["events"]
                if any(event["id"] == id for event in found):
                    took.append(time.perf_counter() - at)
                    break
    return took


def timed(act: Callable[[], httpx.Response], count: int) -> list[float]:
    """Seconds of each request."""
    took = []
    for _ in range(count):
        start = time.perf_counter()
        act().raise_for_status()
        took.append(time.perf_counter() - start)
    return took


def weigh(client: httpx.Client, page: str) -> tuple[int, int]:
    """Bytes over the wire and number of requests of a page with all that it loads."""
    waiting, seen, total = [page], set[str](), 0
    while waiting:
        path = waiting.pop()
        if path in seen:
            continue
        seen.add(path)
        with client.stream("GET", path) as answer:
            total += sum(len(piece) for piece in answer.iter_raw())
        text = client.get(path).text
        if path == page:
            waiting += re.findall(r'(?:src|href)="(/static/[^"]+)"', text)
        elif ".js" in path:
            folder = path.rpartition("/")[0]
            waiting += [f"{folder}/{name}" for name in re.findall(r'from "\./([^"]+)"', text)]
    return total, len(seen)


def run() -> None:
    """Measure and print."""
    with tempfile.TemporaryDirectory() as folder:
        target = f"{folder}/yard.db"
        start = time.perf_counter()
        job = fill(target)
        print(
            f"yard of {MACHINES} machines, {ENTRIES} entries: {time.perf_counter() - start:.0f} s"
        )
        with (
            Killable(target) as server,
            httpx.Client(
                base_url=server.address, timeout=60, headers={"accept-encoding": "gzip"}
            ) as client,
        ):
            measure(server.address, client, job)


def measure(address: str, client: httpx.Client, job: str) -> None:
    """Measure one running server."""
    machine = client.get(f"/api/jobs/{job}").json()["machine"]
    pages = {
        "the yard": "/",
        "a machine": f"/machines/{machine}",
        "its plan": f"/machines/{machine}/systems/1/plan",
        "the list of jobs": "/jobs",
        "a job": f"/jobs/{job}",
        "its step, plain": f"/jobs/{job}/step",
        "the bay screen": f"/jobs/{job}/bay",
        "what the bay works with": f"/jobs/{job}/bay.json",
        "a record": f"/jobs/{job}/record",
    }
    print(f"\npages, 95th percentile of {REQUESTS} requests (the first, cold one aside):")
    for name, path in pages.items():
        cold = timed(lambda path=path: client.get(path), 1)[0]  # type: ignore[misc]
        warm = timed(lambda path=path: client.get(path), REQUESTS)  # type: ignore[misc]
        print(
            f"  {name:24} {p95(warm):6.0f} ms (median {statistics.median(warm) * 1e3:.0f}, "
            f"cold {cold * 1e3:.0f})"
        )
    append = f"/api/jobs/{job}/events?standing=false"
    program = httpx.Client(base_url=address, timeout=60)
    took = timed(
        lambda: program.post(append, json={"events": [{"kind": "noted", "body": {"text": "x"}}]}),
        APPENDS,
    )
    print(
        f"  {'keeping one entry':24} {p95(took):6.1f} ms (median "
        f"{statistics.median(took) * 1e3:.1f})"
    )
    for name, path in (("first page", "/"), ("bay screen", f"/jobs/{job}/bay")):
        total, count = weigh(client, path)
        print(f"  {name}: {total / 1000:.0f} kB compressed in {count} requests")
    push, poll = pushed(address, job), polled(address, job)
    median = statistics.median(push)
    print(
        f"\nfrom the bay to the seat, median of {CALLS}: {median * 1e3:.0f} ms "
        f"(95th percentile {p95(push):.0f})"
    )
    print(
        f"asking once a second instead, median of {POLLS}: {statistics.median(poll) * 1e3:.0f} ms "
        f"({statistics.median(poll) / median:.0f} times as long)"
    )


if __name__ == "__main__":
    run()
