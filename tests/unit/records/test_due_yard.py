"""What is due, from what the yard holds: services, jobs, readings, reports, use."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date, timedelta

import pytest

from pastkit import INSPECT, NOW, REPLACE, TODAY, even, limited, on, read, serviced, whole_job
from sumpwright.errors import Complaint
from sumpwright.planning.due import DueItem
from sumpwright.planning.ledger import Point
from sumpwright.planning.machine import Machine, ReportBound, ServiceLimit, Sheet, Span, WetSystem
from sumpwright.records.books import book_of, load, meters_of, past_of, readings_of
from sumpwright.records.due import due_for_yard, item_json, machine_due
from sumpwright.records.effects import effect_of, effects_of
from sumpwright.records.schema import JobEffectRow
from sumpwright.records.store import Store
from sumpwright.records.told import (
    ToldDrive,
    ToldMeter,
    ToldReport,
    ToldTemperatures,
    ToldUse,
    make,
)
from yardkit import FLUID, carrier


def items(store: Store, now: date = TODAY) -> dict[tuple[str, str], DueItem]:
    return {(i.machine, i.action): i for i in due_for_yard(store, now)}


def said(item: DueItem) -> str:
    return "\n".join(str(reason) for reason in item.reasons)


def test_a_half_change_counts_as_half(store: Store) -> None:
    store.machines.add(limited())
    even(store)
    serviced(store, on(2019), done="filled", odometer=4e7)
    serviced(store, on(2024, 3, 1), volume=0.0046, odometer=1.4e8)
    item = items(store)["Carrier 2", "replace"]
    # Half of 9.2 L: the mean age on that day fell from 100 000 km to 50 000 km, so the
    # 60 000 km were full 10 000 km later, half a year at 20 000 km a year.
    assert item.limit == "distance"
    assert item.due.likely is not None
    assert abs((item.due.likely - date(2024, 8, 31)).days) <= 8
    assert item.overdue(TODAY)
    assert "replaced 50 %" in said(item)


def test_jobs_feed_the_ledger_with_their_estimated_share_and_its_band(store: Store) -> None:
    store.machines.add(limited())
    even(store)
    job = whole_job(store, on(2024, 3, 1, 9), km=140000)
    found = machine_due(store, "carrier 2", TODAY)
    (system,) = found.systems
    book = system.book
    assert book.ledger is not None
    assert book.oldest is not None
    assert book.freshest is not None
    (step,) = book.ledger.steps
    effect = effect_of(store.jobs.state(job.id))
    shares = [b.steps[0].share for b in (book.oldest, book.ledger, book.freshest)]
    assert shares == pytest.approx([effect.low, effect.mid, effect.high])
    assert book.origin(step).id == job.id
    assert step.happening.volume == pytest.approx(0.0141)
    assert step.point.distance == pytest.approx(1.4e8)
    assert effect.mid is not None
    assert 0.93 < effect.mid < 0.98
    item = next(i for i in system.items if i.action == "replace")
    # What stays of the first fluid may be as old as the machine: 7 % of 140 000 km.
    assert item.due.early is not None
    assert effect.low is not None
    older = (1 - effect.low) * 1.4e8 / 2e7 * 365.25
    by_distance = next(row for row in item.limits if row.kind == "distance")
    early = date.fromtimestamp(by_distance.early)
    assert abs((early - item.due.early).days - older) < 0.35 * older
    assert "as old as the machine" in said(item)
    assert f"between {100 * effect.low:.1f} %" in said(item)


def test_the_band_of_a_job_widens_the_dates(store: Store) -> None:
    wide = (Span(0.0080, 0.0104), Span(0.0036, 0.0046))
    sheet = limited(ServiceLimit("replace", period=126230400.0), capacity=wide[0], drain=wide[1])
    store.machines.add(sheet)
    serviced(store, on(2016), done="filled")
    whole_job(store, on(2024, 3, 1), bottles=0)
    item = items(store)["Carrier 2", "replace"]
    # By the calendar alone the three dates are one; only the fresh share is uncertain.
    assert item.due.early is not None
    assert item.due.likely is not None
    assert item.due.late is not None
    assert item.due.early < item.due.likely - timedelta(days=30)
    assert item.due.late > item.due.likely + timedelta(days=30)


def test_an_open_job_and_one_taken_back_count_for_nothing(store: Store) -> None:
    store.machines.add(limited())
    even(store)
    serviced(store, on(2019), done="filled", odometer=4e7)
    before = items(store)
    job = whole_job(store, on(2024, 3, 1), km=140000)
    assert items(store) != before
    store.jobs.undo(job.id)
    assert (
        items(store)["Carrier 2", "replace"].due.likely == before["Carrier 2", "replace"].due.likely
    )


def test_effects_are_worked_out_once_and_anew_when_the_log_has_grown(store: Store) -> None:
    store.machines.add(limited())
    job = whole_job(store, on(2024, 3, 1), km=140000)
    first = effects_of(store, [job])
    with store.writing() as session:
        row = session.get_one(JobEffectRow, job.id)
        assert row.head == job.head
        row.plain = row.plain.replace('"lost":0', '"lost":0.001')
    assert effects_of(store, [job])[job.id].lost == 0.001
    store.jobs.undo(job.id)
    store.jobs.append(job.id, "lost", {"volume": 0.0002})
    store.jobs.append(job.id, "closed", {})
    again = store.jobs.get(job.id)
    assert effects_of(store, [again])[job.id].lost == 0.0002
    assert effects_of(store, [replace(again, closed_at=None)]) == {}
    assert first[job.id].put_in == pytest.approx(0.0141)


def test_a_job_without_a_release_is_a_top_up_and_one_without_a_fill_a_loss(store: Store) -> None:
    store.machines.add(limited())
    job = store.jobs.start("Carrier 2", method="drain-and-refill", target=0.9, confidence=0.9)
    store.jobs.append(job.id, "filled", {"volume": 0.0005, "fluid": FLUID})
    effect = effect_of(store.jobs.state(job.id))
    topped = effect.happening(NOW, 0.0092, effect.mid)
    assert topped is not None
    assert (topped.what, topped.volume, topped.fluid) == ("topped up", 0.0005, FLUID)
    store.jobs.undo(job.id)
    effect = effect_of(store.jobs.state(job.id))
    assert effect.happening(NOW, 0.0092, effect.mid) is None
    store.jobs.append(job.id, "drained", {"volume": 0.001})
    lost = effect_of(store.jobs.state(job.id)).happening(NOW, 0.0092, None)
    assert lost is not None
    assert (lost.what, lost.volume) == ("lost", 0.001)


def test_a_reading_that_falls_is_kept_out_shown_and_not_lost(store: Store) -> None:
    store.machines.add(limited())
    even(store)
    clean = items(store)["Carrier 2", "inspect"]
    read(store, [(on(2025, 2, 10), 15980.0)])
    found = machine_due(store, "Carrier 2", TODAY)
    (doubt,) = found.meters.doubts
    assert doubt.seen.source == "reading"
    assert doubt.seen.reading.value == 15980e3
    item = items(store)["Carrier 2", "inspect"]
    assert item.due == clean.due
    assert "does not fit between its neighbours" in said(item)
    assert len(store.readings.of("Carrier 2")) == 37


def test_many_doubts_are_counted(store: Store) -> None:
    store.machines.add(limited())
    even(store)
    read(store, [(on(2025, 2, k), 100.0 + k) for k in range(1, 6)])
    assert "3 more readings are kept out" in said(items(store)["Carrier 2", "inspect"])


def test_a_service_whose_odometer_cannot_be_keeps_its_day(store: Store) -> None:
    store.machines.add(limited())
    even(store)
    serviced(store, on(2019), done="filled", odometer=4e7)
    serviced(store, on(2024, 3, 1), share=1.0, odometer=1.4e7)
    found = machine_due(store, "Carrier 2", TODAY)
    assert [d.seen.source for d in found.meters.doubts] == ["service"]
    ledger = found.systems[0].book.ledger
    assert ledger is not None
    assert ledger.steps[-1].point.distance == pytest.approx(1.4e8, rel=1e-3)


def test_a_replaced_meter_joins_the_two(store: Store) -> None:
    store.machines.add(limited())
    read(store, [(on(2023), 100000), (on(2024), 120000), (on(2024, 6), 3000), (on(2025), 15000)])
    assert len(machine_due(store, "Carrier 2", TODAY).meters.doubts) == 2
    store.told.add(
        "Carrier 2",
        make(ToldMeter, {"what": "odometer", "old": 1.27e8, "new": 0.0}),
        on(2024, 4, 20),
    )
    found = machine_due(store, "Carrier 2", TODAY)
    assert found.meters.doubts == ()
    assert found.meters.distance.track is not None
    assert found.meters.distance.track.totals.tolist() == [1e8, 1.2e8, 1.3e8, 1.42e8]


def test_the_sheet_stands_in_for_readings(store: Store) -> None:
    store.machines.add(limited(odometer=8e7))
    (past,) = load(store)
    (seen,) = readings_of(past, "distance")
    assert (seen.source, seen.reading.value) == ("sheet", 8e7)
    store.machines.change("Carrier 2", limited(odometer=8e7, clean="18/16/13"))
    again = readings_of(past_of(store, "Carrier 2"), "distance")
    assert again == [seen]
    read(store, [(on(2025), 85000)])
    assert [s.source for s in readings_of(past_of(store, "Carrier 2"), "distance")] == ["reading"]


def test_one_look_at_the_meter_told_twice_is_one_reading(store: Store) -> None:
    store.machines.add(limited())
    serviced(store, on(2024), volume=0.004, odometer=1.4e8)
    read(store, [(on(2024), 140000)])
    found = machine_due(store, "Carrier 2", TODAY)
    assert found.meters.doubts == ()
    assert found.meters.distance.track is not None
    assert len(found.meters.distance.track) == 1


def test_use_as_the_user_says_it_helps_a_single_reading(store: Store) -> None:
    store.machines.add(limited())
    serviced(store, on(2025, 2, 1), done="filled", odometer=1e8)
    assert items(store)["Carrier 2", "inspect"].due.likely is None
    store.told.add("Carrier 2", make(ToldUse, {"distance": (1.8e7, 2.2e7)}), NOW)
    item = items(store)["Carrier 2", "inspect"]
    assert item.due.likely is not None
    assert abs((item.due.likely - date(2026, 2, 1)).days) <= 2
    assert "is assumed" in said(item)
    store.told.add("Carrier 2", make(ToldUse, {"service": "severe"}), NOW)
    assert items(store)["Carrier 2", "replace"].service == "severe"


def test_logged_drives_decide_between_normal_and_severe(store: Store) -> None:
    store.machines.add(limited())
    even(store)
    serviced(store, on(2024, 3, 1), done="filled", odometer=1.4e8)
    normal = items(store)["Carrier 2", "replace"]
    towing = make(ToldDrive, {"distance": 4e4, "trailer": True})
    store.told.add_many("Carrier 2", [(towing, on(2025, 1, k), "") for k in range(1, 13)])
    severe = items(store)["Carrier 2", "replace"]
    assert (normal.service, severe.service) == ("normal", "severe")
    assert "with a trailer" in said(severe)
    assert severe.due.likely is not None
    assert normal.due.likely is not None
    # 40 000 km instead of 60 000 km, at 20 000 km a year.
    assert abs((normal.due.likely - severe.due.likely).days - 365) < 5


def test_an_inspection_sets_its_own_clock_and_may_ask_for_a_change(store: Store) -> None:
    store.machines.add(limited())
    even(store)
    serviced(store, on(2023), done="filled", odometer=1.17e8)
    late = items(store)["Carrier 2", "inspect"]
    serviced(store, on(2025, 2, 1), done="inspected", verdict="good")
    good = items(store)
    assert good["Carrier 2", "inspect"].due.likely is not None
    assert late.due.likely is not None
    assert good["Carrier 2", "inspect"].due.likely > late.due.likely
    assert good["Carrier 2", "replace"].limit != "condition"
    serviced(store, on(2025, 2, 10), done="inspected", verdict="replace")
    asked = items(store)["Carrier 2", "replace"]
    assert asked.limit == "condition"
    assert asked.due.likely == date(2025, 2, 10)
    assert "found it due for replacement" in said(asked)
    serviced(store, on(2025, 2, 20), share=1.0)
    done = items(store)
    assert done["Carrier 2", "replace"].limit != "condition"
    assert done["Carrier 2", "inspect"].due.likely > good["Carrier 2", "inspect"].due.likely


def test_a_report_over_its_bound_makes_a_change_due_and_a_wrong_one_is_kept_out(
    store: Store,
) -> None:
    store.machines.add(limited(bounds=(ReportBound("Fe", act_above=150.0),)))
    even(store)
    serviced(store, on(2023), done="filled", odometer=1.17e8)
    before = items(store)
    wrong = make(
        ToldReport, {"system": "gearbox", "viscosity_40": 220e-6, "elements": {"Fe": 400.0}}
    )
    store.told.add("Carrier 2", wrong, on(2025, 1, 10))
    found = machine_due(store, "Carrier 2", TODAY)
    (system,) = found.systems
    assert [f.name for f in system.assessment.kept_out] == ["wrong fluid"]
    assert items(store) == before
    right = make(
        ToldReport, {"system": "gearbox", "viscosity_40": 28e-6, "elements": {"Fe": 180.0}}
    )
    store.told.add("Carrier 2", right, on(2025, 1, 20))
    item = items(store)["Carrier 2", "replace"]
    assert (item.limit, item.due.likely) == ("condition", date(2025, 1, 20))
    assert "iron: 180 mg/kg" in said(item)


def test_a_report_alone_makes_an_item_where_the_sheet_has_no_limit(store: Store) -> None:
    box = replace(carrier().machine.systems[0], bounds=(ReportBound("Fe", act_above=150.0),))
    store.machines.add(Sheet(Machine("Carrier 2", (box,))))
    assert items(store) == {}
    report = make(ToldReport, {"system": "gearbox", "elements": {"Fe": 180.0}})
    store.told.add("Carrier 2", report, on(2025, 1, 20))
    assert set(items(store)) == {("Carrier 2", "replace"), ("Carrier 2", "inspect")}


def test_thermal_age_is_gathered_from_logs_with_and_without_their_drive(store: Store) -> None:
    hot = ServiceLimit("replace", thermal=3.6e6)
    store.machines.add(limited(hot, thermal_reference=363.15))
    serviced(store, on(2025, 1, 1), done="filled")
    for k in range(1, 29):
        drive = store.told.add("Carrier 2", make(ToldDrive, {"duration": 3600.0}), on(2025, 1, k))
        log = make(
            ToldTemperatures,
            {
                "system": "gearbox",
                "edges": [373.0, 373.3],
                "durations": [3600.0],
                "drive": drive.id if k % 2 else "",
            },
        )
        if k % 2 or k == 2:
            store.told.add("Carrier 2", log, on(2025, 1, k))
    found = machine_due(store, "Carrier 2", TODAY)
    meter = found.systems[0].meters["thermal"]
    assert meter.track is not None
    # 28 drives of an hour and one log of its own, twice as fast at 10 K above 90 °C.
    assert meter.track.totals[-1] == pytest.approx(29 * 7200.0, rel=1e-3)
    (item,) = found.items
    assert item.limit == "thermal"
    assert item.due.likely is not None


def test_books_that_contradict_themselves_say_so_and_leave_the_rest(store: Store) -> None:
    store.machines.add(limited())
    store.machines.add(limited(name="Van 1"))
    even(store)
    serviced(store, on(2023), done="filled", odometer=1.17e8)
    serviced(store, on(2024), done="lost", volume=0.009)
    serviced(store, on(2024, 2), done="lost", volume=0.009)
    found = items(store)
    assert len(found) == 4
    item = found["Carrier 2", "replace"]
    assert item.due.likely is None
    assert "contradict themselves" in said(item)
    assert "more than the 0.20 L that were there" in said(item)


def test_a_machine_of_which_nothing_is_known_says_what_is_missing(store: Store) -> None:
    store.machines.add(limited())
    found = items(store)
    assert {i.due.likely for i in found.values()} == {None}
    assert "the odometer at the last service is not known" in said(found["Carrier 2", "replace"])


def test_a_system_without_limits_and_a_machine_that_left_are_not_due(store: Store) -> None:
    store.machines.add(carrier("Van 1"))
    store.machines.add(limited())
    assert {m for m, _ in items(store)} == {"Carrier 2"}
    store.machines.retire("Carrier 2")
    assert items(store) == {}
    with pytest.raises(Complaint, match="no machine"):
        machine_due(store, "Sledge")


def test_the_yard_is_sorted_and_its_json_is_plain(store: Store) -> None:
    store.machines.add(limited())
    store.machines.add(limited(REPLACE, INSPECT, name="Van 1", odometer=9e7))
    even(store)
    serviced(store, on(2021), done="filled", odometer=7.7e7)
    found = due_for_yard(store, TODAY)
    likely = [item.due.likely or date.max for item in found]
    assert likely == sorted(likely)
    data = [item_json(item, TODAY) for item in found]
    assert json.loads(json.dumps(data, allow_nan=False)) == data
    assert {"machine", "system", "action", "due", "limit", "reasons"} <= set(data[0])
    assert set(data[0]["due"]) == {"early", "likely", "late"}
    assert [row["limit"] for row in data[0]["limits"]]
    by_machine = machine_due(store, "Carrier 2", TODAY).items
    assert by_machine == [item for item in found if item.machine == "Carrier 2"]


def test_mean_age_is_that_of_the_books(store: Store) -> None:
    store.machines.add(limited())
    even(store)
    serviced(store, on(2023), done="filled", odometer=1.17e8)
    past = past_of(store, "Carrier 2")
    system = WetSystem(
        "gearbox", "axle", Span(0.0092, 0.0092), limits=past.machine.sheet.machine.systems[0].limits
    )
    meters = meters_of(past, TODAY).of(system)
    book = book_of(past, system, meters)
    assert book.ledger is not None
    assert book.ledger.mean_age(Point(distance=1.6e8), "distance") == pytest.approx(4.3e7)
