"""What comes of the books, as pages: due, ages, policy, laboratory, costs, tables, calendar."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, timedelta

import pytest
from icalendar import Calendar

from pastkit import limited
from sumpwright.planning.clock import YEAR, today
from sumpwright.planning.machine import ServiceLimit
from sumpwright.records.ages import ages_of, shares_by_class
from sumpwright.records.due import due_for_yard, machine_due
from sumpwright.records.policies import outlook
from sumpwright.records.told import ToldReport
from webkit import PHONE, Device, Site, forged, tell_past


@pytest.fixture
def told(site: Site) -> Site:
    """The demo yard with its past."""
    tell_past(site.store)
    return site


def ident(site: Site, name: str) -> str:
    return site.store.machines.get(name).id


def test_a_machine_shows_its_fluid_by_age_and_what_its_last_service_did(
    told: Site, keeper: Device
) -> None:
    text = keeper.get(f"/machines/{ident(told, 'Van 1')}").text
    found = machine_due(told.store, "Van 1", today())
    ages = ages_of(found.systems[0], found.use.service.kind, today())
    assert ages is not None
    now = re.search(
        r'<svg class="agebar"[^>]*aria-label="[^"]* now: ([^"]*)">(.*?)</svg>', text, re.S
    )
    assert now
    widths = [float(w) for w in re.findall(r'width="([\d.]+)"', now[2])]
    shares = [s for s in shares_by_class(ages.groups[-1], ages.edges) if s > 0]
    assert widths == pytest.approx([100 * s for s in shares], abs=0.01)
    assert sum(widths) == pytest.approx(100, abs=0.01)
    assert now[1].count("%") == len(shares)
    assert "really did" in text
    for line in ages.did:
        assert str(line) in text


def test_a_machine_shows_every_reason_and_all_limits_side_by_side(
    told: Site, keeper: Device
) -> None:
    text = keeper.get(f"/machines/{ident(told, 'Pick-up 3')}").text
    items = [i for i in due_for_yard(told.store, today()) if i.machine == "Pick-up 3"]
    assert items
    for item in items:
        for reason in item.reasons:
            assert str(reason).replace("'", "&#39;") in text
    assert text.count("<caption>All limits side by side</caption>") == len(items)
    tables = [part.split("</table>")[0] for part in text.split("All limits side by side")[1:]]
    counts = sorted(table.count('scope="row">') for table in tables)
    assert counts == sorted(len(item.limits) for item in items)
    assert counts[-1] >= 3
    assert all(table.count("comes first") == 1 for table in tables)


def test_the_policy_page_marks_what_the_records_call_cheapest(told: Site, keeper: Device) -> None:
    found = outlook(told.store, "Van 1", "gearbox", today())
    best = found.cheapest
    assert best is not None
    text = keeper.get(f"/machines/{ident(told, 'Van 1')}/systems/1/policy").text
    row = re.search(r'<tr role="row" class="chosen">(.*?)</tr>', text, re.S)
    assert row
    assert str(best["method"]).replace("-", " ") in row[1]
    assert f"{best['cost_per_year']:.2f} EUR" in row[1]
    assert 'class="g-ring"' in text
    assert found.habit is not None
    assert str(found.habit.says) in text
    bare = keeper.api("POST", "/machines", json={"toml": NO_LIMIT}).json()["id"]
    assert "says nothing of when the fluid" in keeper.get(f"/machines/{bare}/systems/1/policy").text


def test_the_policy_page_goes_by_the_limit_that_comes_first(site: Site, keeper: Device) -> None:
    sheet = limited(ServiceLimit("replace", distance=6e7, period=2.0 * YEAR), name="Rare 1")
    kept = site.store.machines.add(sheet)
    now = datetime.now(UTC)
    marks = [
        ("odometer", 1.6e7 - 2.9e6 * k / 12, now - timedelta(days=30.4 * k)) for k in range(1, 49)
    ]
    site.store.readings.add_many("Rare 1", marks)
    found = outlook(site.store, "Rare 1", now=today())
    assert (found.measure, found.several) == ("time", True)
    text = keeper.get(f"/machines/{kept.id}/systems/1/policy").text
    assert "What keeps to the limit of 2 years, which comes first" in text
    assert "that keeps to every limit: drain and refill" in text
    assert "Of the limits 2 years comes first: 60 000 km takes" in text
    assert "past 2 years</span>" in text


NO_LIMIT = '[machine]\nname="T"\n[[system]]\nname="axle"\nkind="axle"\ncapacity="2 L"\n'


def test_reports_are_shown_entered_and_taken_back(told: Site, keeper: Device) -> None:
    page = f"/machines/{ident(told, 'Pick-up 3')}/laboratory"
    text = keeper.get(page).text
    assert text.count('<span class="mark">kept out</span>') == 1
    assert "<strong>act</strong>" in text or "<strong>caution</strong>" in text
    form = {"system": "gearbox", "elements": "Fe=95 Cu=20", "v40": "31,2", "day": "2026-01-02"}
    assert keeper.post(page, form).status_code == 303
    mine = [
        e for e in told.store.told.of("Pick-up 3", ToldReport) if e.told.elements.get("Fe") == 95
    ]
    (kept,) = mine
    assert kept.told.viscosity_40 == pytest.approx(31.2e-6)
    assert keeper.post(f"/told/{kept.id}/withdraw").status_code == 303
    assert kept.id not in keeper.get(page).text


def test_the_water_of_a_report_is_in_percent_or_as_the_laboratory_writes_it(
    told: Site, keeper: Device
) -> None:
    kept = ident(told, "Pick-up 3")
    page = f"/machines/{kept}/laboratory"
    form = {"system": "gearbox", "elements": "Fe=9", "day": "2026-01-02"}
    for day, water, share in (("02", "0.06", 6e-4), ("03", "<0.05", 2.5e-4), ("04", "neg", 0.0)):
        answer = keeper.post(page, {**form, "water": water, "day": f"2026-01-{day}"})
        assert answer.status_code == 303
        entries = told.store.told.of("Pick-up 3", ToldReport)
        (entry,) = [e for e in entries if e.at.date() == date(2026, 1, int(day))]
        assert entry.told.water == pytest.approx(share)
    assert entry.note == "water 'neg' was read as none found"
    assert "0.06 %" in keeper.get(page).text
    answer = keeper.post(page, {**form, "water": "trace"})
    assert answer.status_code == 422
    assert "not how much" in answer.text


@pytest.mark.parametrize(
    ("form", "field"),
    [
        ({}, "elements"),
        ({"elements": "Xx=3"}, "elements"),
        ({"elements": "Fe=-3"}, "elements"),
        ({"elements": "Fe=3", "particles": "soup"}, "particles"),
        ({"elements": "Fe=3", "day": "2999-01-01"}, "day"),
        ({"elements": "Fe=3", "v40": "thick"}, "v40"),
    ],
)
def test_a_report_that_cannot_be_is_told_beside_its_field(
    site: Site, keeper: Device, van: str, form: dict[str, str], field: str
) -> None:
    answer = keeper.post(f"/machines/{van}/laboratory", {"system": "gearbox", **form})
    assert answer.status_code == 422
    assert f'id="e-{field}"' in answer.text
    assert site.store.told.of("Van 1", ToldReport) == []
    for value in form.values():
        assert value in answer.text


def test_a_table_is_shown_before_it_is_kept(site: Site, keeper: Device) -> None:
    rows = b"Date,Odometer (km)\n2026-01-02,187500\n2026-02-02,187900\n"
    form = {"sort": "readings", "machine": "Van 1"}
    shown = keeper.post("/tables", form, files={"file": ("r.csv", rows, "text/csv")})
    assert shown.status_code == 200
    assert "Keep 2 new rows" in shown.text
    assert site.store.readings.of("Van 1") == []
    key = re.search(r'name="key" value="([^"]+)"', shown.text)
    assert key
    stranger = site.paired("keeper", "Theo")
    assert stranger.post("/tables/keep", {"key": key[1]}).status_code == 422
    assert keeper.post("/tables/keep", {"key": key[1]}).headers["location"].endswith("done=2")
    assert len(site.store.readings.of("Van 1")) == 2
    assert keeper.post("/tables/keep", {"key": key[1]}).status_code == 422
    again = keeper.post("/tables", form, files={"file": ("r.csv", rows, "text/csv")})
    assert "Nothing in it is new" in again.text


def test_a_report_that_names_another_fluid_is_shown_first_and_counts_once_confirmed(
    site: Site, keeper: Device, van: str
) -> None:
    rows = b"Date,Fluid,Fe (ppm),Hours\n2026-01-02,Rope Amber 3,30,2000\n"
    form = {"sort": "reports", "machine": "Van 1", "system": "gearbox"}
    shown = keeper.post("/tables", form, files={"file": ("r.csv", rows, "text/csv")})
    assert "line 2: the report of 2026-01-02 names Rope Amber 3" in shown.text
    assert "Fe 30" in shown.text
    key = re.search(r'name="key" value="([^"]+)"', shown.text)
    assert key
    keeper.post("/tables/keep", {"key": key[1]})
    (kept,) = site.store.told.of("Van 1", ToldReport)
    page = keeper.get(f"/machines/{van}/laboratory").text
    assert page.count('<span class="mark">kept out</span>') == 1
    assert f"/told/{kept.id}/confirm" in page
    heads = re.findall(r'columnheader" scope="col">([^<]*)<', page.split("</thead>")[0])
    assert heads == ["Day", "hours", "Fe", "Take back"]
    assert keeper.post(f"/told/{kept.id}/confirm").status_code == 303
    after = keeper.get(f"/machines/{van}/laboratory").text
    assert "kept out</span>" not in after
    assert "/confirm" not in after
    (sure,) = site.store.told.of("Van 1", ToldReport)
    assert sure.told.sure
    assert sure.told.elements == {"Fe": 30.0}


def test_the_machine_shows_the_newest_reading_whatever_told_it(
    site: Site, keeper: Device, van: str
) -> None:
    site.store.readings.add("Van 1", "hours", 3600.0 * 2000, datetime(2026, 1, 2, tzinfo=UTC))
    assert re.search(r"Running hours 2\s000 h on", keeper.get(f"/machines/{van}").text)
    form = {"system": "gearbox", "elements": "Fe=5", "hours": "2100", "day": "2026-03-02"}
    assert keeper.post(f"/machines/{van}/laboratory", form).status_code == 303
    text = keeper.get(f"/machines/{van}").text
    assert re.search(r"Running hours 2\s100 h on", text)


def test_a_table_with_a_fault_names_its_line_and_keeps_nothing(site: Site, keeper: Device) -> None:
    rows = b"Date,Odometer (km)\n2026-01-02,187500\nsoon,187900\n"
    form = {"sort": "readings", "machine": "Van 1"}
    answer = keeper.post("/tables", form, files={"file": ("r.csv", rows, "text/csv")})
    assert answer.status_code == 422
    assert "line 3" in answer.text
    assert 'name="key"' not in answer.text
    assert keeper.post("/tables", form).status_code == 422
    assert site.store.readings.of("Van 1") == []


@pytest.mark.usefixtures("told")
def test_costs_and_next_years_need_are_shown(keeper: Device) -> None:
    text = keeper.get("/costs").text
    assert "What the machines have cost" in text
    assert "Van 1" in text
    assert re.search(r"Total \d+\.\d\d EUR", text)


def test_a_calendar_is_given_to_devices_and_to_a_link_that_can_be_withdrawn(
    told: Site, keeper: Device
) -> None:
    calendar = Calendar.from_ical(keeper.get("/calendar.ics").content)
    due = [i for i in due_for_yard(told.store, date.today()) if i.due.likely]
    assert len(calendar.walk("VEVENT")) == len(due) > 0
    stranger = told.device(PHONE, "192.0.2.1:8420")
    assert stranger.client.get("/calendar.ics", follow_redirects=False).status_code == 303
    page = keeper.post("/calendar/links", {"name": "Ines"}).text
    link = re.search(r'href="https?://[^/]+(/calendar/[^"]+/due\.ics)"', page)
    assert link
    answer = stranger.get(link[1])
    assert answer.headers["content-type"].startswith("text/calendar")
    assert len(Calendar.from_ical(answer.content).walk("VEVENT")) == len(due)
    # The link opens the calendar alone.
    token = link[1].split("/")[2]
    bearer = {"authorization": f"Bearer {token}"}
    assert stranger.client.get("/api/machines", headers=bearer).status_code == 401
    assert stranger.get(link[1].replace(token, forged(token))).status_code == 404
    (device,) = [d for d in told.store.devices.all() if d.name == "Calendar of Ines"]
    told.store.devices.revoke(device.id)
    assert stranger.get(link[1]).status_code == 404


def test_wear_is_drawn_over_time_without_what_is_kept_out(told: Site, keeper: Device) -> None:
    text = keeper.get(f"/machines/{ident(told, 'Pick-up 3')}/laboratory").text
    (drawn,) = re.findall(r"<title[^>]*>(Wear metals[^<]*)</title>", text)
    assert "Fe 31 to 91 mg/kg; Cu 9 to 19 mg/kg" in drawn
    figure = text.partition("Wear metals over time")[2].partition("</svg>")[0]
    # Four reports came; the one on another fluid is kept out.
    assert figure.count("<circle") == 2 * 3


def test_the_history_of_a_machine_names_services_and_reports(told: Site, keeper: Device) -> None:
    van = keeper.get(f"/machines/{ident(told, 'Van 1')}?all=yes").text
    assert "Changed: gearbox, 4.10 L" in van
    assert "Filled: gearbox, 9.30 L" in van
    pickup = keeper.get(f"/machines/{ident(told, 'Pick-up 3')}?all=yes").text
    assert pickup.count("Report of the laboratory: gearbox") == 4


@pytest.mark.usefixtures("told")
def test_what_was_paid_stands_with_the_costs(keeper: Device) -> None:
    text = keeper.get("/costs").text
    assert "52.40 EUR" in text
    # One price that was paid and one that is asked are no history; two that were paid are.
    assert "Cable Green 7, paid</th>" in text
    assert "Cable Green 7, asked for " in text
    assert "Cable Green 7, paid over time" not in text
    assert "Col Amber 5, paid over time" in text
    assert ">all years</td>" in text
    # Paid 33.20 EUR for 4.1 L then; the sheet's best offer now.
    assert "8.10 EUR" in text
    assert 'data-head="Likely">none<' in text
