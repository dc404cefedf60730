"""What programs are told is what the shell is told."""

from __future__ import annotations

import contextlib
import io
import json
import shlex
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from sumpwright.cli import app
from sumpwright.records.chain import new_id
from sumpwright.records.told import ToldReport
from webkit import Site, tell_past

Ask = Callable[[str], Any]


@pytest.fixture
def past_site(site: Site) -> Site:
    tell_past(site.store)
    return site


@pytest.fixture
def api(past_site: Site) -> TestClient:
    return past_site.device().client


@pytest.fixture
def shell(past_site: Site) -> Ask:
    def ask(line: str) -> Any:
        out = io.StringIO()
        with contextlib.redirect_stdout(out):
            app(
                [*shlex.split(line), "--json", "--db", str(past_site.settings.db)],
                standalone_mode=False,
            )
        return json.loads(out.getvalue())

    return ask


@pytest.mark.parametrize(
    ("line", "path"),
    [
        ("due", "/due"),
        ("due --machine 'Pick-up 3'", "/machines/Pick-up 3/due"),
        ("due --machine 'Pick-up 3' --us", "/machines/Pick-up 3/due?units=us"),
        ("history 'Pick-up 3'", "/machines/Pick-up 3/history"),
        ("history 'Van 1' --system engine --us", "/machines/Van 1/history?system=engine&units=us"),
        ("policy 'Pick-up 3'", "/machines/Pick-up 3/policy"),
        (
            "policy 'Carrier 2' --system 'track drive' --by hours --horizon 5",
            "/machines/Carrier 2/policy?system=track drive&by=hours&years=5",
        ),
        ("lab show 'Pick-up 3' --system gearbox", "/machines/Pick-up 3/laboratory?system=gearbox"),
        ("costs", "/costs"),
        ("costs --machine 'Van 1'", "/costs?machine=Van 1"),
    ],
)
def test_programs_and_the_shell_are_told_the_same(
    api: TestClient, shell: Ask, line: str, path: str
) -> None:
    told = api.get(f"/api{path}")
    assert told.status_code == 200, told.text
    assert told.json() == shell(line)
    assert told.json()


@pytest.mark.parametrize("what", ["due", "history", "policy", "laboratory", "prices", "card.pdf"])
def test_a_machine_that_is_not_there(api: TestClient, what: str) -> None:
    assert api.get(f"/api/machines/nothing/{what}").status_code == 404


def test_prices_are_read_and_kept(past_site: Site, api: TestClient) -> None:
    before = api.get("/api/machines/Van 1/prices").json()
    assert before["currency"] == "EUR"
    offer = before["offers"][0] | {"price": 99.5}
    sent = {"version": before["version"], "offers": [offer]}
    after = api.put("/api/machines/Van 1/prices", json=sent)
    assert after.status_code == 200, after.text
    assert after.json()["version"] == before["version"] + 1
    (kept,) = past_site.store.machines.get("Van 1").sheet.offers
    assert (kept.price, kept.size, kept.fluid) == (99.5, offer["size"], offer["fluid"])
    late = api.put("/api/machines/Van 1/prices", json=sent)
    assert late.status_code == 422
    assert late.json()["error"]["field"] == "version"
    for wrong in ({"price": -1.0}, {"size": 0.0}, {"seller": ""}, {"colour": "green"}):
        strange = sent | {"version": 2, "offers": [offer | wrong]}
        assert api.put("/api/machines/Van 1/prices", json=strange).status_code == 422, wrong
    assert len(past_site.store.machines.get("Van 1").sheet.offers) == 1
    reader = past_site.paired("reader")
    assert reader.api("PUT", "/machines/Van 1/prices", json=sent).status_code == 403


def test_card_figure_level_and_calendar(api: TestClient) -> None:
    made = api.post("/api/jobs", json={"machine": "Van 1", "system": "gearbox"})
    job = made.json()["id"]
    card = api.get("/api/machines/Van 1/card.pdf?system=gearbox&target=0.8")
    assert card.content.startswith(b"%PDF-")
    figure = api.get(f"/api/jobs/{job}/figure.svg?narrow=true")
    assert figure.headers["content-type"].startswith("image/svg+xml")
    assert "</svg>" in figure.text
    level = api.get(f"/api/jobs/{job}/level").json()
    assert (level["state"], level["verdict"], level["kelvin"]) == ("waiting", "no reading", None)
    sent = {
        "events": [{"kind": "read", "body": {"what": "temperature", "unit": "K", "value": 312.0}}]
    }
    assert api.post(f"/api/jobs/{job}/events", json=sent).status_code == 200
    warm = api.get(f"/api/jobs/{job}/level?units=us").json()
    assert (warm["state"], warm["kelvin"]) == ("fresh", 312.0)
    assert warm["reasons"]
    assert api.get("/api/calendar.ics").text.startswith("BEGIN:VCALENDAR")


def test_preferences_stay_with_the_browser(past_site: Site) -> None:
    phone = past_site.device()
    assert phone.api("GET", "/preferences").json()["units"] == "metric"
    kept = phone.api("PUT", "/preferences", json={"units": "us", "name": "Ines"})
    assert kept.json() == {"units": "us", "comma": False, "name": "Ines"}
    assert phone.api("GET", "/preferences").json()["units"] == "us"
    assert "US qt" in phone.get("/machines/Van 1").text
    assert past_site.device().api("GET", "/preferences").json()["units"] == "metric"
    assert phone.api("PUT", "/preferences", json={"units": "cubits"}).status_code == 422


def test_programs_are_refused_what_cannot_be_and_what_counts_already(api: TestClient) -> None:
    def tell(kind: str, body: dict[str, Any], at: str, note: str = "") -> Any:
        thing = {"kind": kind, "body": body, "at": at, "note": note, "id": new_id()}
        return api.post("/api/machines/Van 1/told", json={"things": [thing]})

    day = "2026-01-02T00:00:00Z"
    assert "1200 km/h" in tell("drive", {"distance": 2e5, "duration": 600.0}, day).text
    assert "250 %" in tell("drive", {"distance": 2e4, "load": 2.5}, day).text
    assert "before any machine" in tell("drive", {"distance": 2e4}, "1850-01-02T00:00:00Z").text
    assert tell("drive", {"distance": 2e4, "duration": 1200.0}, day).status_code == 201
    log = {"system": "gearbox", "edges": [350.0, 370.0], "durations": [600.0]}
    first = tell("temperatures", log, day, "log 0123456789ab")
    assert first.status_code == 201
    assert (
        "counted already, on 2026-01-02" in tell("temperatures", log, day, "log 0123456789ab").text
    )
    api.post("/api/told/withdraw", json={"id": first.json()[0]["id"]})
    assert tell("temperatures", log, day, "log 0123456789ab").status_code == 201


def test_a_program_sees_the_doubts_of_a_table_and_confirms_a_report(
    past_site: Site, api: TestClient, shell: Ask, tmp_path: Path
) -> None:
    rows = "Date,Fluid,Fe (ppm)\n2026-01-02,Rope Amber 3,30\n"
    (tmp_path / "r.csv").write_text(rows, encoding="utf-8")
    where = "name=r.csv&machine=Van 1&system=gearbox"
    headers = {"content-type": "application/octet-stream"}
    ask = f"/api/tables/reports?{where}&only_show=true"
    told = api.post(ask, content=rows, headers=headers).json()
    path = tmp_path / "r.csv"
    same = shell(f"lab import {path} --machine 'Van 1' --system gearbox --preview")
    assert told == {key: value for key, value in same.items() if key != "file"}
    assert [doubt["line"] for doubt in told["doubts"]] == [2]
    assert (
        api.post(f"/api/tables/reports?{where}", content=rows, headers=headers).json()["kept"] == 1
    )
    (kept,) = past_site.store.told.of("Van 1", ToldReport, system="gearbox")[-1:]
    assert not kept.told.sure
    sure = api.post("/api/told/confirm", json={"id": kept.id, "by": "Ines"})
    assert sure.status_code == 200, sure.text
    assert (sure.json()["body"]["sure"], sure.json()["by"]) == (True, "Ines")
    assert api.post("/api/told/confirm", json={"id": kept.id}).status_code == 422
