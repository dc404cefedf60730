"""Laboratory files: headers as laboratories write them, every fault named, all or nothing."""

from __future__ import annotations

import csv
import io
from datetime import date, datetime

import openpyxl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sumpwright.errors import Complaint
from sumpwright.planning.reports import Report
from sumpwright.records.cells import read_date, read_number
from sumpwright.records.laboratory_files import Preview, read_reports
from sumpwright.records.tables import squeeze

TODAY = date(2025, 6, 1)


def _read(text: str, name: str = "lab.csv", **more: object) -> Preview:
    owner: dict[str, object] = {"machine": "Van 1", "system": "gearbox"}
    return read_reports(text.encode(), name, TODAY, **(owner | more))  # type: ignore[arg-type]


FULL = (
    "Sample No;Date sampled;Oil;Odometer [km];Hours;Visc @ 40 °C (cSt);Visc @ 100 °C (cSt);"
    "Viscosity Index;Water (%);TAN (mg KOH/g);ISO 4406;Iron (ppm);Cu ppm;Silicon [mg/kg];Zinc (%)\n"
    "L-1;01.03.2025;Cable Green 7;84 350;2100;27,9;5,7;152;0,03;0,8;18/16/13;38;4,5;9;0,12\n"
    "L-2;15.04.2025;Cable Green 7;88.120;2150;27,4;5,6;n/a;<0,02;0,9;19/17/14;41;<1;10;0,11\n"
)


def test_a_file_as_laboratories_write_it() -> None:
    seen = _read(FULL)
    assert seen.faults == ()
    first, second = (line.report for line in seen.take())
    assert first.when == date(2025, 3, 1)
    assert first.distance == pytest.approx(84_350e3)
    assert first.hours == pytest.approx(2100 * 3600)
    assert first.viscosity_40 == pytest.approx(27.9e-6)
    assert first.viscosity_100 == pytest.approx(5.7e-6)
    assert first.index == 152
    assert first.water == pytest.approx(3e-4)
    assert first.acid == pytest.approx(0.8)
    assert first.particles == "18/16/13"
    assert first.elements == pytest.approx({"Fe": 38, "Cu": 4.5, "Si": 9, "Zn": 1200})
    assert (first.sample, first.fluid) == ("L-1", "Cable Green 7")
    assert second.distance == pytest.approx(88_120e3)
    assert second.index is None
    # Below detection: half of it, and the preview says so.
    assert second.water == pytest.approx(1e-4)
    assert second.elements["Cu"] == pytest.approx(0.5)
    assert any("below detection" in note for note in seen.notes)


@pytest.mark.parametrize(
    ("header", "cell", "field", "value"),
    [
        ("Viscosity at 40°C", "27.9", "viscosity_40", 27.9e-6),
        ("KV40 (mm²/s)", "27.9", "viscosity_40", 27.9e-6),
        ("KV 100C, cSt", "5.7", "viscosity_100", 5.7e-6),
        ("VI", "152", "index", 152),
        ("Water content (ppm)", "300", "water", 3e-4),
        ("H2O", "0.03 %", "water", 3e-4),
        ("Acid Number", "0.8", "acid", 0.8),
        ("Mileage (miles)", "52,412", "distance", 52_412 * 1609.344),
        ("Odometer", "84350 km", "distance", 84_350e3),
        ("Engine hours", "2100", "hours", 2100 * 3600),
        ("Lab No.", "A-77", "sample", "A-77"),
        ("Cleanliness code", "ISO 4406: 18/16/13", "particles", "18/16/13"),
    ],
)
def test_headers_and_units_in_their_variants(
    header: str, cell: str, field: str, value: float | str
) -> None:
    out = io.StringIO()
    writer = csv.writer(out, delimiter=";")
    writer.writerows([["Date", header, "Fe"], ["2025-03-01", cell, "1.5"]])
    seen = _read(out.getvalue())
    assert seen.faults == ()
    found = getattr(seen.lines[0].report, field)
    assert found == (value if isinstance(value, str) else pytest.approx(value))


@pytest.mark.parametrize(
    ("header", "symbol"),
    [
        ("Fe", "Fe"), ("Iron", "Fe"), ("Iron (Fe)", "Fe"), ("Fe (Iron) ppm", "Fe"),
        ("IRON ppm", "Fe"), ("Aluminum", "Al"), ("Aluminium [mg/kg]", "Al"), ("Al", "Al"),
        ("Sulfur (S)", "S"), ("Boron", "B"), ("Potassium, ppm", "K"),
    ],
)  # fmt: skip
def test_elements_by_name_or_symbol(header: str, symbol: str) -> None:
    out = io.StringIO()
    csv.writer(out, delimiter=";").writerows([["Date", header], ["2025-03-01", "12.5"]])
    assert _read(out.getvalue()).lines[0].report.elements == {symbol: 12.5}


def test_xlsx_with_a_letterhead_and_real_dates() -> None:
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.append(["Laboratory of the valley"])
    sheet.append([])
    sizes = ["≥4 µm(c)", "≥6 µm(c)", "≥14 µm(c)"]
    sheet.append(["Vehicle", "Compartment", "Date taken", "Fe (ppm)", *sizes, "Remark"])
    sheet.append(["Carrier 2", "hydraulics", datetime(2025, 3, 1), 38, 2000, 500, 60, "fine"])
    raw = io.BytesIO()
    book.save(raw)
    seen = read_reports(raw.getvalue(), "lab.xlsx", TODAY)
    assert seen.faults == ()
    [line] = seen.take()
    assert (line.machine, line.system, line.number) == ("Carrier 2", "hydraulics", 4)
    assert line.report.when == date(2025, 3, 1)
    assert line.report.counts == (2000, 500, 60)
    assert seen.notes[0] == "columns not used: Remark"


FAULTY = (
    "Date;Odometer (km);Water (%);Visc 40 (cSt);ISO 4406;Fe (ppm)\n"
    "2025-03-01;84350;0.03;27.9;18/16/13;38\n"
    "2025-13-01;84350;0.03;27.9;18/16/13;38\n"
    "2026-03-01;84350;0.03;27.9;18/16/13;38\n"
    "2025-03-04;many;0.03;27.9;18/16/13;38\n"
    "2025-03-05;84350;0.03;2790000;18/16/13;38\n"
    "2025-03-06;84350;0.03;27.9;13/16/18;38\n"
    "2025-03-07;84350;0.03;27.9;18/16/13;-4\n"
    "2025-03-08;84350 L;0.03;27.9;18/16/13;38\n"
    ";84350;0.03;27.9;18/16/13;38\n"
    "2025-03-01;84350;0.03;27.9;18/16/13;38\n"
)


def test_every_fault_is_named_with_its_line_and_nothing_is_taken() -> None:
    seen = _read(FAULTY)
    assert [fault.line for fault in seen.faults] == [3, 4, 5, 6, 7, 8, 9, 10, 11]
    assert all(fault.what and fault.do for fault in seen.faults)
    assert len(seen.lines) == 1
    with pytest.raises(Complaint, match=r"nothing was imported: line 3.* and 8 more"):
        seen.take()


def test_a_unit_is_asked_for_where_it_matters() -> None:
    for header in ("Odometer", "Water"):
        seen = _read(f"Date;{header}\n2025-03-01;300\n")
        assert "no unit" in seen.faults[0].what
    assumed = _read("Date;Fe;KV40\n2025-03-01;30;29\n")
    assert not assumed.faults
    assert any("read as mm²/s" in note for note in assumed.notes)


def test_a_number_that_can_mean_two_is_asked_about() -> None:
    seen = _read("Date;Fe\n2025-03-01;1,234\n")
    assert "can mean" in seen.faults[0].what
    clear = _read("Date;Fe;Cu\n2025-03-01;1,234;0,5\n")
    assert clear.lines[0].report.elements["Fe"] == pytest.approx(1.234)


def test_a_date_that_can_be_two_is_asked_about() -> None:
    assert "two dates" in _read("Date;Fe\n03/04/2025;1\n").faults[0].what
    both = _read("Date;Fe\n03/04/2025;1\n03/25/2025;2\n")
    assert [line.report.when for line in both.lines] == [date(2025, 3, 4), date(2025, 3, 25)]


def test_what_is_there_already_is_not_taken_twice() -> None:
    known = {("van 1", "Gearbox"): [Report(date(2025, 3, 1), sample="L-1")]}
    seen = _read(FULL, known=known)
    assert [line.known for line in seen.lines] == [True, False]
    assert [line.report.sample for line in seen.take()] == ["L-2"]
    again = {("Van 1", "gearbox"): [line.report for line in _read(FULL).lines]}
    assert _read(FULL, known=again).take() == ()


def test_a_machine_must_be_named() -> None:
    seen = _read("Date;Fe\n2025-03-01;1\n", machine="")
    assert "not named" in seen.faults[0].what


@pytest.mark.parametrize(
    ("data", "name"),
    [
        (b"", "lab.csv"),
        (b"no header here\n1;2;3\n", "lab.csv"),
        (b"PK\x03\x04 broken", "lab.xlsx"),
        (b"\x00\x01\x02\x00Date\x00", "lab.csv"),
        (b"Date;Fe;Iron\n2025-03-01;1;2\n", "lab.csv"),
    ],
)
def test_files_that_cannot_be_read_are_refused_whole(data: bytes, name: str) -> None:
    with pytest.raises(Complaint):
        read_reports(data, name, TODAY, "Van 1", "gearbox")


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_encodings(encoding: str) -> None:
    text = "Date;Visc @ 40 °C (mm²/s);Fluid\n2025-03-01;29,6;Grün\n"
    seen = read_reports(text.encode(encoding), "lab.csv", TODAY, "Van 1", "gearbox")
    assert seen.lines[0].report.fluid == "Grün"
    assert any("Windows-1252" in note for note in seen.notes) == (encoding == "cp1252")


@pytest.mark.parametrize("mark", [",", ";", "\t", "|"])
def test_delimiters(mark: str) -> None:
    out = io.StringIO()
    csv.writer(out, delimiter=mark).writerows([["Date", "Fe", "Cu"], ["2025-03-01", "1.5", "2"]])
    assert _read(out.getvalue()).lines[0].report.elements == {"Fe": 1.5, "Cu": 2.0}


@settings(deadline=None, max_examples=200)
@given(st.binary(max_size=300))
def test_any_bytes_give_a_preview_or_a_complaint(data: bytes) -> None:
    for name in ("lab.csv", "lab.xlsx"):
        try:
            seen = read_reports(b"Date;Fe\n" + data, name, TODAY, "Van 1", "gearbox")
        except Complaint:
            continue
        # A row is used or at fault, never both, and lies within the file.
        good, bad = {x.number for x in seen.lines}, {f.line for f in seen.faults}
        assert not good & bad
        assert good | bad <= set(range(1, data.count(b"\n") + data.count(b"\r") + 300))


@settings(deadline=None, max_examples=200)
@given(
    st.lists(
        st.tuples(
            st.dates(date(2000, 1, 1), TODAY), st.floats(0.01, 9999).map(lambda x: round(x, 2))
        ),
        min_size=1, max_size=8, unique_by=lambda row: row[0],
    ),
    st.booleans(),
)  # fmt: skip
def test_what_is_written_comes_back(rows: list[tuple[date, float]], comma: bool) -> None:
    rows = [*rows, (date(1999, 1, 1), 0.5)]
    lines = ["Date;Fe (ppm)"]
    for when, iron in rows:
        number = f"{iron:.2f}"
        lines.append(f"{when:%d.%m.%Y};{number.replace('.', ',') if comma else number}")
    seen = _read("\n".join(lines))
    assert seen.faults == ()
    assert [(x.report.when, x.report.elements["Fe"]) for x in seen.take()] == rows


@pytest.mark.parametrize(
    ("cell", "comma", "value", "rest"),
    [
        ("1,234.5", None, 1234.5, ""), ("1.234,5", None, 1234.5, ""),
        ("12 500,5", True, 12500.5, ""),
        ("12'500", None, 12500.0, ""), ("-3.5 %", False, -3.5, "%"), (".5", None, 0.5, ""),
        ("1,234,567", None, 1234567.0, ""),
        ("1,234", False, 1234.0, ""), ("1.234", True, 1234.0, ""),
    ],
)  # fmt: skip
def test_numbers(cell: str, comma: bool | None, value: float, rest: str) -> None:
    assert read_number(cell, comma) == (value, rest)


@pytest.mark.parametrize("cell", ["abc", "1.2.3", "1,5 and", "--", "1,23.4.5"])
def test_no_numbers(cell: str) -> None:
    if cell == "1,5 and":
        assert read_number(cell, None) == (1.5, "and")
        return
    with pytest.raises(Complaint):
        read_number(cell, None)


def test_dates_of_a_spreadsheet_number() -> None:
    # Day 45 717 of the 1900 system is 2025-03-01.
    assert read_date(45717.0, None) == date(2025, 3, 1)
    with pytest.raises(Complaint):
        read_date(3.0, None)


def test_squeeze_tells_what_matters() -> None:
    assert squeeze("Viscosity @ 40 °C") == squeeze("viscosity 40c")
    assert squeeze("≥4 µm(c)") == ">=4umc"
    assert squeeze("Öl") == "ol"
