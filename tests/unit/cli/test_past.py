"""The past told in the shell, and what is due because of it."""

from __future__ import annotations

import json
import os
import re
from contextlib import suppress
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
import vobject

from shellkit import SHEET, Shell, command

LIMITS = """\
[[system.limit]]
action = "replace"
distance = "60000 km"
severe_distance = "40000 km"
period = "4 years"
[[system.limit]]
action = "inspect"
distance = "20000 km"
[[system.bound]]
of = "Fe"
act_above = 150
"""
LIMITED = SHEET.replace("[[fluid]]", LIMITS + "[[fluid]]", 1)
READINGS = "Date,Odometer (km)\n" + "".join(
    f"20{22 + k // 12}-{k % 12 + 1:02d}-01,{100000 + 1500 * k}\n" for k in range(30)
)
TODAY = datetime.now(UTC).date()


def day(days: int) -> str:
    return (TODAY - timedelta(days=days)).isoformat()


@pytest.fixture
def yard(shell: Shell) -> Shell:
    """A machine with limits in the yard."""
    shell.sheet(LIMITED)
    shell.done("machine add carrier.toml")
    return shell


def file(shell: Shell, text: str, name: str = "f.csv") -> Path:
    path = shell.folder / name
    path.write_text(text, encoding="utf-8")
    return path


def driven(shell: Shell, upto: int = 160_000) -> None:
    """Enter even readings over three years: 20 000 km a year, the last one today."""
    rows = [f"{day(30 * k)},{upto - round(20000 * 30 * k / 365.25)}" for k in range(36)]
    file(shell, "Date,Odometer (km)\n" + "\n".join(rows) + "\n", "even.csv")
    shell.done("import-table readings even.csv --machine 'Carrier 2'")


def test_a_machine_that_may_be_overdue_comes_first_and_says_so(yard: Shell) -> None:
    driven(yard)
    soon = LIMITED.replace('"Carrier 2"', '"Van 1"')
    yard.sheet(soon, "van.toml")
    yard.done("machine add van.toml")
    yard.done(f"service add 'Van 1' --what filled --date {day(30)}")
    out = yard.done("due")
    # 160 000 km, and nobody ever told of a change.
    [change] = [line for line in out.splitlines() if "Carrier 2" in line and "change" in line]
    assert change.startswith("not in sight ?")
    assert out.index(change) < out.index("Van 1")
    assert "?  may be overdue: the earliest day has passed" in out


def test_due_in_a_large_yard_says_how_much_there_is(shell: Shell) -> None:
    rows = "".join(f"Mover {n:03d},axle,axle,2.1,4\n" for n in range(80))
    file(shell, "Machine,System,Kind,Capacity (L),Replace every (years)\n" + rows, "m.csv")
    shell.done("import-table machines m.csv")
    rows = "".join(f"Mover {n:03d},{day(2000 - n)},filled\n" for n in range(70))
    file(shell, "Machine,Date,What\n" + rows, "s.csv")
    shell.done("import-table services s.csv")
    text = shell.done("due --first 30")
    assert re.findall(r"Mover \d+", text) == [f"Mover {n:03d}" for n in range(30)]
    assert "The first 30 of 80." in text
    whole = shell("due --json").data
    assert len(whole) == 80
    assert shell("due --json --first 30").data == whole[:30]
    assert all(item["reasons"] and item["limits"] for item in whole)
    assert "The first" not in shell.done("due")
    assert shell("due --first 0").code == 2


def test_due_as_data_has_the_promised_keys(yard: Shell) -> None:
    driven(yard)
    yard.done(f"service add 'Carrier 2' --what filled --date {day(1200)} --odometer 95000 km")
    yard.done(f"service add 'Carrier 2' --litres 4.6 --date {day(400)} --odometer 138000 km")
    items = yard("due --json").data
    assert [
        set(item) >= {"machine", "system", "action", "due", "limit", "reasons"} for item in items
    ] == [True, True]
    by_action = {item["action"]: item for item in items}
    assert by_action["replace"]["machine"] == "Carrier 2"
    assert by_action["replace"]["system"] == "gearbox"
    assert set(by_action["replace"]["due"]) == {"early", "likely", "late"}
    for when in by_action["replace"]["due"].values():
        assert datetime.strptime(when, "%Y-%m-%d")
    # Half changed at 138 000 km: the clock stood at 21 500 km then, 22 000 km ago.
    assert by_action["replace"]["limit"] == "distance"
    (row, _) = by_action["replace"]["limits"]
    assert row["age"] == pytest.approx(43.5e6, rel=0.01)
    assert any("replaced 50 %" in reason for reason in by_action["replace"]["reasons"])
    one = yard("due --machine 'carrier 2' --json").data
    assert one == items
    text = (Path(__file__).parents[3] / "docs" / "data.md").read_text(encoding="utf-8")
    policy = yard("policy 'Carrier 2' --json").data
    history = yard("history 'Carrier 2' --json").data["systems"][0]
    costs = yard("costs --json").data
    told = (items[0], row, policy, policy["rows"][0], policy["limits"][0])
    told += (history, history["steps"][0], costs)
    for data in (*told, costs["next_year"], costs["machines"][0]):
        assert [key for key in data if not re.search(rf"`{key}(\[\])?`", text)] == []


def test_due_for_people(yard: Shell) -> None:
    assert "not in sight" in yard.done("due")
    driven(yard)
    yard.done(f"service add 'Carrier 2' --what filled --date {day(1500)} --odometer 78000 km")
    out = yard.done("due")
    assert "overdue" in out
    assert "Why: sumpwright due --machine MACHINE" in out
    out = yard.done("due --machine 'Carrier 2' --us")
    assert "37 282 mi" in out
    shell_sheet = SHEET.replace("Carrier 2", "Van 1")
    yard.sheet(shell_sheet, "van.toml")
    yard.done("machine add van.toml")
    assert "No limits on the sheet: Van 1, gearbox." in yard.done("due")
    assert "no sheet says when" in yard.done("due --machine 'Van 1'")
    assert yard("due --machine 'Van 1' --json").data == []
    assert "did you mean 'Van 1'?" in yard("due --machine 'Van 2'").complaint


def test_the_calendar_is_read_by_another_parser(yard: Shell) -> None:
    driven(yard)
    yard.done(f"service add 'Carrier 2' --what filled --date {day(100)} --odometer 155000 km")
    assert "Calendar: due.ics" in yard.done("due --calendar due.ics")
    calendar = vobject.readOne((yard.folder / "due.ics").read_text(encoding="utf-8"))
    titles = [event.summary.value for event in calendar.vevent_list]
    assert titles == [
        "Carrier 2, gearbox: inspect the fluid",
        "Carrier 2, gearbox: change the fluid",
    ]
    assert "there is no folder" in yard("due --calendar nowhere/due.ics").complaint


def test_a_service_tells_what_it_really_did(yard: Shell) -> None:
    yard.done("service add 'Carrier 2' --what filled --date 2015-05-01 --odometer 100 km")
    out = yard.done("service add 'Carrier 2' --date 1.6.2021 --litres 4,6 --odometer 100100 km")
    assert "50 % of the fluid" in out
    assert "fell from 100 000 km to 50 000 km" in out
    assert "50 % of it is still older than 60 000 km" in out
    again = yard("service add 'Carrier 2' --date 2021-06-01 --litres 4.6 --odometer 100100 km")
    assert "told already" in again.out
    listed = yard("service list 'Carrier 2' --json").data
    assert [s["done"] for s in listed["services"]] == [
        "filled",
        "changed",
    ]
    out = yard.done("history 'Carrier 2'")
    assert re.search(r"2021-06-01 +changed +4.60 L +█{15}░{15} +50 000 km\n", out)
    assert "If you do what you did last time, 50 % every 100 000 km" in out
    id = listed["services"][1]["id"]
    assert "Taken back" in yard.done(f"service withdraw {id[-8:]}")
    assert len(yard("service list 'Carrier 2' --json").data["services"]) == 1
    assert "already" in yard(f"service withdraw {id}").complaint
    data = yard("history 'Carrier 2' --json").data
    (gearbox,) = data["systems"]
    assert [step["what"] for step in gearbox["steps"]] == ["filled", "now"]


def test_a_job_is_in_the_history_with_its_band(yard: Shell) -> None:
    yard.done("job start 'Carrier 2' --method drain-and-refill")
    yard.done("job drain 4.1 L")
    yard.done("job fill 4.1 L")
    yard.done("job close --odometer 150000 km")
    (gearbox,) = yard("history 'Carrier 2' --json").data["systems"]
    step = gearbox["steps"][0]
    assert step["what"] == "changed"
    assert step["fresh"] == pytest.approx(4.1 / 9.2)
    assert set(step["from"]) == {"job"}
    assert "job" in yard.done("service list 'Carrier 2'")


BAD = [
    ("service add 'Carrier 2'", "the volume is missing"),
    ("service add 'Carrier 2' --litres 14", "14.00 L changed in one go is more than"),
    ("service add 'Carrier 2' --litres 4 --date 2999-01-01", "lies in the future"),
    ("service add 'Carrier 2' --litres 4 --date 3/4/2024", "can be two dates"),
    ("service add 'Carrier 2' --litres 4 --date tomorrow", "is not a date"),
    ("service add 'Carrier 2' --litres 4 --volume 4 L", "both --litres and --volume"),
    ("service add 'Carrier 2' --litres four", "--litres: 'four' is not a number"),
    ("service add 'Carrier 2' --litres -4", "is not above zero"),
    ("service add 'Carrier 2' --litres 4 --what chnged", "did you mean 'changed'?"),
    ("service add 'Carrier 2' --litres 4 --what inspected", "sumpwright service inspect"),
    ("service add 'Carrier 2' --litres 4 --odometer 4 L", "unit of volume"),
    ("service add 'Carrier 2' --litres 4 --share 120%", "is not a share"),
    ("service add 'Carrier 2' --litres 4 --system axle", "no wet system 'axle'"),
    ("service add 'Carrier 2' --litres 99 --what lost", "more than the 9.20 L that were there"),
    ("service add 'Sledge' --litres 4", "no machine is called 'Sledge'"),
    ("service inspect 'Carrier 2' --verdict bad", "'bad' is no verdict"),
    ("service withdraw 1234", "nothing told has the id"),
    ("reading add 'Carrier 2' odometr 9 km", "did you mean 'odometer'?"),
    ("reading add 'Carrier 2' odometer 9 h", "unit of time"),
    ("reading add 'Carrier 2' odometer 9", "has no unit"),
    ("reading add 'Carrier 2' hours -5 h", "not a sensible amount"),
    ("reading add 'Carrier 2' odometer 9 km --date 2999-01-01", "lies in the future"),
    ("reading withdraw zz", "nothing told has the id"),
    ("drive add 'Carrier 2'", "a distance or a duration"),
    ("drive add 'Carrier 2' --minutes 5 --idle 9", "idle for longer"),
    ("drive add 'Carrier 2' --distance -4 km", "below zero"),
    ("use 'Carrier 2' --service hard", "no kind of service"),
    ("use 'Carrier 2' --distance 12000-9000km", "no range above zero"),
    ("lab add 'Carrier 2'", "holds no value"),
    ("lab add 'Carrier 2' iron", "write e.g. Fe=38"),
    ("lab add 'Carrier 2' Fx=38", "is no element"),
    ("lab add 'Carrier 2' Fe=38 iron=3", "Fe is given twice"),
    ("lab add 'Carrier 2' Fe=38 --particles 13/16/18", "rises with particle size"),
    ("lab import nofile.csv", "nofile.csv: cannot be read"),
    ("import-table servces f.csv", "did you mean 'services'?"),
    ("policy 'Carrier 2' --by weight", "is no scale"),
    ("policy 'Carrier 2' --by distance", "use of this machine in a year is not known"),
    ("policy 'Carrier 2' --horizon 0", "give 1 to 100"),
    ("spend 'Carrier 2' -3", "below zero"),
]
"""What cannot be, and what is said of it."""


def test_what_cannot_be_is_told_in_one_line_and_kept_out(yard: Shell) -> None:
    for line, says in BAD:
        assert says in yard(line).complaint, line
    assert yard("service list 'Carrier 2' --json").data["services"] == []
    assert yard("reading list 'Carrier 2' --json").data["readings"] == []
    assert yard("drive list 'Carrier 2' --json").data["drives"] == []
    assert yard("lab show 'Carrier 2' --json").data["systems"] == []


def test_an_odometer_that_falls_is_explained_and_kept_out(yard: Shell) -> None:
    driven(yard)
    before = yard("due --json").data
    count = len(yard("reading list 'Carrier 2' --json").data["readings"])
    line = f"reading add 'Carrier 2' odometer 15980 km --date {day(10)}"
    outcome = yard(line)
    assert "nothing was kept: the odometer reading of" in outcome.complaint
    assert "one digit too many or too few" in outcome.complaint
    assert "--sure" in outcome.complaint
    kept = yard(f"{line} --sure")
    assert kept.code == 0
    assert "kept out of the computation" in kept.err
    rows = yard("reading list 'Carrier 2' --json").data["readings"]
    assert len(rows) == count + 1
    (odd,) = [row for row in rows if row["kept_out"]]
    assert odd["value"] == 15_980_000
    dues = [item["due"] for item in yard("due --json").data]
    assert dues == [item["due"] for item in before]
    assert "Kept out: the odometer reading" in yard.done("reading list 'Carrier 2'")
    assert "Taken back" in yard.done(f"reading withdraw {odd['id']}")
    assert len(yard("reading list 'Carrier 2' --json").data["readings"]) == count


def test_a_reading_that_would_push_an_older_one_out_is_asked_about(yard: Shell) -> None:
    yard.done("service add 'Carrier 2' --litres 4 --date 2023-05-01 --odometer 150000 km")
    yard.done("reading add 'Carrier 2' odometer 187000 km")
    complaint = yard("reading add 'Carrier 2' odometer 18700 km --date 2024-01-01").complaint
    assert "with it, the odometer falls from 150 000 km on 2023-05-01 to 18 700 km" in complaint
    assert "or add --sure if this one is right" in complaint


def test_the_same_reading_twice_is_one(yard: Shell) -> None:
    line = "reading add 'Carrier 2' odometer 150000 km --date 2024-01-01"
    yard.done(line)
    assert "is there already" in yard.done(line)
    assert len(yard("reading list 'Carrier 2' --json").data["readings"]) == 1


def test_a_replaced_odometer_joins_its_readings(yard: Shell) -> None:
    yard.done("reading add 'Carrier 2' odometer 120000 km --date 2024-01-01")
    out = yard.done("reading replaced 'Carrier 2' odometer --old 127000 km --date 2024-04-20")
    assert "from 127 000 km to 0 km" in out
    yard.done("reading add 'Carrier 2' odometer 3000 km --date 2024-06-01")
    rows = yard("reading list 'Carrier 2' --json").data["readings"]
    assert [row["kept_out"] for row in rows] == [None, None]


def test_use_by_hand_and_by_the_log(yard: Shell) -> None:
    assert "too few drives" in yard.done("use 'Carrier 2'")
    yard.done("use 'Carrier 2' --distance '9000-12000 km' --hours 200h")
    told = yard("use 'Carrier 2' --json").data["told"]
    assert told["distance"] == [9e6, 1.2e7]
    assert told["hours"] == [150 * 3600, 250 * 3600]
    yard.done("use 'Carrier 2' --service severe")
    data = yard("use 'Carrier 2' --json").data
    assert (data["service"], data["told"]["distance"]) == ("severe", [9e6, 1.2e7])
    yard.done("use 'Carrier 2' --service by-log")
    assert yard("use 'Carrier 2' --json").data["service"] == "normal"
    for k in range(12):
        yard.done(f"drive add 'Carrier 2' --distance 3 km --minutes 9 --date {day(k + 1)}")
    data = yard("use 'Carrier 2' --json").data
    assert data["service"] == "severe"
    assert data["shares"][0] == {"use": "short trips", "share": 1.0, "severe_from": 0.5}
    assert "are shorter than 8 km" in yard.done("use 'Carrier 2'")
    drives = yard("drive list 'Carrier 2' --json").data["drives"]
    assert len(drives) == 12
    yard.done(f"drive withdraw {drives[0]['id']}")
    assert "no service but a drive" in yard(f"service withdraw {drives[1]['id']}").complaint
    assert len(yard("drive list 'Carrier 2' --json").data["drives"]) == 11


def test_a_recorded_log_gives_thermal_age(shell: Shell) -> None:
    limit = LIMITS.replace('distance = "60000 km"', 'thermal = "10 h"').partition("severe")[0]
    sheet = SHEET.replace('fluid = "Cable Green 7"\nw', 'thermal_reference = "90 C"\nw', 1)
    shell.sheet(sheet.replace("[[fluid]]", limit + "[[fluid]]", 1))
    shell.done("machine add carrier.toml")
    shell.done(f"service add 'Carrier 2' --what filled --date {day(90)}")
    log = "seconds;celsius\n" + "".join(f"{60 * k};100,0\n" for k in range(61))
    # Half a day later a single reading: the gap before it counts for nothing.
    for k in (80, 50, 20):
        # No two recordings are the same to the last digit.
        file(shell, log + f"50000;{k},0\n", "drive.csv")
        out = shell.done(f"drive add 'Carrier 2' --log drive.csv --date {day(k)}")
        assert "Temperatures of 60 min are kept" in out
    again = shell(f"drive add 'Carrier 2' --log drive.csv --date {day(1)}").complaint
    assert f"drive.csv: this log is counted already, on {day(20)}" in again
    (item,) = shell("due --json").data
    assert item["limit"] == "thermal"
    # An hour at 10 K above the reference counts two: 6 h in 90 days or so.
    (row,) = item["limits"]
    assert row["age"] == pytest.approx(6 * 3600, rel=0.3)
    assert any("twice as much every 10 K" in reason for reason in item["reasons"])
    drives = shell("drive list 'Carrier 2' --json").data["drives"]
    assert [drive["duration"] for drive in drives] == [3600.0] * 3
    assert sum(drives[0]["temperatures"]["durations"]) == pytest.approx(3600.0)
    assert re.search(r"1 h +100 °C", shell.done("drive list 'Carrier 2'"))
    used = shell.done("use 'Carrier 2'")
    assert "Logged temperatures of the fluid, gearbox: 3 h" in used
    assert re.search(r"100 °C to 110 °C +3 h +█{30}", used)
    (warmth,) = shell("use 'Carrier 2' --json").data["temperatures"]
    assert (warmth["system"], warmth["durations"]) == ("gearbox", [pytest.approx(3 * 3600.0)])
    file(shell, "seconds;celsius\n0;20\n", "short.csv")
    complaint = shell("drive add 'Carrier 2' --log short.csv").complaint
    assert "short.csv: the log holds no two readings" in complaint
    assert "cannot be read" in shell("drive add 'Carrier 2' --log none.csv").complaint


def test_a_report_is_judged_and_one_of_another_fluid_is_kept_out(yard: Shell) -> None:
    driven(yard)
    yard.done(f"service add 'Carrier 2' --what filled --date {day(700)} --odometer 121600 km")
    out = yard.done(
        f"lab add 'Carrier 2' Fe=180 iron=0 --date {day(20)}".replace(" iron=0", "")
        + " --v40 28.1 cSt --odometer 158900 km"
    )
    assert "act: iron: 180 mg/kg" in out
    items = {i["action"]: i for i in yard("due --json").data}
    assert items["replace"]["limit"] == "condition"
    wrong = yard.done(f"lab add 'Carrier 2' Fe=400 --v40 220 cSt --date {day(5)}")
    assert "kept out: the sample of" in wrong
    assert "another fluid" in wrong
    data = yard("lab show 'Carrier 2' --json").data["systems"][0]
    assert [r["kept_out"] for r in data["reports"]] == [False, True]
    assert {i["action"]: i for i in yard("due --json").data} == items
    shown = yard.done("lab show 'Carrier 2'")
    assert "kept out" in shown
    assert "corrected" in shown
    yard.done(f"lab withdraw {data['reports'][0]['id']}")
    assert yard("due --json").data[0]["limit"] != "condition"


def test_a_table_is_shown_first_and_taken_whole_or_not(yard: Shell) -> None:
    file(yard, READINGS)
    shown = yard.done("import-table readings f.csv --machine 'Carrier 2' --preview")
    assert "30 new rows would be kept" in shown
    assert "… and 10 rows more." in shown
    assert yard("reading list 'Carrier 2' --json").data["readings"] == []
    data = yard("import-table readings f.csv --machine 'Carrier 2' --preview --json").data
    assert (data["new"], data["kept"], len(data["rows"])) == (30, 0, 30)
    assert yard.done("import-table readings f.csv --machine 'Carrier 2'") == (
        "readings: 30 added, 0 known already.\n"
    )
    assert yard.done("import-table readings f.csv --machine 'Carrier 2'") == (
        "readings: 0 added, 30 known already.\n"
    )
    file(yard, READINGS.replace("2023-01-01", "2063-01-01").replace("103000", "x"), "bad.csv")
    outcome = yard("import-table readings bad.csv --machine 'Carrier 2'")
    assert "nothing was imported: line 4" in outcome.complaint
    assert "and 1 more" in outcome.complaint
    assert "line 14, Date: 2063-01-01 lies in the future" in outcome.out
    shown = yard("import-table readings bad.csv --machine 'Carrier 2' --preview")
    assert "bad.csv: 2 faults: nothing of it would be kept" in shown.complaint
    assert "line 14, Date: 2063-01-01 lies in the future" in shown.out
    told = yard("import-table readings bad.csv --machine 'Carrier 2' --preview --json")
    assert told.code == 2
    data = json.loads(told.out)
    assert [fault["line"] for fault in data["faults"]] == [4, 14]
    assert len(yard("reading list 'Carrier 2' --json").data["readings"]) == 30


def test_a_person_sees_what_an_import_is_doing(yard: Shell) -> None:
    file(yard, READINGS)
    mine, theirs = os.openpty()
    words = ("import-table", "readings", "f.csv", "--machine", "Carrier 2")
    done = command(*words, folder=yard.folder, stderr=theirs)
    os.close(theirs)
    assert done.returncode == 0
    assert done.stdout == "readings: 30 added, 0 known already.\n"
    shown = b""
    with suppress(OSError):
        # The reading end complains when nothing is left, because the other one is closed.
        while more := os.read(mine, 4096):
            shown += more
    os.close(mine)
    assert b"Reading f.csv against the yard" in shown
    assert b"Keeping 30 rows, all of them or none" in shown


def test_miles_among_kilometres_are_shown_and_kept_out_until_put_right(yard: Shell) -> None:
    driven(yard)
    due = [item["due"] for item in yard("due --json").data]
    count = len(yard("reading list 'Carrier 2' --json").data["readings"])
    rows = f"{day(45)},{157_500 / 1.609344:.0f}\n{day(20)},{158_900 / 1.609344:.0f} mi\n"
    file(yard, "Date,Odometer (km)\n" + rows, "mixed.csv")
    outcome = yard("import-table readings mixed.csv --machine 'Carrier 2'")
    assert outcome.code == 0
    assert "line 2" in outcome.err
    assert "a mixture of miles and kilometres: correct it" in outcome.err
    assert "line 3" not in outcome.err
    readings = yard("reading list 'Carrier 2' --json").data["readings"]
    assert len(readings) == count + 2
    (odd,) = [row for row in readings if row["kept_out"]]
    # The one with its unit is taken as what it is.
    assert any(row["value"] == pytest.approx(158_900e3, abs=1e3) for row in readings)
    shifts = [
        abs((date.fromisoformat(b["due"]["likely"]) - date.fromisoformat(a["likely"])).days)
        for a, b in zip(due, yard("due --json").data, strict=True)
        if a["likely"]
    ]
    assert max(shifts, default=0) <= 3
    assert "miles and kilometres" in yard.done("reading list 'Carrier 2'")
    yard.done(f"reading withdraw {odd['id']}")
    yard.done(f"reading add 'Carrier 2' odometer 97865 mi --date {day(45)}")
    assert not any(
        row["kept_out"] for row in yard("reading list 'Carrier 2' --json").data["readings"]
    )


def test_machines_from_a_table(yard: Shell) -> None:
    file(yard, "Machine,System,Kind,Capacity (L)\nVan 7,gearbox,CVT,8.1\nVan 7,axle,axle,1.2\n")
    yard.done("import-table machines f.csv")
    shown = yard("machine list --json").data
    assert [m["systems"] for m in shown if m["machine"] == "Van 7"] == [["gearbox", "axle"]]


def test_policy_and_costs(yard: Shell) -> None:
    driven(yard)
    yard.done(f"service add 'Carrier 2' --what filled --date {day(1200)} --odometer 95000 km")
    yard.done(
        f"service add 'Carrier 2' --litres 4.6 --date {day(400)} --odometer 138000 km --price 52"
    )
    out = yard.done("policy 'Carrier 2'")
    assert "limit 60 000 km" in out
    assert "If you do what you did last time, 50 % every 43 000 km" in out
    assert out.count("◀") == 2
    data = yard("policy 'Carrier 2' --json").data
    assert data["measure"] == "distance"
    assert data["cheapest"]["within"]
    assert len(data["rows"]) == len({(r["method"], r["interval"]) for r in data["rows"]})
    assert len(yard.done("policy 'Carrier 2' --all").splitlines()) > len(out.splitlines())
    assert "4 years" in yard.done("policy 'Carrier 2' --by time")
    yard.done(f"spend 'Carrier 2' 3.50 --what 'crush washer' --date {day(400)}")
    costs = yard("costs --json").data
    (row,) = [m for m in costs["machines"] if m["fluid"]]
    assert (row["fluid"], row["other"], row["volume_l"]) == (52.0, 3.5, 4.6)
    assert costs["next_year"]["needs"][0]["fluid"] == "Cable Green 7"
    (total,) = [t for t in costs["totals"] if t["machine"] == "Carrier 2"]
    assert (total["total"], total["volume_l"]) == (55.5, 4.6)
    shown = yard.done("costs")
    assert "crush" not in shown
    assert re.search(r"Carrier 2 +all +52\.00.* +3\.50.* +55\.50", shown)
    assert re.search(r"Cable Green 7 +asked for 1\.00 L with its carriage +11\.40", shown)
    assert "next_year" not in yard("costs --machine 'Carrier 2' --json").data


def test_the_long_run_goes_by_the_limit_that_comes_first(shell: Shell) -> None:
    shell.sheet(LIMITED.replace("4 years", "2 years"))
    shell.done("machine add carrier.toml")
    for days, km in ((1800, 1000), (1100, 7000), (400, 12600), (10, 15700)):
        shell.done(f"reading add 'Carrier 2' odometer {km} km --date {day(days)}")
    shell.done(f"service add 'Carrier 2' --what filled --date {day(1800)}")
    shell.done(f"service add 'Carrier 2' --litres 4.6 --date {day(1100)}")
    out = shell.done("policy 'Carrier 2'")
    assert "limit 2 years, which comes first" in out
    assert "cheapest that keeps to every limit" in out
    assert re.search(r"of the limits 2 years comes first: 60 000 km takes 2\d\.\d years at", out)
    data = shell("policy 'Carrier 2' --json").data
    assert [limit["measure"] for limit in data["limits"]] == ["time", "distance"]
    assert data["cheapest"]["breaks"] == []
    assert data["cheapest"]["peak_age"] <= data["limit"] * (1 + 1e-9)
    out = shell.done("policy 'Carrier 2' --by distance")
    assert "limit 60 000 km, as asked" in out
    assert re.search(r"◀ past 2 years\n", out)
    assert "the policy that is marked breaks the limit of 2 years" in out
    assert shell("policy 'Carrier 2' --by distance --json").data["cheapest"]["breaks"] == [0]
    out = shell.done("history 'Carrier 2'")
    assert "Of the limits 2 years comes first" in out
    assert re.search(r"If you do what you did last time, .* older than 2 years\.", out)
    due = shell("due --machine 'Carrier 2' --json").data
    assert {i["action"]: i["limit"] for i in due}["replace"] == "date"


def test_the_water_of_a_report_as_laboratories_write_it(yard: Shell) -> None:
    out = yard.done(f"lab add 'Carrier 2' --water 0.06% --date {day(50)}")
    assert f"caution: water: 0.06 % on {day(50)}, above 0.05 %" in out
    outcome = yard(f"lab add 'Carrier 2' --water neg --date {day(40)} --json")
    assert (outcome.data["water"], outcome.data["note"]) == (
        0.0, "water 'neg' was read as none found",
    )  # fmt: skip
    outcome = yard(f"lab add 'Carrier 2' --water '<0.05 %' --date {day(30)}")
    assert "was read as half of it" in outcome.err
    assert "has no unit" in yard("lab add 'Carrier 2' --water 0.06").complaint
    out = yard.done("lab show 'Carrier 2'")
    assert all(f" {water} %" in out for water in ("0.06", "0.025", "0"))


def test_inspections_are_told_and_ask_for_a_change(yard: Shell) -> None:
    yard.done(f"service inspect 'Carrier 2' --date {day(3)} --verdict replace --note milky")
    items = {i["action"]: i for i in yard("due --json").data}
    assert items["replace"]["limit"] == "condition"
    assert items["replace"]["due"]["likely"] == day(3)
    assert "milky" not in json.dumps(items)
    assert "replace" in yard.done("service list 'Carrier 2'")
