"""Tables as people send them: what can mean two things, torn rows, sheets and formulas."""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Sequence
from datetime import date
from typing import Any

import openpyxl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sumpwright.errors import Complaint
from sumpwright.records.cells import day_first, decimal_comma, read_date, read_number
from sumpwright.records.history_files import Preview, ReadingLine, read_readings, read_services

TODAY = date(2026, 12, 1)


def read(text: str | bytes, name: str = "r.csv") -> Preview[ReadingLine]:
    data = text.encode() if isinstance(text, str) else text
    return read_readings(data, name, TODAY, "Van 1")


def kilometres(text: str) -> list[float]:
    seen = read(text)
    assert seen.faults == ()
    return [line.reading.value / 1e3 for line in seen.lines]


def column(*cells: str, more: str = "") -> str:
    rows = "".join(f"2026-0{k}-01;{cell};{more}\n" for k, cell in enumerate(cells, start=1))
    return "Date;Odometer (km);Hours\n" + rows


@pytest.mark.parametrize(
    "cells",
    [("21.400", "32.150", "45.150"), ("21,400", "32,150"), ("21.400", "32,150"), ("4.125",)],
)
def test_a_point_or_comma_before_three_digits_decides_nothing(cells: Sequence[str]) -> None:
    seen = read(column(*cells))
    assert [fault.line for fault in seen.faults] == list(range(2, 2 + len(cells)))
    assert all(f.column == "Odometer (km)" for f in seen.faults)
    assert "can mean" in seen.faults[0].what
    with pytest.raises(Complaint, match="nothing was imported"):
        seen.take()


@pytest.mark.parametrize(
    ("cells", "more", "first"),
    [
        (("21.400", "22.000,5"), "", 21_400),
        (("21.400", "1.022.150"), "", 21_400),
        (("21.400", "22 150,5"), "", 21_400),
        (("21.400", "22150"), "12,5", 21_400),
        (("21.400", "22150"), "0,125 h", 21_400),
        (("21,400", "22,000.5"), "", 21_400),
        (("21,400", "1,022,150"), "", 21_400),
        (("21,400", "22150"), "12.5", 21_400),
        (("21.400", "22150"), "12.5", 21.4),
        (("21,400", "22150"), "12,5", 21.4),
        (("4.125", "5.0630"), "", 4.125),
    ],
)
def test_one_number_that_means_one_thing_decides_for_the_file(
    cells: Sequence[str], more: str, first: float
) -> None:
    assert kilometres(column(*cells, more=more))[0] == pytest.approx(first)


@pytest.mark.parametrize(
    ("cell", "writes"),
    [
        ("21.400", ("21400", "21.4")),
        ("4.125", ("4125", "4.1250")),
        ("5,000", ("5000", "5,0")),
        ("5.050", ("5050", "5.05")),
    ],
)
def test_the_fault_says_what_to_write(cell: str, writes: tuple[str, str]) -> None:
    with pytest.raises(Complaint) as caught:
        read_number(cell, None)
    assert caught.value.do == f"write {writes[0]}, or {writes[1]} if it is a fraction"
    whole, fraction = (read_number(text, decimal_comma([text]))[0] for text in writes)
    assert whole == pytest.approx(1000 * fraction)


def test_numbers_that_contradict_the_others_are_faults() -> None:
    assert [f.line for f in read(column("21.400,5", "22,5", "23.5", "24.100")).faults] == [4]
    assert [f.line for f in read(column("21,400.5", "22.5", "1.022.150")).faults] == [4]
    # Where each way is as frequent as the other, both are.
    assert [f.line for f in read(column("21.5", "22,5", "23.100", "24 000")).faults] == [2, 3, 4]


def test_words_and_dates_decide_nothing_about_numbers() -> None:
    text = "Date;Litres;Note;Fluid\n1.2.2025;4.125;2,5 L;12,5\n"
    seen = read_services(text.encode(), "s.csv", TODAY, "Van 1", "gearbox")
    assert "can mean" in seen.faults[0].what


@given(st.decimals(min_value="0.001", max_value="999999", places=3), st.booleans(), st.booleans())
def test_no_number_is_read_as_another(value: Any, comma: bool, grouped: bool) -> None:
    """Written in any way it is read as what it is, or asked about."""
    text = f"{value:,}" if grouped else f"{value}"
    if comma:
        text = text.translate(str.maketrans(",.", ".,"))
    if re.fullmatch(r"[1-9]\d{0,2}[.,]\d{3}", text):
        with pytest.raises(Complaint, match="can mean"):
            read_number(text, decimal_comma([text]))
    else:
        assert read_number(text, decimal_comma([text]))[0] == pytest.approx(float(value))


def test_true_numbers_of_a_workbook_mean_one_thing() -> None:
    rows = [["Date", "Odometer (km)"], [date(2026, 1, 1), 21.4], [date(2026, 2, 1), 21400]]
    seen = read(workbook({"Readings": rows}), "r.xlsx")
    assert [line.reading.value for line in seen.take()] == [pytest.approx(21.4e3), 21.4e6]
    text = [["Date", "Odometer (km)"], [date(2026, 1, 1), "21.400"]]
    assert "can mean" in read(workbook({"Readings": text}), "r.xlsx").faults[0].what


def dated(*days: str) -> list[tuple[int, str]]:
    rows = "".join(f"{day},{21600 + k}\n" for k, day in enumerate(days))
    return [(f.line, f.what) for f in read("Date,Odometer (km)\n" + rows).faults]


def test_orders_of_dates_that_contradict_each_other_are_faults() -> None:
    both = dated("25/03/2026", "03/26/2026", "03/04/2026")
    assert [line for line, _ in both] == [2, 3, 4]
    assert "has the day first" in both[0][1]
    assert "has the month first" in both[1][1]
    assert "can be two dates" in both[2][1]
    assert [line for line, _ in dated("25/03/2026", "26/03/2026", "03/27/2026")] == [4]
    assert [line for line, _ in dated("25.03.2026", "26.03.2026", "03/27/2026")] == [4]
    assert dated("25/03/2026", "04/05/2026", "2026-05-04", "05/05/2026") == []
    assert day_first(["04/05/2026", "05/05/2026"]) is None
    assert read_date("04/05/2026", day_first(["25/03/2026"])) == date(2026, 5, 4)


def workbook(sheets: dict[str, list[list[Any]]]) -> bytes:
    book = openpyxl.Workbook()
    book.remove(book.active)
    for title, rows in sheets.items():
        sheet = book.create_sheet(title)
        for row in rows:
            sheet.append(row)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


GOOD = [["Date", "Odometer (km)"], [date(2026, 1, 1), 21400]]


def test_the_first_sheet_with_known_headers_is_read_and_the_others_are_named() -> None:
    alone = read(workbook({"Empty": [], "Data": GOOD}), "r.xlsx")
    assert (len(alone.take()), alone.notes) == (1, ())
    cover = [["Day"], ["of the inspection"]]
    seen = read(workbook({"Cover": cover, "Data": GOOD, "More": GOOD}), "r.xlsx")
    assert len(seen.take()) == 1
    assert seen.notes == ("only the sheet 'Data' is read, not 'Cover', 'More'",)
    with pytest.raises(Complaint, match="no row of known headers"):
        read(workbook({"A": [["x"]], "B": [["y"]]}), "r.xlsx")
    with pytest.raises(Complaint, match="no row of known headers"):
        read(workbook({"A": []}), "r.xlsx")


def test_a_formula_without_its_result_is_named() -> None:
    rows = [["Date", "Odometer (km)", "Hours"], [date(2026, 1, 1), "=C2*50", 12.5]]
    seen = read(workbook({"Data": rows}), "r.xlsx")
    assert [(f.line, f.column) for f in seen.faults] == [(2, "Odometer (km)")]
    assert "the formula =C2*50 has no result" in seen.faults[0].what


def test_a_formula_of_words_may_have_an_empty_result() -> None:
    rows = [["Date", "Odometer (km)", "Hours"], [date(2026, 1, 1), '=IF(C2>1,"","x")', 12.5]]
    data = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(workbook({"Data": rows}))) as old,
        zipfile.ZipFile(data, "w") as new,
    ):
        for entry in old.infolist():
            text = old.read(entry)
            if entry.filename.endswith("sheet1.xml"):
                text = text.replace(b'<c r="B2"', b'<c r="B2" t="str"')
                assert b't="str"><f>' in text
            new.writestr(entry, text)
    seen = read(data.getvalue(), "r.xlsx")
    assert [(line.meter, line.reading.value) for line in seen.take()] == [("hours", 12.5 * 3600)]


def test_a_damaged_sheet_is_told_in_words() -> None:
    data = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(workbook({"Data": GOOD}))) as old,
        zipfile.ZipFile(data, "w") as new,
    ):
        for entry in old.infolist():
            text = old.read(entry)
            new.writestr(entry, text[:-90] if "sheet1" in entry.filename else text)
    with pytest.raises(Complaint, match="it is damaged"):
        read(data.getvalue(), "r.xlsx")


def test_a_machine_whose_name_is_a_number_keeps_all_its_digits() -> None:
    rows = [["Date", "Machine", "Odometer (km)"], [date(2026, 1, 1), 12345678, 21400]]
    assert read(workbook({"Data": rows}), "r.xlsx").lines[0].machine == "12345678"


def test_a_row_with_more_cells_than_headers_is_a_fault() -> None:
    """A decimal comma in a file parted by commas would lose what follows it."""
    seen = read("Date,Odometer (km)\n2026-07-01,24900,5\n2026-07-02,24950,,\n")
    assert [(f.line, f.what) for f in seen.faults] == [(2, "the row has 3 cells under 2 headers")]
    assert [line.number for line in seen.lines] == [3]


def test_cells_without_a_header_are_told() -> None:
    seen = read("Date,Odometer (km),\n2026-07-01,24900,\n2026-07-02,24950,read twice\n")
    assert len(seen.take()) == 2
    assert seen.notes == ("line 3: cells in a column without a header are not used",)
    rows = [*GOOD, [date(2026, 2, 1), 22000, None, "read twice"]]
    assert "line 3: cells" in read(workbook({"Data": rows}), "r.xlsx").notes[0]


def test_a_quotation_mark_that_is_not_closed_is_named_with_its_line() -> None:
    head = "Date,Machine,Odometer (km)\n2026-06-01,Van 1,24000\n"
    for rows in (
        '2026-07-01,"Van 1,24900\n2026-07-02,Van 1,24950\n',
        '2026-07-01,"Van 1,24900\n2026-07-02,"Van 1",24950\n',
    ):
        with pytest.raises(Complaint, match="a quotation mark is opened and not closed") as caught:
            read(head + rows)
        assert caught.value.where == "r.csv:3"
    noted = 'Date,Odometer (km),Note\n2026-07-01,24900,"two\nlines"\n2026-13-02,1,""\n'
    seen = read(noted)
    assert [line.number for line in seen.lines] == [2]
    assert [fault.line for fault in seen.faults] == [4]


def test_a_file_of_headers_alone_says_that_no_row_follows() -> None:
    seen = read("Readings of the yard\n\nDate,Odometer (km)\n")
    assert seen.take() == ()
    assert seen.notes == ("no row follows the headers on line 3",)
