"""Files taken into the yard: shown first, every fault by its line; then whole or not at all."""

from __future__ import annotations

import io
from datetime import date

import openpyxl
import pytest

from pastkit import TODAY, even, limited, on, serviced
from sumpwright.errors import Complaint
from sumpwright.planning.clock import YEAR
from sumpwright.planning.machine import ServiceLimit, Span
from sumpwright.records.due import machine_due
from sumpwright.records.store import Store
from sumpwright.records.taking import SORTS, Sort, preview, take
from sumpwright.records.told import ToldMeter, ToldReport, ToldService, make
from yardkit import carrier

MACHINES = """\
Machine;Odometer (km);System;Kind;Capacity (L);Drain (L);Fluid;Replace distance (km);\
Severe replace distance (km);Replace every (years);Inspect hours (h)
Van 7;84 350;gearbox;CVT;8,1;4,4;Belt Clear 3;60000;40000;4;
Van 7;;engine;engine;5,2;4,8;Col Amber 5;;;1;
Sledge;;track drive;hydrostatic drive;28;;Snow Gold 46;;;;500
"""
READINGS = """\
Date,Machine,Odometer (km)
2024-01-01,Carrier 2,100000
2024-06-01,carrier 2,109000
2024-09-01,Carrier 2,11100
2025-01-01,Carrier 2,119000
"""
SERVICES = """\
Date;Machine;System;What;Litres;Odometer (km)
1.6.2021;Carrier 2;gearbox;filled;9,2;60 000
1.6.2023;Carrier 2;gearbox;changed;4,1;90 000
1.1.2024;Carrier 2;gearbox;top-up;0,4;
"""
REPORTS = """\
Date,Machine,System,Sample,Odometer (km),Visc @ 40 °C (cSt),Fe (ppm)
2024-03-01,Carrier 2,gearbox,L-1,101000,28.1,40
2024-09-01,Carrier 2,gearbox,L-2,111000,27.9,55
"""
PAST: tuple[Sort, ...] = ("services", "readings", "reports")
FILES: dict[Sort, str] = {
    "machines": MACHINES,
    "readings": READINGS,
    "services": SERVICES,
    "reports": REPORTS,
}


def taken(store: Store, sort: Sort, text: str, machine: str = "", system: str = "") -> int:
    seen = preview(store, sort, text.encode(), "f.csv", machine=machine, system=system, now=TODAY)
    return take(store, seen, by="Ines")


def faults(store: Store, sort: Sort, text: str) -> list[str]:
    return [str(f) for f in preview(store, sort, text.encode(), "f.csv", now=TODAY).faults]


def counts(store: Store) -> tuple[int, int, int, int]:
    return (
        len(store.machines.all()),
        len(store.readings.of("Carrier 2")),
        len(store.told.of("Carrier 2", ToldService)),
        len(store.told.of("Carrier 2", ToldReport)),
    )


def test_machines_come_with_their_systems_and_limits(store: Store) -> None:
    assert taken(store, "machines", MACHINES) == 2
    van = store.machines.get("van 7")
    gearbox, engine = van.sheet.machine.systems
    assert van.sheet.machine.odometer == 84_350_000
    assert (gearbox.capacity, gearbox.drain) == (Span(0.0081, 0.0081), Span(0.0044, 0.0044))
    assert gearbox.limits == (
        ServiceLimit("replace", distance=6e7, severe_distance=4e7, period=4.0 * YEAR),
    )
    assert engine.limits == (ServiceLimit("replace", period=YEAR),)
    sledge = store.machines.get("Sledge").sheet.machine.systems[0]
    assert sledge.limits == (ServiceLimit("inspect", hours=500 * 3600.0),)
    assert [f.name for f in van.sheet.fluids] == ["Belt Clear 3", "Col Amber 5"]


@pytest.mark.parametrize("sort", SORTS)
def test_the_same_file_twice_is_once(store: Store, sort: Sort) -> None:
    store.machines.add(limited())
    first = taken(store, sort, FILES[sort])
    before = counts(store)
    assert first == {"machines": 2, "readings": 4, "services": 3, "reports": 2}[sort]
    assert taken(store, sort, FILES[sort]) == 0
    assert counts(store) == before


@pytest.mark.parametrize(
    ("sort", "old", "new", "fault"),
    [
        ("machines", ";8,1;", ";8 apples;", "line 2, Capacity (L): unit"),
        ("machines", ";4,4;", ";9,4;", "line 2: the drain of 9.4 L is larger"),
        ("machines", "Sledge;;track drive", "Sledge;;", "line 4: the system is missing"),
        ("machines", "Capacity (L)", "Weight (L)", "line 1: no column gives the capacity"),
        ("machines", "Van 7;;engine", "Van 7;9 km;engine", "line 3: the odometer of Van 7 differs"),
        ("readings", "carrier 2,109000", "carier,109000", "line 3: no machine is called 'carier'"),
        ("readings", "2024-06-01", "2034-06-01", "line 3, Date: 2034-06-01 lies in the future"),
        ("readings", "Odometer (km)", "Odometer", "no unit is given"),
        ("readings", "109000", "109000 L", "unit of volume"),
        ("readings", "109000", "-5", "below zero"),
        ("services", "gearbox;top-up", "axle;top-up", "line 4: Carrier 2 has no wet system 'axle'"),
        ("services", ";4,1;", ";14,1;", "line 3: 14.10 L changed in one go is more"),
        ("services", "top-up;0,4", "lost;99", "line 2: Carrier 2, gearbox: the books"),
        ("services", "top-up", "polished", "no kind of service"),
        ("reports", ",28.1,", ",281000,", "beyond any working fluid"),
        ("reports", "Carrier 2,gearbox,L-2", "Sledge,gearbox,L-2", "no machine is called"),
        ("reports", "L-2", "L-1", "the same sample is on line 2"),
    ],
)
def test_one_bad_row_keeps_the_whole_file_out(
    store: Store, sort: Sort, old: str, new: str, fault: str
) -> None:
    store.machines.add(limited())
    before = counts(store)
    assert old in FILES[sort]
    text = FILES[sort].replace(old, new)
    assert any(fault in found for found in faults(store, sort, text)), faults(store, sort, text)
    with pytest.raises(Complaint, match="nothing was imported"):
        taken(store, sort, text)
    assert counts(store) == before


def test_a_reading_that_falls_is_kept_and_kept_out(store: Store) -> None:
    store.machines.add(limited())
    seen = preview(store, "readings", READINGS.encode(), "r.csv", now=TODAY)
    assert [d.line for d in seen.doubts] == [4]
    assert "does not fit between its neighbours" in str(seen.doubts[0])
    assert counts(store)[1] == 0
    take(store, seen)
    assert counts(store)[1] == 4
    assert len(machine_due(store, "Carrier 2", TODAY).meters.doubts) == 1


def read_twice(store: Store) -> None:
    """Give the yard two readings, 14 484 and 15 400 km."""
    for day, kilometres in ((on(2024, 1), 14_484), (on(2024, 9), 15_400)):
        store.readings.add("Carrier 2", "odometer", kilometres * 1e3, day)


METERS: list[tuple[Sort, str]] = [
    ("readings", "Date,Odometer (km)\n2024-05-01,{}\n"),
    ("services", "Date,Litres,Odometer (km)\n2024-05-01,4.1,{}\n"),
    ("reports", "Date,System,Fe (ppm),Odometer (km)\n2024-05-01,gearbox,40,{}\n"),
]


@pytest.mark.parametrize(("sort", "text"), METERS)
def test_meters_in_every_sort_of_table_are_held_against_the_yard(
    store: Store, sort: Sort, text: str
) -> None:
    store.machines.add(limited())
    read_twice(store)
    for kilometres, doubted in ((160_000, True), (15_000, False)):
        data = text.format(kilometres).encode()
        seen = preview(store, sort, data, "f.csv", machine="Carrier 2", now=TODAY)
        assert [d.line for d in seen.doubts] == [2] * doubted
        assert seen.faults == ()
    data = text.format(160_000).encode()
    seen = preview(store, sort, data, "f.csv", machine="Carrier 2", now=TODAY)
    assert "160 000 km on 2024-05-01 to 15 400 km on 2024-09-01" in seen.doubts[0].what
    take(store, seen)
    # What was told at the preview is what becomes of it.
    (doubt,) = machine_due(store, "Carrier 2", TODAY).meters.doubts
    assert str(doubt.why.why) in seen.doubts[0].what
    again = preview(store, sort, data, "f.csv", machine="Carrier 2", now=TODAY)
    assert (again.new, again.doubts) == ((), ())


def test_hours_that_fall_in_a_table_of_reports_are_told(store: Store) -> None:
    store.machines.add(limited())
    text = "Date;System;Hours;Fe (ppm)\n12.1.2024;gearbox;1800,5;40\n"
    text += "12.2.2024;gearbox;1830;44\n13.3.2024;gearbox;900;47\n"
    seen = preview(store, "reports", text.encode(), "f.csv", machine="Carrier 2", now=TODAY)
    (doubt,) = [d for d in seen.doubts if "hour meter" in d.what]
    assert doubt.line == 4
    assert "900 h, does not fit" in doubt.what
    assert "hours 1800.5 h" in seen.rows[0].what
    assert "hours 1830 h" in seen.rows[1].what


def test_a_file_that_casts_doubt_on_what_is_kept_says_so(store: Store) -> None:
    store.machines.add(limited())
    read_twice(store)
    odd = store.readings.add("Carrier 2", "odometer", 95e6, on(2024, 4))
    text = b"Date,Litres,Odometer (km)\n2023-06-01,4.1,96000\n2023-08-01,4.1,96500\n"
    text += b"2023-10-01,4.1,97000\n2023-12-01,4.1,97500\n2024-03-01,4.1,98000\n"
    seen = preview(store, "services", text, "f.csv", machine="Carrier 2", now=TODAY)
    told = [d for d in seen.doubts if "with this file" in d.what]
    assert len(told) == 2
    assert {d.line for d in told} == {2}
    # That one was kept out before.
    assert not any(odd.id[-6:] in d.what for d in told)


def test_a_replaced_meter_casts_no_doubt_on_a_table(store: Store) -> None:
    store.machines.add(limited())
    read_twice(store)
    change = make(ToldMeter, {"what": "odometer", "old": 15.6e6, "new": 0.0})
    store.told.add("Carrier 2", change, on(2024, 10))
    data = b"Date,Odometer (km)\n2024-11-01,120\n2025-01-01,640\n"
    seen = preview(store, "readings", data, "f.csv", machine="Carrier 2", now=TODAY)
    assert seen.doubts == ()


def test_two_readings_of_which_one_is_wrong_are_both_named(store: Store) -> None:
    store.machines.add(limited())
    data = b"Date,Odometer (km)\n2024-06-01,24000\n2024-06-10,23000\n2024-06-20,24400\n"
    seen = preview(store, "readings", data, "f.csv", machine="Carrier 2", now=TODAY)
    (doubt,) = seen.doubts
    assert "falls from 24 000 km on 2024-06-01 to 23 000 km on 2024-06-10" in doubt.what
    assert "cannot be told" in doubt.what
    assert "mixture" not in doubt.what
    assert {doubt.line, int(doubt.what.split("the other one is on line ")[1])} == {2, 3}


def test_an_absurd_number_names_its_column(store: Store) -> None:
    store.machines.add(limited())
    absurd = "9" * 300
    text = f"Date,Machine,Odometer (km)\n2024-06-01,Carrier 2,{absurd}\n"
    (fault,) = faults(store, "readings", text)
    assert fault.startswith("line 2, odometer: 1e+303 is not a sensible amount")
    text = f"Date,Machine,System,Litres,Odometer (km)\n2024-06-01,Carrier 2,gearbox,4,{absurd}\n"
    assert faults(store, "services", text)[0].startswith("line 2, odometer: 1e+303 is not")


def test_files_without_columns_for_machine_and_system(store: Store) -> None:
    store.machines.add(limited())
    text = "Date,Litres\n2021-06-01,4.1\n"
    assert taken(store, "services", text, machine="carrier 2") == 1
    assert taken(store, "services", text, machine="Carrier 2", system="gearbox") == 0
    assert "the machine is not named" in faults(store, "services", text)[0]
    with pytest.raises(Complaint, match="no machine"):
        taken(store, "services", text, machine="Sledge")
    (entry,) = store.told.of("Carrier 2", ToldService)
    assert (entry.told.volume, entry.at, entry.by) == (0.0041, on(2021, 6), "Ines")
    twice = "Date,System,Litres\n2022-06-01,gearbox,4.1\n2022-06-01,,4.1\n"
    seen = preview(store, "services", twice.encode(), "s.csv", machine="Carrier 2", now=TODAY)
    assert (len(seen.new), seen.notes[-1]) == (
        1,
        "line 3: the same is there twice; one is used",
    )


def test_a_service_that_is_told_already_by_hand_is_known(store: Store) -> None:
    store.machines.add(limited())
    serviced(store, on(2023, 6), volume=0.0041, odometer=9e7)
    assert taken(store, "services", SERVICES) == 2


def test_what_was_taken_back_is_not_brought_back_by_the_same_file(store: Store) -> None:
    store.machines.add(limited())
    taken(store, "services", SERVICES)
    taken(store, "readings", READINGS)
    store.told.withdraw(store.told.of("Carrier 2", ToldService)[0].id)
    store.readings.withdraw(store.readings.of("Carrier 2")[0].id)
    before = counts(store)
    assert taken(store, "services", SERVICES) == 0
    assert taken(store, "readings", READINGS) == 0
    assert counts(store) == before


def test_a_file_that_was_previewed_twice_is_kept_once(store: Store) -> None:
    store.machines.add(limited())
    for sort in PAST:
        both = [preview(store, sort, FILES[sort].encode(), "f.csv", now=TODAY) for _ in (1, 2)]
        assert take(store, both[0]) == len(both[0].rows)
        assert take(store, both[1]) == 0


def test_a_workbook_is_read_as_well(store: Store) -> None:
    store.machines.add(limited())
    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.append(["Day", "Odometer (km)"])
    sheet.append([date(2024, 5, 1), 100500])
    data = io.BytesIO()
    book.save(data)
    seen = preview(store, "readings", data.getvalue(), "r.xlsx", machine="Carrier 2", now=TODAY)
    assert take(store, seen) == 1


def test_a_machine_that_is_there_stays_as_it_is(store: Store) -> None:
    store.machines.add(carrier("van 7"))
    store.machines.add(carrier("Sledge"))
    store.machines.retire("Sledge")
    seen = preview(store, "machines", MACHINES.encode(), "m.csv", now=TODAY)
    assert seen.new == ()
    assert "line 2: Van 7 is in the yard already" in seen.notes[0]
    assert take(store, seen) == 0
    assert store.machines.get("van 7").sheet == carrier("van 7")


def test_services_taken_from_a_file_set_the_clock(store: Store) -> None:
    store.machines.add(limited())
    even(store)
    taken(store, "services", SERVICES)
    ledger = machine_due(store, "Carrier 2", TODAY).systems[0].book.ledger
    assert ledger is not None
    assert [step.happening.what for step in ledger.steps] == ["filled", "changed", "topped up"]
