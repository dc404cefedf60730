"""What is told of a machine on its pages: logged temperatures, services, drives and its use."""

from __future__ import annotations

import re
from datetime import UTC, datetime

import pytest

from sumpwright.records.told import ToldDrive, ToldService, ToldTemperatures, ToldUse, make
from webkit import Device, Site

AT = datetime(2026, 3, 1, 12, tzinfo=UTC)


@pytest.fixture
def worker(site: Site) -> Device:
    return site.paired("hand")


@pytest.fixture
def viewer(site: Site) -> Device:
    return site.paired("reader")


def ident(site: Site, name: str) -> str:
    return site.store.machines.get(name).id


def test_a_machine_shows_how_long_its_fluid_was_how_warm(site: Site, keeper: Device) -> None:
    van = ident(site, "Van 1")
    assert "Logged temperatures" not in keeper.get(f"/machines/{van}").text
    for hours, low in ((1.0, 363.0), (0.5, 373.0)):
        log = {"system": "gearbox", "edges": [low, low + 1], "durations": [3600 * hours]}
        site.store.told.add(van, make(ToldTemperatures, log), AT)
    text = keeper.get(f"/machines/{van}").text
    assert "of the gearbox</span>, 1 h 30 min</span></summary>" in text
    assert '<th scope="row">90 °C to 100 °C</th><td>1 h<' in text
    assert '<th scope="row">100 °C to 110 °C</th><td>30 min<' in text
    assert text.count("Logged temperatures of the fluid") == 1


def shown(text: str, name: str) -> str:
    """What the field of a form holds."""
    (value,) = re.findall(rf'name="{name}" type="\w+" value="([^"]*)"', text)
    return str(value)


def complaint(text: str, name: str) -> str:
    """What stands beside a field of a form."""
    (wrong,) = re.findall(rf'id="e-{name}">(.*?)</p>', text, re.DOTALL)
    return re.sub(r"<[^>]+>", " ", wrong)


def test_a_service_is_told_in_a_form_and_shown_in_the_history(site: Site, worker: Device) -> None:
    van = ident(site, "Van 1")
    page = f"/machines/{van}/tell/service"
    assert f'href="{page}"' in worker.get(f"/machines/{van}").text
    form = {
        "system": "gearbox",
        "done": "changed",
        "volume": "4,1",
        "times": "",
        "odometer": "100 000",
        "day": "2025-06-01",
        "price": "38.50",
        "note": "by a garage",
    }
    assert worker.post(page, form).headers["location"] == f"/machines/{van}#s1"
    (entry,) = site.store.told.of(van, ToldService)
    told = entry.told
    assert (told.volume, told.odometer, told.price) == (0.0041, 1e8, 38.5)
    assert (entry.at.date().isoformat(), entry.note) == ("2025-06-01", "by a garage")
    text = worker.get(f"/machines/{van}").text
    assert "Changed: gearbox, 4.10 L" in text
    assert "What the service of 2025-06-01 really did" in text
    again = worker.post(page, form)
    assert again.status_code == 422
    assert "this service is told already" in again.text
    assert len(site.store.told.of(van, ToldService)) == 1
    worker.post(f"/told/{entry.id}/withdraw")
    assert site.store.told.of(van, ToldService) == []


WRONG = (
    ({"volume": ""}, "volume", "is missing"),
    ({"volume": "four"}, "volume", "four"),
    ({"volume": "-2"}, "volume", "is not above zero"),
    ({"volume": "90"}, "", "in one go is more than"),
    ({"share": "140"}, "share", "more than all of it"),
    ({"done": "filled", "share": "50"}, "share", "only a change has one"),
    ({"done": "inspected"}, "volume", "an inspection moves no fluid"),
    ({"day": "2099-01-01"}, "day", "lies ahead"),
    ({"day": "1850-01-01"}, "day", "before any machine"),
    ({"price": "much"}, "price", "is not a number"),
    ({"times": "0"}, "times", "is not from 1 to 20"),
)


def test_a_service_that_cannot_be_is_said_beside_its_field_and_stays_as_typed(
    site: Site, worker: Device
) -> None:
    van = ident(site, "Van 1")
    for wrong, field, words in WRONG:
        form = {"system": "gearbox", "done": "changed", "volume": "4.1", "lot": "L <7>", **wrong}
        answer = worker.post(f"/machines/{van}/tell/service", form)
        assert answer.status_code == 422, wrong
        assert words in (complaint(answer.text, field) if field else answer.text)
        for name in ("volume", "share", "day", "price", "times"):
            assert shown(answer.text, name) == form.get(name, "")
        assert shown(answer.text, "lot") == "L &lt;7&gt;"
        assert f'value="{form["done"]}" checked' in answer.text
    assert site.store.told.of(van, ToldService) == []


def test_a_reading_that_falls_with_a_service_asks_first(site: Site, worker: Device) -> None:
    van = ident(site, "Van 1")
    readings = [("odometer", 1.5e8, datetime(2025, m, 1, tzinfo=UTC)) for m in (1, 3, 5)]
    site.store.readings.add_many(van, readings)
    form = {"system": "gearbox", "done": "changed", "volume": "4.1", "day": "2025-06-01"}
    page = f"/machines/{van}/tell/service"
    doubted = worker.post(page, {**form, "odometer": "15000"})
    assert doubted.status_code == 422
    assert "tick that it was read twice" in doubted.text
    assert worker.post(page, {**form, "odometer": "15000", "sure": "yes"}).status_code == 303


def test_a_drive_is_told_in_a_form_and_an_impossible_one_is_not_kept(
    site: Site, worker: Device
) -> None:
    van = ident(site, "Van 1")
    page = f"/machines/{van}/tell/drive"
    form = {"distance": "12", "duration": "25", "idle": "5 min", "load": "80", "outside": "-5",
            "climb": "300", "trailer": "yes", "day": "2026-03-01"}  # fmt: skip
    assert worker.post(page, form).status_code == 303
    (entry,) = site.store.told.of(van, ToldDrive)
    told = entry.told
    assert (told.distance, told.duration, told.idle) == (12e3, 1500.0, 300.0)
    assert (told.load, told.climb, told.trailer, told.dust) == (0.8, 300.0, True, False)
    assert told.outside == pytest.approx(268.15)
    assert "Drive: 12 km, 25 min, trailer" in worker.get(f"/machines/{van}?all=yes").text
    for wrong, field, words in (
        ({"distance": "200", "duration": "10"}, "distance", "km/h"),
        ({"distance": "", "duration": ""}, "distance", "is missing"),
        ({"load": "2500"}, "load", "of what is permitted"),
        ({"outside": "200"}, "outside", "no air is at"),
        ({"climb": "high"}, "climb", "high"),
    ):
        answer = worker.post(page, form | wrong)
        assert answer.status_code == 422
        assert words in complaint(answer.text, field)
        for name in ("distance", "duration", "load", "outside", "climb"):
            assert shown(answer.text, name) == (form | wrong)[name]
    assert len(site.store.told.of(van, ToldDrive)) == 1


def test_the_use_is_said_in_a_form_that_shows_what_was_said_last(
    site: Site, worker: Device
) -> None:
    van = ident(site, "Van 1")
    page = f"/machines/{van}/tell/use"
    form = {"service": "severe", "distance": "9000 to 12000", "hours": "200"}
    assert worker.post(page, form).status_code == 303
    (entry,) = site.store.told.of(van, ToldUse)
    assert entry.told.service == "severe"
    assert entry.told.distance == (9e6, 12e6)
    assert entry.told.hours == (150 * 3600.0, 250 * 3600.0)
    text = worker.get(page).text
    assert shown(text, "distance") == "9000 to 12000"
    assert 'value="severe" checked' in text
    wrong = worker.post(page, form | {"distance": "12000 to 9000"})
    assert wrong.status_code == 422
    assert "the wrong way round" in complaint(wrong.text, "distance")
    assert shown(wrong.text, "distance") == "12000 to 9000"


def test_someone_who_only_looks_tells_nothing(site: Site, viewer: Device) -> None:
    van = ident(site, "Van 1")
    for what in ("service", "drive", "use"):
        assert f"/tell/{what}" not in viewer.get(f"/machines/{van}").text
        assert viewer.get(f"/machines/{van}/tell/{what}").status_code == 403
        assert viewer.post(f"/machines/{van}/tell/{what}", {"distance": "5"}).status_code == 403
