"""The yard: what is due, why, and how sure."""

from __future__ import annotations

import re
import shutil
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

from sumpwright.display import Display
from sumpwright.planning.due import Dates, DueItem
from sumpwright.records.taking import preview, take
from sumpwright.records.told import ToldService
from sumpwright.web.views.show import Show
from sumpwright.web.views.yard import due_line
from webkit import Device, Site

SHEET = """
[machine]
name = "Dated"
[[system]]
name = "axle"
kind = "axle"
capacity = "2 L"
[[system.limit]]
action = "replace"
period = "4 years"
"""


def line(early: date | None, likely: date | None, late: date | None) -> tuple[str, str]:
    item = DueItem("V", "box", "replace", Dates(early, likely, late), "date", ())
    told = due_line(item, Show(Display()), date(2026, 3, 1))
    return told.when, told.sure


def test_days_are_told_as_people_say_them() -> None:
    day = date(2026, 3, 1)
    assert line(day, day, day) == ("today", "2026-03-01")
    assert line(day, date(2026, 3, 2), date(2026, 4, 1)) == ("in 1 day", "2026-03-01 to 2026-04-01")
    assert line(None, date(2026, 2, 1), None) == ("passed 4 weeks ago", "2026-02-01")
    assert line(day, date(2028, 9, 1), date(2030, 1, 1))[0] == "in 2.5 years"
    assert line(day, None, None) == ("cannot be told yet", "")
    assert line(date(2026, 2, 1), None, None) == ("may be overdue", "from 2026-02-01")


def test_what_is_due_comes_first_and_is_worked_out_again_when_something_changes(
    site: Site, keeper: Device
) -> None:
    made = keeper.api("POST", "/machines", json={"toml": SHEET}).json()["id"]
    assert "Change the fluid, axle: cannot be told yet" in keeper.get("/").text
    site.store.told.add(
        made, ToldService(system="axle", done="filled"), datetime(2020, 1, 15, 12, tzinfo=UTC)
    )
    text = keeper.get("/").text
    assert "Change the fluid, axle: passed" in text
    assert 'class="passed"' in text
    assert text.index("Dated") < text.index("Van 1")
    due = keeper.get("/api/due").json()
    assert (due[0]["machine"], due[0]["overdue"]) == ("Dated", True)
    job = keeper.api("POST", "/jobs", json={"machine": "Generator 1"}).json()["id"]
    text = keeper.get("/").text
    assert text.index("Generator 1") < text.index("Dated")
    assert f"/jobs/{job}" in text


def test_an_empty_yard_says_what_a_machine_needs(empty_db: Path, tmp_path: Path) -> None:
    shutil.copy(empty_db, tmp_path / "empty.db")
    site = Site(tmp_path / "empty.db")
    assert "The yard is empty" in site.device().get("/").text
    site.store.close()


def test_a_large_yard_comes_in_pages_and_can_be_searched(empty_db: Path, tmp_path: Path) -> None:
    shutil.copy(empty_db, tmp_path / "large.db")
    site = Site(tmp_path / "large.db")
    day = date(2020, 1, 1)
    text = "Machine;System;Kind;Capacity (L);Replace every (years)\n"
    text += "".join(f"Mover {n:03d};axle;axle;2,1;4\n" for n in range(130))
    take(site.store, preview(site.store, "machines", text.encode(), "m.csv"))
    text = "Machine;Date;What\n"
    text += "".join(f"Mover {n:03d};{day + timedelta(days=n)};filled\n" for n in range(130))
    take(site.store, preview(site.store, "services", text.encode(), "s.csv"))
    keeper = site.device()
    pages = [keeper.get(f"/?page={k}").text for k in (1, 2, 3)]
    found = [re.findall(r">(Mover \d+)</a>", page) for page in pages]
    assert [name for each in found for name in each] == [f"Mover {n:03d}" for n in range(130)]
    assert [len(each) for each in found] == [50, 50, 30]
    assert "51 to 100 of 130" in pages[1]
    assert 'rel="next" href="/?page=3"' in pages[1]
    assert 'rel="prev" href="/?page=1"' in pages[1]
    assert 'rel="next"' not in pages[2]
    assert "Change the fluid, axle: passed" in pages[2]
    assert "counted from 2020-05-09" in pages[2]
    assert keeper.get("/?page=999").text.count("Page 3 of 3") == 1
    one = keeper.get("/?find=mover++07").text
    assert re.findall(r">(Mover \d+)</a>", one) == [f"Mover 07{n}" for n in range(10)]
    assert "1 to 10 of 10 found" in one
    assert "No machine here is called that" in keeper.get("/?find=crane").text
    assert keeper.get("/?page=0").status_code == 422
    whole = keeper.get("/api/due")
    assert whole.headers["x-total-count"] == "130"
    assert "link" not in whole.headers
    some = keeper.get("/api/due?first=40&skip=80")
    assert some.json() == whole.json()[80:120]
    assert some.headers["link"] == '</api/due?first=40&skip=120>; rel="next"'
    assert all(item["reasons"] for item in whole.json())
    assert "link" not in keeper.get("/api/due?first=40&skip=120").headers
    site.store.close()
