"""A large yard: ranked side by side to the same days as machine by machine, on any store."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

from fleetkit import PLAIN, fill
from pastkit import TODAY, even, limited, on, read, serviced, whole_job
from sumpwright.planning.due import DueItem
from sumpwright.planning.machine import ServiceLimit
from sumpwright.records.due import due_for_yard
from sumpwright.records.fleet import part, rank
from sumpwright.records.store import Store
from sumpwright.records.taking import preview, take
from sumpwright.records.told import ToldReport, make
from webkit import fill_yard, tell_past
from yardkit import ready_target


def told(items: Sequence[DueItem]) -> list[tuple[Any, ...]]:
    """Everything that a ranking says of an item."""
    return [(i.machine, i.system, i.action, i.due, i.limit, i.service) for i in items]


def agree(store: Store, now: date) -> list[DueItem]:
    """Fail unless the ranking has the days that each machine has by itself; return the items."""
    ranking = rank(store, now, small=0)
    exact = due_for_yard(store, now)
    assert told([row.item for row in ranking.rows]) == told(exact)
    assert part(store, ranking) == exact
    middle = len(exact) // 2
    assert part(store, ranking, 7, middle) == exact[middle : middle + 7]
    return exact


def test_random_fleets_agree(store: Store) -> None:
    fill(store, 32, 8)
    items = [i for days in (0, 400) for i in agree(store, TODAY - timedelta(days=days))]
    # Every way out must be there, or agreement says little.
    assert {i.limit for i in items} >= {"distance", "date", "hours", ""}
    assert {i.service for i in items} == {"normal", "severe"}
    assert any(i.due.early != i.due.likely for i in items)


def test_plain_machines_are_ranked_side_by_side(store: Store) -> None:
    fill(store, 20, 3, odd=0.0)
    ranking = rank(store, TODAY, small=0)
    # By itself goes only one whose day a rounding could move, or whose last look asked for more.
    assert ranking.apart <= 6
    assert sum(not row.whole for row in ranking.rows) > 20
    assert all(not row.item.reasons for row in ranking.rows if not row.whole)
    assert ranking.machines == 20
    assert all(name.startswith(PLAIN) for name, _ in ranking.silent)


def test_the_demo_yard_and_what_tables_bring_agree(tmp_path: Path) -> None:
    with ready_target(tmp_path) as target, Store.open(target) as store:
        fill_yard(store)
        assert agree(store, date.today())
        tell_past(store)
        items = agree(store, date.today())
        assert any(i.limit == "distance" for i in items)
        table = "Machine;System;Kind;Capacity (L);Replace distance (km);Replace every (years)\n"
        table += "".join(f"Carrier {n};gearbox;other;9,2;60000;4\n" for n in range(10, 40))
        take(store, preview(store, "machines", table.encode(), "m.csv"))
        table = "Machine;Date;Odometer (km)\n" + "".join(
            f"Carrier {n};20{y:02d}-0{m}-1{n % 10};{(9000 + 40 * n) * (y + m / 12 - 20):.0f}\n"
            for n in range(10, 40)
            for y in (22, 23, 24)
            for m in (2, 5, 8)
        )
        take(store, preview(store, "readings", table.encode(), "r.csv"))
        table = "Machine;Date;Litres changed\n" + "".join(
            f"Carrier {n};2023-0{n % 9 + 1}-20;4,{n % 7}\n" for n in range(10, 40)
        )
        take(store, preview(store, "services", table.encode(), "s.csv"))
        assert len(agree(store, date.today())) >= len(items) + 30


def test_a_job_and_a_report_are_worked_out_by_themselves(store: Store) -> None:
    store.machines.add(limited())
    store.machines.add(limited(name="Van 1"))
    store.machines.add(limited(name="Van 2"))
    even(store)
    serviced(store, on(2019), done="filled", odometer=4e7)
    read(store, [(on(2024), 50000), (on(2025), 72000)], "Van 1")
    whole_job(store, on(2024, 3, 1), km=140000)
    report = make(ToldReport, {"system": "gearbox", "elements": {"Fe": 180.0}})
    store.told.add("Van 2", report, on(2025, 1, 20))
    ranking = rank(store, TODAY, small=0)
    assert ranking.apart == 2
    assert {row.item.machine for row in ranking.rows if not row.whole} == {"Van 1"}
    agree(store, TODAY)


def test_a_thermal_limit_and_contradicting_books_are_worked_out_by_themselves(
    store: Store,
) -> None:
    hot = ServiceLimit("replace", thermal=3.6e6, period=1e8)
    store.machines.add(limited(hot, name="Van 1", thermal_reference=363.15))
    store.machines.add(limited())
    serviced(store, on(2023), done="filled", odometer=1.17e8)
    for month in (1, 2):
        serviced(store, on(2024, month), done="lost", volume=0.009)
    ranking = rank(store, TODAY, small=0)
    assert ranking.apart == 2
    items = agree(store, TODAY)
    assert any("contradict themselves" in str(r) for i in items for r in i.reasons)


def test_a_small_yard_has_its_reasons_at_once(store: Store) -> None:
    store.machines.add(limited())
    even(store)
    silent = limited(name="Van 1")
    box = replace(silent.machine.systems[0], limits=())
    store.machines.add(replace(silent, machine=replace(silent.machine, systems=(box,))))
    ranking = rank(store, TODAY)
    assert [row.item for row in ranking.rows] == due_for_yard(store, TODAY)
    assert all(row.whole for row in ranking.rows)
    assert ranking.silent == (("Van 1", "gearbox"),)
    assert ranking.overdue == sum(row.item.overdue(TODAY) for row in ranking.rows)


def test_a_machine_that_left_meanwhile_is_passed_over(store: Store) -> None:
    fill(store, 6, 4, odd=0.0)
    ranking = rank(store, TODAY, small=0)
    gone = ranking.rows[0]
    store.machines.retire(gone.item.machine)
    left = part(store, ranking)
    assert gone.item.machine not in {item.machine for item in left}
    assert left == due_for_yard(store, TODAY)
