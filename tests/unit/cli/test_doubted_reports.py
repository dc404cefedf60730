"""Reports on another fluid, faulty tables, impossible drives: shown, explained, kept out."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from shellkit import SHEET, Shell

BOUND = '[[system.bound]]\nof = "Fe"\nact_above = 150\n'
LIMIT = (
    '[[system.limit]]\naction = "replace"\ndistance = "60000 km"\nsevere_distance = "40000 km"\n'
)
REPORTS = """\
Date,Fluid,V40 (cSt),V100 (cSt),Fe (ppm),Hours
2025-03-01,cable green 7,29,6.0,10,100
2025-08-01,Rope Amber 3,29,6.0,300,180
"""


@pytest.fixture
def yard(shell: Shell) -> Shell:
    shell.sheet(SHEET.replace("[[fluid]]", LIMIT + BOUND + "[[fluid]]", 1))
    shell.done("machine add carrier.toml")
    return shell


def file(shell: Shell, text: str, name: str = "f.csv") -> Path:
    path = shell.folder / name
    path.write_text(text, encoding="utf-8")
    return path


def overdue(shell: Shell) -> set[str]:
    return {item["action"] for item in shell("due --json").data if item["overdue"]}


def test_a_report_that_names_another_fluid_waits_until_it_is_confirmed(yard: Shell) -> None:
    file(yard, REPORTS)
    seen = yard("lab import f.csv --machine 'Carrier 2' --preview")
    assert seen.code == 0
    assert "line 3: the report of 2025-08-01 names Rope Amber 3" in seen.err
    assert "this system holds Cable Green 7" in seen.err
    assert "what it says of the meters does" in seen.err
    assert "line 2" not in seen.err
    taken = yard("lab import f.csv --machine 'Carrier 2' --json").data
    assert [doubt["line"] for doubt in taken["doubts"]] == [3]
    assert taken["kept"] == 2
    assert overdue(yard) == set()
    shown = yard.done("lab show 'Carrier 2'")
    named = re.search(r"sumpwright lab confirm (\w{6})", shown)
    assert named
    confirmed = yard(f"lab confirm {named[1]} --json").data
    assert confirmed["machine"] == "Carrier 2"
    assert overdue(yard) == {"replace", "inspect"}
    reports = yard("lab show 'Carrier 2' --json").data["systems"][0]["reports"]
    assert [r["kept_out"] for r in reports] == [False, False]
    assert "confirmed already" in yard(f"lab confirm {reports[1]['id']}").complaint
    assert "0 added, 2 known" in yard.done("lab import f.csv --machine 'Carrier 2'")


def test_a_table_of_reports_is_confirmed_as_a_whole(yard: Shell) -> None:
    file(yard, REPORTS)
    yard.done("lab import f.csv --machine 'Carrier 2' --sure")
    reports = yard("lab show 'Carrier 2' --json").data["systems"][0]["reports"]
    assert [(r["sure"], r["kept_out"]) for r in reports] == [(False, False), (True, False)]
    assert overdue(yard) == {"replace", "inspect"}


def test_the_list_of_reports_shows_the_columns_that_hold_something(yard: Shell) -> None:
    yard.done("lab add 'Carrier 2' Fe=12 --hours '100 h' --date 2025-03-01")
    yard.done("lab add 'Carrier 2' Fe=14 --hours '150 h' --date 2025-08-01")
    head = next(line for line in yard.done("lab show 'Carrier 2'").splitlines() if "day" in line)
    assert head.split() == ["id", "day", "hours", "Fe"]


def test_a_preview_shows_what_would_be_kept(yard: Shell) -> None:
    file(yard, "Date,Odometer (km),Litres changed,Fluid\n2021-06-01,60000,3.6,Cable Green 7\n")
    rows = yard.done("import-table services f.csv --machine 'Carrier 2' --preview")
    assert "changed 3.60 L, Cable Green 7 on 2021-06-01, odometer 60 000 km" in rows
    assert "1 new row would be kept." in rows
    file(yard, "Date,Odometer (km)\n2021-06-01,60000\n")
    rows = yard.done("import-table readings f.csv --machine 'Carrier 2' --preview --us")
    assert "odometer 37 282 mi on 2021-06-01" in rows
    head = "Machine,System,Kind,Capacity (L),Replace distance (km),Odometer (km)\n"
    file(yard, head + "Van 7,gearbox,CVT,8.1,60000,84350\nVan 7,axle,axle,1.2,,\n")
    rows = yard.done("import-table machines f.csv --preview")
    assert "gearbox: CVT, 8.10 L, replace after 60 000 km; axle: axle, 1.20 L" in rows
    assert "odometer 84 350 km" in rows


def test_a_preview_with_a_fault_does_not_end_well(yard: Shell) -> None:
    file(yard, "Date,Odometer (km)\nsoon,60000\n1850-01-01,61000\n")
    line = "import-table readings f.csv --machine 'Carrier 2' --preview"
    seen = yard(line)
    assert "line 3, Date: 1850-01-01 is before any machine" in seen.out
    assert "f.csv: 2 faults: nothing of it would be kept" in seen.complaint
    data = yard(f"{line} --json")
    assert data.code == 2
    assert '"faults"' in data.out
    file(yard, "Date,Odometer (km)\nsoon,60000\n")
    assert "1 fault: nothing" in yard(line).complaint


def test_a_replaced_meter_is_listed_and_can_be_taken_back(yard: Shell) -> None:
    yard.done("reading add 'Carrier 2' odometer 80000 km --date 2025-01-01")
    yard.done("reading replaced 'Carrier 2' odometer --old '81000 km' --date 2025-03-01")
    row = next(
        line for line in yard.done("reading list 'Carrier 2'").splitlines() if "new meter" in line
    )
    assert "after 81 000 km" in row
    (told,) = yard("reading list 'Carrier 2' --json").data["replaced"]
    assert told["id"].endswith(row.split()[0])
    yard.done(f"reading withdraw {row.split()[0]}")
    assert "new meter" not in yard.done("reading list 'Carrier 2'")


def test_a_machine_shows_its_limits(yard: Shell) -> None:
    shown = yard.done("machine show 'Carrier 2'")
    assert "replace after 60 000 km; in severe service after 40 000 km" in shown


@pytest.mark.parametrize(
    ("line", "why"),
    [
        ("drive add 'Carrier 2' --distance '200 km' --minutes 10", "1200 km/h"),
        ("drive add 'Carrier 2' --distance '20 km' --load 250%", "a load of 250 %"),
        ("drive add 'Carrier 2' --distance '20 km' --outside '200 C'", "no air is at 200 °C"),
        ("service add 'Carrier 2' --litres 3 --date 1850-03-01", "before any machine"),
        ("reading add 'Carrier 2' odometer 3 km --date 1850-03-01", "before any machine"),
    ],
)
def test_what_cannot_have_been_is_refused(yard: Shell, line: str, why: str) -> None:
    assert why in yard(line).complaint
    assert yard("drive list 'Carrier 2' --json").data["drives"] == []
    assert yard("service list 'Carrier 2' --json").data["services"] == []


def test_a_reading_far_below_the_sheets_own_is_no_doubt(shell: Shell) -> None:
    shell.sheet(SHEET.replace('name = "Carrier 2"', 'name = "Carrier 2"\nodometer = "84000 km"', 1))
    shell.done("machine add carrier.toml")
    file(shell, "Date,Odometer (km)\n2025-01-01,80\n2025-06-01,84\n")
    for more in ("--preview", ""):
        seen = shell(f"import-table readings f.csv --machine 'Carrier 2' {more}")
        assert (seen.code, seen.err) == (0, "")


def test_complaints_name_no_part_of_the_program(yard: Shell) -> None:
    file(yard, "no workbook", "f.xlsx")
    what = yard("import-table readings f.xlsx --machine 'Carrier 2'").complaint
    assert "it is damaged, or no XLSX file" in what
    assert "Zip" not in what
    yard.sheet(
        SHEET.replace(
            "[[fluid]]", '[[system.bound]]\nof = "Fe"\ncaution_above = "40 mg/kg"\n[[fluid]]', 1
        ),
        "b.toml",
    )
    assert "write caution_above = 40, a bare number" in yard("machine add b.toml").complaint
    assert "JSON object" not in yard.done("due --help")
