"""News of a job, who is there, and what the screens are given."""

from __future__ import annotations

import json
from collections.abc import AsyncIterator
from typing import Any

import pytest

from loops import run
from sumpwright.display import Display
from sumpwright.records.store import Store
from sumpwright.web.pages import STATIC
from sumpwright.web.views.live import news
from sumpwright.web.views.offline import kept_files, worker_script
from sumpwright.web.views.show import Show
from webkit import Device, Site


@pytest.fixture
def job(keeper: Device) -> str:
    answer = keeper.api(
        "POST",
        "/jobs",
        json={"machine": "Van 1", "system": "gearbox", "method": "line-discharge"},
    )
    assert answer.status_code == 201
    return str(answer.json()["id"])


def stream(site: Site, job: str, after: int, **more: Any) -> AsyncIterator[dict[str, Any]]:
    return news(site.app.state.web, job, after, Show(Display()), **{"standings": False, **more})


async def until(messages: AsyncIterator[dict[str, Any]], kind: str) -> dict[str, Any]:
    async for message in messages:
        if message["event"] == kind:
            return {**message, "data": json.loads(message["data"])}
    raise AssertionError(f"the stream ended before {kind}")


def test_a_stream_goes_on_where_a_screen_left_off(site: Site, job: str) -> None:
    for n in range(5):
        site.store.jobs.append(job, "noted", {"text": f"remark {n}"})

    async def listen(after: int) -> list[int]:
        messages = stream(site, job, after)
        heard = []
        async for message in messages:
            if message["event"] != "entry":
                break
            heard.append(int(message["id"]))
        await messages.aclose()  # type: ignore[attr-defined]
        return heard

    assert run(listen(0)) == [1, 2, 3, 4, 5, 6]
    assert run(listen(4)) == [5, 6]
    assert run(listen(6)) == []
    assert site.app.state.web.bus.listeners(job) == 0


def test_an_entry_of_this_server_and_of_another_process_are_both_heard(
    site: Site, job: str
) -> None:
    async def listen() -> list[str]:
        messages = stream(site, job, 1)
        await until(messages, "beat")
        site.store.jobs.append(job, "noted", {"text": "from here"})
        site.app.state.web.bus.publish(job)
        first = await until(messages, "entry")
        with Store.open(site.settings.db) as other:
            other.jobs.append(job, "noted", {"text": "from another process"})
        second = await until(messages, "entry")
        return [first["data"]["text"], second["data"]["text"]]

    assert run(listen()) == ["note: from here", "note: from another process"]


def test_the_estimate_follows_the_entries(site: Site, job: str) -> None:
    site.store.jobs.append(job, "drained", {"volume": 0.0041})
    site.store.jobs.append(job, "filled", {"volume": 0.0041, "fluid": "Cable Green 7"})

    async def listen() -> dict[str, Any]:
        return await until(stream(site, job, 0, standings=True), "standing")

    told = run(listen())["data"]
    assert told["length"] == 3
    assert told["cycles"] == 1
    assert 0.40 < told["fresh"]["p50"] < 0.50
    assert told["fresh_text"].endswith(" %")
    assert told["go_on"] is True


def test_a_device_that_was_sent_away_hears_no_more(
    site: Site, job: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sumpwright.web.views.live.CHECK_SECONDS", 0.0)
    site.paired("hand")
    (device,) = site.store.devices.all()

    async def listen() -> None:
        messages = stream(site, job, 1, device=device.id)
        await until(messages, "beat")
        site.store.devices.revoke(device.id)
        await until(messages, "gone")

    run(listen())


def beat(device: Device, job: str, screen: str, **more: Any) -> Any:
    answer = device.client.post(
        f"/jobs/{job}/beat",
        json={"screen": screen, "device": f"{id(device)}", **more},
        headers={"x-csrf-token": device.token()},
    )
    assert answer.status_code == 200, answer.text
    return answer.json()


def test_only_who_can_act_counts_as_being_there(site: Site, job: str) -> None:
    hand, seat, reader = (site.paired(role) for role in ("hand", "seat", "reader"))
    assert not beat(reader, job, "bay")["bay"]["there"]
    assert not beat(reader, job, "seat")["seat"]["there"]
    assert not beat(seat, job, "bay")["bay"]["there"]
    assert not beat(hand, job, "none")["bay"]["there"]
    assert beat(hand, job, "bay")["bay"]["there"]
    there = beat(seat, job, "seat", says="stopped")
    assert (there["bay"]["there"], there["seat"]["says"]) == (True, "stopped")
    assert not beat(seat, job, "seat", leaves=True)["seat"]["there"]


@pytest.mark.parametrize(
    "body", [{}, {"screen": "cab", "device": "x"}, {"screen": "bay", "device": "x" * 99}, []]
)
def test_a_beat_that_is_none_is_refused(keeper: Device, job: str, body: Any) -> None:
    answer = keeper.client.post(
        f"/jobs/{job}/beat", json=body, headers={"x-csrf-token": keeper.token()}
    )
    assert answer.status_code == 422


def test_the_screens_are_given_the_steps_for_every_number_of_cycles(
    keeper: Device, job: str
) -> None:
    given = keeper.get(f"/jobs/{job}/bay.json").json()
    assert len(given["orders"]) == given["planned"] + 6
    steps = given["steps"]
    for count, order in given["orders"].items():
        titles = [steps[place]["id"] for place in order]
        assert len(set(titles)) == len(titles)
        assert f"decide.{count}" in titles
        assert f"decide.{int(count) + 1}" not in titles
    assert given["events"][0]["body"] == {}
    assert given["safe"] >= given["mark"] > 0
    seat = keeper.get(f"/jobs/{job}/seat.json").json()
    assert seat["turns"]["bump"] == "pulse"
    assert seat["turns"]["start.2"] == "on"
    assert seat["turns"]["stop.2"] == "off"


def test_a_job_of_a_method_that_no_longer_fits_still_opens(site: Site, keeper: Device) -> None:
    machine = site.store.machines.get("Van 1")
    kept = site.store.jobs.start(
        machine.id, "engine", method="pumped-exchange", target=0.9, confidence=0.9
    )
    given = keeper.get(f"/jobs/{kept.id}/bay.json").json()
    assert given["trouble"]
    assert given["orders"] == {}
    for path in ("", "/step", "/close", "/record", "/bay", "/seat"):
        assert keeper.get(f"/jobs/{kept.id}{path}").status_code == 200, path


def test_the_service_worker_keeps_what_the_screens_load(keeper: Device) -> None:
    script = keeper.get("/sw.js")
    assert script.headers["service-worker-allowed"] == "/"
    assert script.text == worker_script(STATIC)
    names = kept_files(STATIC)
    assert {
        "job.css",
        "bay.css",
        "seat.css",
        "style.css",
        "job/bay.js",
        "job/seat.js",
        "job/fold.js",
    } <= set(names)
    for name in names:
        assert keeper.get(f"/static/{name}").status_code == 200, name
