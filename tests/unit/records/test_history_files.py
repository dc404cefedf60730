"""Files of readings and of past services: faults by line, doubts shown, all or nothing."""

from __future__ import annotations

import io
from datetime import date, datetime

import openpyxl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sumpwright.errors import Complaint
from sumpwright.planning.ledger import Happening, keep
from sumpwright.records.history_files import read_readings, read_services

TODAY = date(2025, 6, 1)


def test_readings_of_several_machines_and_meters() -> None:
    text = (
        "Vehicle;Read on;Odometer (km);Hours\n"
        "Van 1;01.02.2025;83 100;\n"
        "Van 1;01.03.2025;84.350,5;\n"
        "Generator;01.03.2025;;412,5\n"
        "Carrier 2;01.03.2025;5 312 mi;930\n"
    )
    seen = read_readings(text.encode(), "r.csv", TODAY)
    assert seen.faults == ()
    rows = [(x.machine, x.meter, x.reading.value) for x in seen.take()]
    assert rows == [
        ("Van 1", "distance", 83_100e3),
        ("Van 1", "distance", pytest.approx(84_350_500.0)),
        ("Generator", "hours", 412.5 * 3600),
        ("Carrier 2", "distance", pytest.approx(5312 * 1609.344)),
        ("Carrier 2", "hours", 930 * 3600.0),
    ]


def test_faults_keep_the_whole_file_out() -> None:
    text = (
        "Machine,Date,Odometer\n"
        "Van 1,2025-03-01,84350 km\n"
        "Van 1,2025-04-01,85350\n"
        "Van 1,2026-04-01,85350 km\n"
        "Van 1,2025-04-31,85350 km\n"
        ",2025-04-01,85350 km\n"
        "Van 1,2025-04-02,\n"
        "Van 1,2025-04-03,-5 km\n"
    )
    seen = read_readings(text.encode(), "r.csv", TODAY)
    assert [f.line for f in seen.faults] == [3, 4, 5, 6, 7, 8]
    assert "no unit" in seen.faults[0].what
    with pytest.raises(Complaint, match="and 5 more"):
        seen.take()


def test_the_same_reading_is_taken_once() -> None:
    text = "Date,Odometer (km)\n2025-03-01,84350\n2025-03-01,84350\n2025-04-01,85350\n"
    seen = read_readings(text.encode(), "r.csv", TODAY, "Van 1")
    assert len(seen.take()) == 2
    assert "there twice" in seen.notes[0]
    known = {("VAN 1", "distance"): [line.reading for line in seen.lines]}
    assert read_readings(text.encode(), "r.csv", TODAY, "Van 1", known).take() == ()  # type: ignore[arg-type]


def test_services_in_the_words_that_people_have() -> None:
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.append(["Date", "Odometer [km]", "Component", "Litres changed", "Work", "Oil", "Share"])
    sheet.append([datetime(2019, 5, 1), 40000, "gearbox", 9.0, "filled", "Cable Green 7", None])
    sheet.append([datetime(2021, 6, 1), 60000, "gearbox", 3.6, "drain and refill", None, None])
    sheet.append([datetime(2022, 6, 1), 71000, "gearbox", 0.3, "Top-up", None, None])
    sheet.append([datetime(2023, 6, 1), 80000, "gearbox", 12.0, "changed", None, "88 %"])
    raw = io.BytesIO()
    book.save(raw)
    seen = read_services(raw.getvalue(), "past.xlsx", TODAY, "Van 1")
    assert seen.faults == ()
    happenings = [line.happening for line in seen.take()]
    assert [h.what for h in happenings] == ["filled", "changed", "topped up", "changed"]
    assert happenings[0].fluid == "Cable Green 7"
    ledger = keep(0.009, happenings)
    assert ledger.steps[1].share == pytest.approx(0.4)
    assert ledger.steps[3].share == pytest.approx(0.88)


def test_services_are_checked_against_the_capacity() -> None:
    text = "Date;Odometer (km);Volume (US qt);Times\n2021-06-01;60000;12;1\n2022-06-01;70000;12;3\n"
    capacities = {("Van 1", "Gearbox"): 0.009}
    seen = read_services(text.encode(), "p.csv", TODAY, "van 1", "gearbox", capacities)
    [fault] = seen.faults
    assert fault.line == 2
    assert "more than the 9.00 L" in fault.what
    assert "refills" in fault.do


def test_faults_of_services() -> None:
    text = (
        "Date;Litres;Work;Fresh share;Times\n"
        "2021-06-01;3.6;polished;;\n"
        "2021-06-02;;changed;;\n"
        "2021-06-03;3.6;changed;140;\n"
        "2021-06-04;3.6;changed;;2.5\n"
        "2021-06-05;0 bananas;changed;;\n"
    )
    seen = read_services(text.encode(), "p.csv", TODAY, "Van 1", "gearbox")
    assert [f.line for f in seen.faults] == [2, 3, 4, 5, 6]
    assert read_services(b"Date;Litres\n2021-06-01;3.6\n", "p.csv", TODAY, "Van 1").faults


def test_the_same_service_is_taken_once() -> None:
    text = "Date;Litres\n2021-06-01;3,6\n2021-06-01;3,6\n2022-06-01;3,6\n"
    known = {("Van 1", "gearbox"): [Happening(date(2022, 6, 1), "changed", 0.0036)]}
    seen = read_services(text.encode(), "p.csv", TODAY, "Van 1", "gearbox", known=known)
    assert [line.number for line in seen.take()] == [2]


def test_a_file_without_the_needed_columns() -> None:
    seen = read_services(b"Odometer (km);Note\n60000;x\n", "p.csv", TODAY, "Van 1", "gearbox")
    assert {f.line for f in seen.faults} >= {1}
    with pytest.raises(Complaint):
        seen.take()


@settings(deadline=None, max_examples=100)
@given(st.text(max_size=200))
def test_any_text_gives_a_preview_or_a_complaint(text: str) -> None:
    data = ("Date;Odometer (km);Litres\n" + text).encode(errors="replace")
    for read in (read_readings, read_services):
        try:
            seen = read(data, "x.csv", TODAY, "Van 1", "gearbox" if read is read_services else None)  # type: ignore[arg-type, operator]
        except Complaint:
            continue
        good, bad = {x.number for x in seen.lines}, {f.line for f in seen.faults}
        assert not good & bad


def test_what_was_paid_is_read_and_no_price_is_told_by_line() -> None:
    text = "Date;Machine;System;Litres;Paid (EUR)\n1.6.2021;Van;gearbox;3,6;31,50\n"
    (line,) = read_services(text.encode(), "book.csv", TODAY).take()
    assert line.price == 31.5
    wrong = text.replace("31,50", "5 %")
    (fault,) = read_services(wrong.encode(), "book.csv", TODAY).faults
    assert (fault.line, fault.column) == (2, "Paid (EUR)")
    assert "no price" in fault.what
