"""Letting devices in."""

from __future__ import annotations

import re
from concurrent.futures import ThreadPoolExecutor

import pytest
import segno

from sumpwright.errors import Complaint
from sumpwright.records.devices import ROLES
from sumpwright.web.serving import welcome
from sumpwright.web.views.pairing import qr_svg
from webkit import PHONE, Device, Site

HOST = "192.0.2.1:8420"


def made_code(keeper: Device, role: str = "hand") -> str:
    answer = keeper.post("/devices/codes", {"role": role})
    found = re.search(r'class="bigcode">([A-Z2-9-]+)<', answer.text)
    assert found, answer.text
    return found[1]


@pytest.mark.parametrize("role", ROLES)
def test_a_code_lets_one_device_in_with_its_role(site: Site, keeper: Device, role: str) -> None:
    code = made_code(keeper, role)
    phone = site.device(PHONE, HOST)
    typed = code.lower().replace("-", " ")
    answer = phone.post("/pair", {"code": typed, "name": "Ines", "next": "/help"})
    assert (answer.status_code, answer.headers["location"]) == (303, "/help")
    assert phone.get("/api/me").json()["role"] == role
    second = site.device(PHONE, HOST).post("/pair", {"code": code, "name": "Jon", "next": "/"})
    assert second.status_code == 422
    assert len(site.store.devices.all()) == 1


def test_the_picture_of_a_code_opens_the_pairing_page_with_it(keeper: Device) -> None:
    answer = keeper.post("/devices/codes", {"role": "seat"})
    found = re.search(r'href="(http://[^"]+/pair\?code=([A-Z2-9-]+))"', answer.text)
    assert found
    assert qr_svg(found[1]) in answer.text
    page = keeper.get(f"/pair?code={found[2]}").text
    assert f'value="{found[2]}"' in page


def test_a_picture_holds_the_address() -> None:
    address = "http://192.0.2.7:8420/pair?code=ABCD-2345"
    drawn = qr_svg(address)
    wanted = segno.make(address, error="m", micro=False)
    assert drawn.count("<path") >= 1
    assert f'viewBox="0 0 {wanted.symbol_size(scale=6, border=3)[0]} ' in drawn


def test_codes_are_not_kept_and_soon_end(site: Site) -> None:
    code = site.store.devices.invite("hand", minutes=-1.0).code
    with pytest.raises(Complaint, match="does not hold"):
        site.store.devices.pair(code, "Ines")
    code = site.store.devices.invite("hand").code
    with site.store.reading() as session:
        rows = session.connection().exec_driver_sql("SELECT * FROM invitations").fetchall()
    assert code.replace("-", "") not in repr(rows)
    assert code not in repr(rows)


def test_a_withdrawn_code_is_worth_nothing(site: Site, keeper: Device) -> None:
    code = made_code(keeper)
    (invitation,) = site.store.devices.invitations()
    assert keeper.post(f"/devices/codes/{invitation.id}/withdraw").status_code == 303
    with pytest.raises(Complaint, match="does not hold"):
        site.store.devices.pair(code, "Ines")


def test_the_same_code_sent_by_many_at_once_lets_one_in(site: Site) -> None:
    code = site.store.devices.invite("hand").code

    def attempt(name: int) -> bool:
        try:
            site.store.devices.pair(code, f"phone {name}")
        except Complaint:
            return False
        return True

    with ThreadPoolExecutor(12) as pool:
        assert sum(pool.map(attempt, range(12))) == 1
    assert len(site.store.devices.all()) == 1


def test_guessing_is_slowed_down(site: Site) -> None:
    phone = site.device(PHONE, HOST)
    guess = {"code": "AAAA-AAAA", "name": "x", "next": "/"}
    codes = [phone.post("/pair", guess).status_code for _ in range(7)]
    assert codes == [422] * 5 + [429] * 2
    program = site.device(PHONE, HOST).client
    waited = program.post("/api/pair", json={"code": "AAAA-AAAA", "name": "x"})
    assert waited.status_code == 429
    token = phone.api("POST", "/pair", json={"code": "AAAA-AAAA", "name": "x"})
    assert token.status_code == 429
    assert 0 < int(token.headers["retry-after"]) <= 60
    good = site.store.devices.invite("hand").code
    assert phone.post("/pair", {**guess, "code": good}).status_code == 429
    other = site.device(("192.0.2.45", 1), HOST)
    assert other.post("/pair", {**guess, "code": good, "name": "Jon"}).status_code == 303


def test_guessing_from_many_addresses_is_slowed_down_too(site: Site) -> None:
    codes = []
    for i in range(33):
        phone = site.device((f"198.51.100.{i}", 1), HOST)
        codes.append(phone.post("/pair", {"code": "AAAA-AAAA", "name": "x"}).status_code)
    assert codes[:30] == [422] * 30
    assert codes[30:] == [429] * 3


@pytest.mark.parametrize("name", ["", " ", "x" * 81, "a\x00b"])
def test_a_device_needs_a_name_that_can_be_kept(site: Site, name: str) -> None:
    code = site.store.devices.invite("hand").code
    phone = site.device(PHONE, HOST)
    answer = phone.post("/pair", {"code": code, "name": name, "next": "/"})
    assert answer.status_code == 422
    assert f'value="{code}"' in answer.text
    assert phone.post("/pair", {"code": code, "name": "Ines", "next": "/"}).status_code == 303


@pytest.mark.parametrize(
    "address",
    ["https://evil.example/", "//evil.example", "/\\evil.example", "javascript:x", "/a\nb"],
)
def test_pairing_leads_nowhere_else(site: Site, address: str) -> None:
    code = site.store.devices.invite("hand").code
    phone = site.device(PHONE, HOST)
    answer = phone.post("/pair", {"code": code, "name": "Ines", "next": address})
    assert answer.headers["location"] == "/"


def test_a_wrong_code_is_told_by_what_is_so(site: Site) -> None:
    typed = {"code": "", "name": "Ines", "next": "/"}
    asked = site.device(PHONE, HOST).post("/pair", typed)
    assert "the pairing code is missing" in asked.text
    assert "This device is not paired yet" in asked.text
    again = site.paired("hand").post("/pair", {**typed, "code": "AAAA-AAAA"})
    assert "does not hold" in again.text
    assert "This device stays paired as it was" in again.text


def test_a_program_comes_in_by_token(site: Site) -> None:
    code = site.store.devices.invite("reader").code
    program = site.device(PHONE, HOST).client
    paired = site.device().client.post("/api/pair", json={"code": code, "name": "script"})
    assert paired.status_code == 201
    token = {"authorization": f"Bearer {paired.json()['token']}"}
    assert program.get("/api/machines").status_code == 401
    assert len(program.get("/api/machines", headers=token).json()) == 4
    assert program.delete("/api/machines/Van 1", headers=token).status_code == 403
    bad = {"authorization": f"Bearer {paired.json()['token'][:-3]}abc"}
    assert program.get("/api/machines", headers=bad).status_code == 401
    site.store.devices.revoke(paired.json()["id"])
    assert program.get("/api/machines", headers=token).status_code == 401


def test_a_program_on_another_device_pairs_by_itself(site: Site) -> None:
    code = site.store.devices.invite("reader").code
    paired = site.device(PHONE, HOST).client.post("/api/pair", json={"code": code, "name": "x"})
    assert paired.status_code == 201, paired.text
    token = {"authorization": f"Bearer {paired.json()['token']}"}
    assert site.device(PHONE, HOST).client.get("/api/machines", headers=token).status_code == 200


@pytest.mark.parametrize(
    "said",
    [
        {"origin": "https://evil.example"},
        {"origin": "null"},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-origin"},
    ],
)
def test_what_a_browser_sends_without_a_token_pairs_nothing(
    site: Site, said: dict[str, str]
) -> None:
    code = site.store.devices.invite("reader").code
    for device in (site.device(PHONE, HOST), site.device()):
        told = {"code": code, "name": "x"}
        assert device.client.post("/api/pair", json=told, headers=said).status_code == 403
    assert site.store.devices.all() == []


def test_a_program_that_holds_a_cookie_needs_a_token_as_well(site: Site) -> None:
    code = site.store.devices.invite("reader").code
    phone = site.device(PHONE, HOST)
    phone.get("/pair")
    told = {"code": code, "name": "x"}
    assert phone.client.post("/api/pair", json=told).status_code == 403


def test_without_pairing_a_program_on_the_network_changes_nothing(site: Site) -> None:
    stranger = site.device(PHONE, HOST).client
    assert stranger.post("/api/jobs", json={}).status_code == 401
    assert stranger.delete("/api/machines/Van 1").status_code == 401


def test_a_token_at_the_machine_itself_has_the_rights_of_the_token(site: Site) -> None:
    local = site.device().client
    bad = {"authorization": "Bearer nonsense"}
    assert local.get("/api/machines", headers=bad).status_code == 401


def test_the_welcome_shows_the_way_in(site: Site) -> None:
    lines = "\n".join(welcome(site.app))
    found = re.search(r"one hour: ([A-Z2-9-]{9})", lines)
    assert found
    assert site.store.devices.pair(found[1], "keeper's phone").role == "keeper"


def test_too_many_open_codes_are_refused(site: Site, keeper: Device) -> None:
    for _ in range(50):
        site.store.devices.invite("hand")
    answer = keeper.post("/devices/codes", {"role": "hand"})
    assert answer.status_code == 422
    assert "withdraw" in answer.text
