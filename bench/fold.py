"""Folding a job's log: one pass against counting afresh at every entry."""

from __future__ import annotations

import itertools
import random
from datetime import UTC, datetime, timedelta
from time import perf_counter
from typing import Any

from sumpwright.planning.machine import Machine, Plug, Sheet, Span, WetSystem
from sumpwright.records.chain import Event, new_id, seal
from sumpwright.records.fold import Folding, fold
from sumpwright.records.snapshot import sheet_to_plain

LONG = 10_000
SHORT = 1_000
"""Counting afresh costs the square of the length; at ``LONG`` it would take minutes."""


def make_log(length: int) -> list[Event]:
    """Return an invented log of a very long job, every twentieth entry an undo."""
    rng = random.Random(1)
    box = WetSystem(
        "gearbox",
        "torque-converter automatic",
        Span(0.0092, 0.0092),
        sump=Span(0.0048, 0.0048),
        plugs=(Plug("drain", Span(27.0, 27.0)),),
    )
    opened: dict[str, Any] = {
        "machine": new_id(),
        "system": "gearbox",
        "sheet": sheet_to_plain(Sheet(Machine("Carrier 2", (box,)))),
        "method": "drain-and-refill",
        "target": 0.9,
        "confidence": 0.9,
    }
    round_of_work = itertools.cycle(
        [
            ("drained", {"volume": 0.004}),
            ("filled", {"volume": 0.004, "fluid": "Cable Green 7"}),
            ("drove", {"distance": 5000.0}),
            ("read", {"what": "temperature", "value": 315.0, "unit": "K"}),
            ("tightened", {"plug": "drain", "torque": 27.0}),
        ]
    )
    events: list[Event] = []
    at = datetime(2025, 3, 1, tzinfo=UTC)
    job = new_id()
    for seq in range(1, length + 1):
        if seq == 1:
            kind, body = "opened", opened
        elif seq % 20 == 0:
            kind, body = "reversed", {"event": events[rng.randrange(1, len(events))].id}
        else:
            kind, body = next(round_of_work)
        prev = events[-1].hash if events else ""
        at += timedelta(seconds=30)
        events.append(seal(new_id(), job, seq, at, "Ines", kind, body, prev))
    return events


def _best(work: Any, times: int = 3) -> float:
    taken = []
    for _ in range(times):
        start = perf_counter()
        work()
        taken.append(perf_counter() - start)
    return min(taken)


def _afresh(events: list[Event]) -> None:
    for place in range(1, len(events) + 1):
        fold(events[:place])


def _entry_by_entry(events: list[Event]) -> None:
    walking = Folding()
    for event in events:
        walking.push(event)
        walking.state()


def run() -> None:
    """Print how long a long log takes, and what counting afresh would cost on a shorter one."""
    long = make_log(LONG)
    once = _best(lambda: fold(long))
    print(f"fold: {LONG} entries in one pass: {once * 1e3:.1f} ms")

    short = long[:SHORT]
    one_pass = _best(lambda: fold(short))
    walking = _best(lambda: _entry_by_entry(short))
    afresh = _best(lambda: _afresh(short), times=1)
    print(
        f"fold: {SHORT} entries, measured, against counting afresh at every entry "
        f"({afresh * 1e3:.0f} ms): one pass {afresh / one_pass:.0f} times faster, "
        f"the state kept at every entry {afresh / walking:.1f} times faster"
    )


if __name__ == "__main__":
    run()
