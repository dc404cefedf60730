"""Who may come in, and what each may do."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from sumpwright.web.security import SAFE_METHODS, right_needed
from webkit import PHONE, Device, Site, all_routes, forged

PAGES = ["/", "/machines/Van 1", "/machines/Van 1/systems/1/plan", "/machines/Van 1/versions"]
KEEPER_PAGES = [
    "/devices",
    "/files",
    "/machines/new",
    "/machines/Van 1/edit",
    "/machines/Van 1/prices",
    "/machines/Van 1/sheet",
    "/machines/Van 1/retire",
    "/machines/Van 1/systems/new",
    "/machines/Van 1/systems/1/edit",
    "/machines/Van 1/systems/1/remove",
]
OPEN = ["/pair", "/help", "/help/api", "/settings"]


@pytest.mark.parametrize("page", PAGES + KEEPER_PAGES)
def test_a_stranger_is_sent_to_pair(site: Site, page: str) -> None:
    stranger = site.device(PHONE, "192.0.2.1:8420")
    answer = stranger.get(page, follow_redirects=False)
    assert answer.status_code == 303
    assert answer.headers["location"].startswith("/pair?next=")


@pytest.mark.parametrize("page", OPEN)
def test_a_stranger_sees_how_to_come_in(site: Site, page: str) -> None:
    assert site.device(PHONE, "192.0.2.1:8420").get(page).status_code == 200


def test_whoever_sits_at_the_machine_is_the_keeper(keeper: Device) -> None:
    for page in PAGES + KEEPER_PAGES + OPEN:
        assert keeper.get(page).status_code == 200, page


def test_behind_a_proxy_nobody_is_the_keeper_by_place(yard_db: Path) -> None:
    site = Site(yard_db, loopback_keeper=False)
    assert site.device().get("/devices", follow_redirects=False).status_code == 303


@pytest.mark.parametrize("role", ["hand", "seat", "reader"])
def test_only_a_keeper_changes_machines_and_devices(site: Site, role: str) -> None:
    phone = site.paired(role)
    for page in PAGES:
        assert phone.get(page).status_code == 200, page
    for page in KEEPER_PAGES:
        assert phone.get(page).status_code == 403, page
    assert phone.post("/devices/codes", {"role": "keeper"}).status_code == 403
    assert phone.api("DELETE", "/machines/Van 1").status_code == 403
    assert not site.store.machines.get("Van 1").retired


def test_what_changes_something_is_closed_to_readers_unless_it_says_otherwise() -> None:
    """A route that nobody thought about is safe."""
    said_open = {"/pair", "/leave", "/settings", "/verify"}
    said_open |= {"/api/pair", "/api/verify", "/api/preferences"}
    said_open.add("/jobs/{job}/beat")  # tells that a screen is still there
    checked = 0
    for path, methods, endpoint in all_routes():
        for method in methods - SAFE_METHODS:
            checked += 1
            if path not in said_open:
                assert right_needed(endpoint, method) in ("work", "keep", "seat"), path
    assert checked > 15


def test_a_reader_enters_nothing(site: Site, van: str) -> None:
    reader = site.paired("reader")
    assert reader.post(f"/machines/{van}/readings", {"value": "1"}).status_code == 403
    assert (
        reader.api("POST", "/jobs", json={"machine": van, "system": "gearbox"}).status_code == 403
    )
    assert site.store.readings.of(van) == []


def test_a_hand_enters_readings_under_its_name(site: Site, van: str) -> None:
    hand = site.paired("hand", "Ines, bay")
    answer = hand.post(f"/machines/{van}/readings", {"what": "odometer", "value": "190 000 km"})
    assert answer.status_code == 303
    (kept,) = site.store.readings.of(van)
    assert (kept.value, kept.by) == (1.9e8, "Ines, bay")


def test_a_seat_only_acknowledges(site: Site, van: str) -> None:
    job = site.store.jobs.start(
        van, "gearbox", method="drain-and-refill", target=0.9, confidence=0.9
    )
    signal = site.store.jobs.append(
        job.id, "signal", {"to": "seat", "instruction": "start engine"}
    ).event
    seat = site.paired("seat")
    path = f"/jobs/{job.id}/events"
    drained = {"events": [{"kind": "drained", "body": {"volume": 0.004}}]}
    assert seat.api("POST", path, json=drained).status_code == 403
    acknowledged = {"events": [{"kind": "acknowledged", "body": {"signal": signal.id}}]}
    assert seat.api("POST", path, json=acknowledged).status_code == 200
    assert site.store.jobs.state(job.id).pending == ()
    assert site.paired("reader").api("POST", path, json=acknowledged).status_code == 403


def test_a_device_that_was_sent_away_is_a_stranger_at_once(site: Site, keeper: Device) -> None:
    phone = site.paired("keeper")
    assert phone.get("/devices").status_code == 200
    (device,) = site.store.devices.all()
    assert keeper.post(f"/devices/{device.id}/revoke").status_code == 303
    assert phone.get("/devices", follow_redirects=False).status_code == 303


def test_leaving_ends_the_pairing(site: Site) -> None:
    phone = site.paired("hand", "Ines")
    assert "Paired as “Ines”" in phone.get("/settings").text
    assert "Leave the yard" in phone.get("/leave").text
    assert phone.post("/leave").status_code == 303
    assert phone.get("/", follow_redirects=False).status_code == 303
    assert site.store.devices.all() == []


def test_a_forged_or_foreign_cookie_is_none(site: Site, tmp_path: Path) -> None:
    phone = site.paired("hand")
    good = phone.client.cookies["sumpwright_session"]
    other = Site(tmp_path / "other.db")
    for cookie in (forged(good), good.split(".")[0] + ".a.b", "x", ""):
        stranger = site.device(PHONE, "192.0.2.1:8420")
        stranger.client.cookies.set("sumpwright_session", cookie)
        assert stranger.get("/", follow_redirects=False).status_code == 303
    stranger = other.device(PHONE, "192.0.2.1:8420")
    stranger.client.cookies.set("sumpwright_session", good)
    assert stranger.get("/", follow_redirects=False).status_code == 303


def test_cookies_are_out_of_reach_of_scripts_and_of_other_sites(keeper: Device) -> None:
    cookie = keeper.get("/").headers["set-cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=Strict" in cookie


FORMS = [
    ("/settings", {"units": "us"}),
    ("/devices/codes", {"role": "keeper"}),
    ("/machines/Van 1/retire", {}),
    ("/machines/Van 1/readings", {"value": "1"}),
]


@pytest.mark.parametrize(("path", "data"), FORMS)
def test_a_form_without_its_token_is_refused(
    site: Site, keeper: Device, path: str, data: dict[str, str]
) -> None:
    keeper.token()
    for token in ({}, {"csrf_token": "0" * 64}, {"csrf_token": site.device().token()}):
        answer = keeper.client.post(path, data=data | token, follow_redirects=False)
        assert answer.status_code == 403
    assert not site.store.machines.get("Van 1").retired


def test_a_page_of_another_site_changes_nothing(site: Site, keeper: Device) -> None:
    token = keeper.token()
    for origin in ("http://evil.example", "null", "http://127.0.0.1:9999"):
        answer = keeper.client.post(
            "/machines/Van 1/retire", data={"csrf_token": token}, headers={"origin": origin}
        )
        assert answer.status_code == 403
    for headers in (
        {"origin": "http://evil.example"},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
    ):
        bare = site.device()
        answer = bare.client.delete("/api/machines/Van 1", headers=headers)
        assert answer.status_code == 403, headers
        answer = bare.client.post(
            "/api/jobs",
            content='{"machine": "Van 1", "system": "gearbox"}',
            headers={"content-type": "text/plain", **headers},
        )
        assert answer.status_code == 403, headers
    assert not site.store.machines.get("Van 1").retired
    assert site.store.jobs.all() == []


def test_a_program_at_the_machine_needs_no_token(site: Site) -> None:
    answer = site.device().client.post("/api/jobs", json={"machine": "Generator 1"})
    assert answer.status_code == 201


def test_a_cookie_does_not_replace_the_token_for_programs(keeper: Device) -> None:
    keeper.get("/")
    assert keeper.client.delete("/api/machines/Van 1").status_code == 403


@pytest.mark.parametrize("host", ["evil.example", "evil.example:8420", "127.0.0.1.evil.example"])
def test_a_name_bound_to_this_server_by_somebody_else_is_refused(site: Site, host: str) -> None:
    answer = site.device(host=host).get("/")
    assert answer.status_code == 421
    assert "Van 1" not in answer.text


def test_alone_it_answers_to_this_machine_only(yard_db: Path) -> None:
    site = Site(yard_db, share=False)
    assert site.device(host="localhost:8420").get("/").status_code == 200
    assert site.device(host="[::1]:8420").get("/").status_code == 200
    assert site.device(host="192.0.2.1:8420").get("/").status_code == 421


def test_a_name_of_the_settings_is_answered_to(yard_db: Path) -> None:
    site = Site(yard_db, names=("yard.lan",))
    assert site.device(host="Yard.lan:8420").get("/").status_code == 200


@pytest.mark.parametrize(
    "path", ["/", "/nothing-here", "/static/style.css", "/api/machines", "/api/nope", "/pair"]
)
def test_every_answer_forbids_what_pages_here_never_need(keeper: Device, path: str) -> None:
    headers = keeper.get(path).headers
    policy = headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert "http" not in policy
    assert headers["x-content-type-options"] == "nosniff"
    assert "frame-ancestors 'none'" in policy


@pytest.mark.parametrize("page", PAGES + KEEPER_PAGES + OPEN + ["/nothing-here"])
def test_no_page_needs_what_the_policy_forbids(keeper: Device, page: str) -> None:
    text = keeper.get(page).text
    assert not re.search(r"<[^>]+\sstyle=", text)
    assert not re.search(r"<[^>]+\son[a-z]+=", text)
    assert "<style" not in text
    assert all("src=" in tag for tag in re.findall(r"<script[^>]*>", text))
    assert not re.search(r'<(?:script|link|img|iframe)[^>]+="(?:https?:)?//', text)


def test_a_failure_tells_nothing_of_the_inside(site: Site) -> None:
    def fail() -> None:
        raise RuntimeError("secret inside")

    site.app.add_api_route("/fail", fail)
    site.app.add_api_route("/api/fail", fail)
    page = site.device(raise_server_exceptions=False).get("/fail")
    assert page.status_code == 500
    assert "secret" not in page.text
    assert "Traceback" not in page.text
    assert "content-security-policy" in page.headers
    data = site.device(raise_server_exceptions=False).get("/api/fail")
    assert data.status_code == 500
    assert set(data.json()["error"]) == {"what", "do", "where", "field"}
    assert "secret" not in data.text


def test_trouble_with_the_database_is_told_as_such(site: Site, keeper: Device) -> None:
    with site.store.writing() as session:
        session.connection().exec_driver_sql("DROP TABLE readings")
    answer = keeper.get("/machines/Van 1")
    assert answer.status_code == 503
    assert "database" in answer.text
