"""The same yard for programs."""

from __future__ import annotations

import json
import shutil
import uuid
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from sumpwright.records.standing import job_standing
from webkit import Site


@pytest.fixture
def api(site: Site) -> TestClient:
    """A program on the machine that serves."""
    return site.device().client


def entry(kind: str, **body: Any) -> dict[str, Any]:
    return {"id": str(uuid.uuid4()), "kind": kind, "body": body, "at": "2026-03-01T09:30:00Z"}


@pytest.fixture
def job(api: TestClient) -> str:
    answer = api.post("/api/jobs", json={"machine": "Van 1", "system": "gearbox", "by": "Ines"})
    assert answer.status_code == 201
    return str(answer.json()["id"])


def test_a_job_from_start_to_record(site: Site, api: TestClient, job: str) -> None:
    sent = [
        entry("drained", volume=0.0041),
        entry("filled", volume=0.0041, fluid="Cable Green 7", lot="L12"),
    ]
    answer = api.post(f"/api/jobs/{job}/events", json={"events": sent}).json()
    assert [a["new"] for a in answer["added"]] == [True, True]
    assert answer["standing"] == job_standing(site.store.jobs.state(job)).to_json()
    assert answer["standing"]["balance"]["net_l"] == 0.0
    assert answer["length"] == 3
    events = api.get(f"/api/jobs/{job}/events?after=1").json()["events"]
    assert [e["kind"] for e in events] == ["drained", "filled"]
    assert api.post(f"/api/jobs/{job}/undo", json={}).json()["standing"]["cycles"] == 0
    assert api.post(f"/api/jobs/{job}/redo").json()["standing"]["cycles"] == 1
    assert api.get(f"/api/jobs/{job}/verify").json()["sound"]
    record = api.get(f"/api/jobs/{job}/record.json")
    assert api.post("/api/verify", content=record.content).json()["sound"]
    altered = record.content.replace(b"0.0041", b"0.0042", 1)
    assert altered != record.content
    verdict = api.post("/api/verify", content=altered).json()
    assert not verdict["sound"]
    assert verdict["jobs"][0]["problems"]
    assert api.get(f"/api/jobs/{job}/record.pdf").content.startswith(b"%PDF-")
    assert api.get("/api/jobs?open=true").json()[0]["id"] == job


def test_a_queue_sent_again_adds_nothing(site: Site, api: TestClient, job: str) -> None:
    sent = {"events": [entry("drained", volume=0.004), entry("noted", text="dark")]}
    first = api.post(f"/api/jobs/{job}/events", json=sent).json()
    again = api.post(f"/api/jobs/{job}/events", json=sent).json()
    assert [a["new"] for a in again["added"]] == [False, False]
    assert again["head"] == first["head"]
    assert len(site.store.jobs.events(job)) == 3


def test_a_queue_is_kept_up_to_the_entry_that_cannot_be(
    site: Site, api: TestClient, job: str
) -> None:
    good, bad, late = entry("drained", volume=0.004), entry("drained", volume=-1.0), entry("noted")
    answer = api.post(f"/api/jobs/{job}/events", json={"events": [good, bad, late]})
    assert answer.status_code == 422
    told = answer.json()
    assert told["error"]["where"] == "events[1]"
    assert told["error"]["field"] == "volume"
    assert [a["event"]["id"] for a in told["added"]] == [good["id"]]
    assert len(site.store.jobs.events(job)) == 2


def test_an_id_used_for_something_else_is_refused(api: TestClient, job: str) -> None:
    first = entry("drained", volume=0.004)
    assert api.post(f"/api/jobs/{job}/events", json={"events": [first]}).status_code == 200
    other = first | {"body": {"volume": 0.005}}
    answer = api.post(f"/api/jobs/{job}/events", json={"events": [other]})
    assert answer.status_code == 422
    assert answer.json()["error"]["field"] == "id"


def test_many_devices_at_once_lose_and_double_nothing(
    site: Site, api: TestClient, job: str
) -> None:
    def phone(number: int) -> list[str]:
        client = site.device().client
        sent = [entry("noted", text=f"{number}.{i}") for i in range(4)]
        for _ in range(2):
            answer = client.post(f"/api/jobs/{job}/events?standing=false", json={"events": sent})
            assert answer.status_code == 200
        return [e["id"] for e in sent]

    with ThreadPoolExecutor(12) as pool:
        ids = [id for made in pool.map(phone, range(12)) for id in made]
    kept = [e.id for e in site.store.jobs.events(job) if e.kind == "noted"]
    assert sorted(kept) == sorted(ids)
    assert api.get(f"/api/jobs/{job}/verify").json()["sound"]


def test_the_same_call_opens_one_job(site: Site, api: TestClient) -> None:
    call = {
        "machine": "Generator 1",
        "job": str(uuid.uuid4()),
        "event": str(uuid.uuid4()),
        "at": "2026-03-01T09:30:00Z",
    }
    answers = [api.post("/api/jobs", json=call) for _ in range(2)]
    assert [a.status_code for a in answers] == [201, 201]
    assert len(site.store.jobs.all()) == 1


def test_machines_come_and_go_by_their_sheets(site: Site, api: TestClient) -> None:
    toml = api.get("/api/machines/Van 1/sheet.toml").text
    known = api.get("/api/machines/Van 1").json()
    assert known["toml"] == toml
    assert api.post("/api/machines", json={"toml": toml}).status_code == 422
    new = toml.replace('"Van 1"', '"Van 7"')
    made = api.post("/api/machines", json={"toml": new})
    assert made.status_code == 201
    path = f"/api/machines/{made.json()['id']}"
    change = {"toml": new.replace("4.1 L", "4.2 L"), "version": 1}
    assert api.put(path, json=change).json()["version"] == 2
    assert api.put(path, json=change).status_code == 422
    assert [v["version"] for v in api.get(f"{path}/versions").json()] == [1, 2]
    assert "4.1 L" in api.get(f"{path}/sheet.toml?version=1").text
    assert api.delete(path).status_code == 204
    assert site.store.machines.get("Van 7").retired
    names = [m["name"] for m in api.get("/api/machines").json()]
    assert "Van 7" not in names
    bad = api.post("/api/machines", json={"toml": '[machine]\nname = "x"\n[[system]]\n'})
    assert bad.status_code == 422
    assert "system" in bad.json()["error"]["where"]


def test_readings_are_kept_in_si(api: TestClient) -> None:
    answer = api.post("/api/machines/Van 1/readings", json={"what": "odometer", "value": 1.9e8})
    assert answer.status_code == 201
    assert api.get("/api/machines/Van 1/readings").json()[0]["value"] == 1.9e8
    wrong = api.post("/api/machines/Van 1/readings", json={"what": "mood", "value": 1})
    assert wrong.status_code == 422
    assert wrong.json()["error"]["field"] == "what"


def test_everything_goes_from_one_yard_to_another(
    site: Site, api: TestClient, job: str, empty_db: Path, tmp_path: Path
) -> None:
    api.post(f"/api/jobs/{job}/events", json={"events": [entry("drained", volume=0.004)]})
    document = api.get("/api/export")
    assert document.headers["content-disposition"].startswith("attachment")
    shutil.copy(empty_db, tmp_path / "other.db")
    other = Site(tmp_path / "other.db")
    report = other.device().client.post("/api/import", content=document.content)
    assert report.json()["added"]["machines"] == 4
    assert other.store.jobs.get(job).head == site.store.jobs.get(job).head
    again = other.device().client.post("/api/import", content=document.content)
    assert not any(again.json()["added"].values())
    page = other.device().post(
        "/import", files={"file": ("yard.json", document.content, "application/json")}
    )
    assert "machines: 0 added, 4 known already" in page.text
    broken = json.loads(document.content)
    broken["jobs"][0]["events"][1]["body"]["volume"] = 0.1
    refused = other.device().client.post("/api/import", json=broken)
    assert refused.status_code == 422


@pytest.mark.parametrize("content", [b"", b"{", b"[]", b'{"format": "x"}', b"\xff", b"[" * 100_000])
@pytest.mark.parametrize("path", ["/api/import", "/api/verify"])
def test_what_is_no_document_is_refused(api: TestClient, path: str, content: bytes) -> None:
    answer = api.post(path, content=content)
    assert answer.status_code == 422
    assert "/tmp" not in answer.text


@pytest.mark.parametrize(
    ("method", "path", "sent"),
    [
        ("GET", "/api/machines/nope", None),
        ("GET", "/api/machines/Van 1?version=99", None),
        ("DELETE", "/api/machines/nope", None),
        ("GET", "/api/machines/nope/readings", None),
        ("GET", "/api/jobs/nope", None),
        ("GET", "/api/jobs/nope/events", None),
        ("POST", "/api/jobs/nope/events", {"events": [{"kind": "noted", "body": {"text": "x"}}]}),
        ("GET", "/api/jobs/nope/record.pdf", None),
        ("GET", "/api/attachments/nope", None),
        ("DELETE", "/api/devices/nope", None),
        ("GET", "/api/nothing", None),
    ],
)
def test_what_is_not_there_is_a_404(
    api: TestClient, method: str, path: str, sent: dict[str, Any] | None
) -> None:
    answer = api.request(method, path, json=sent)
    assert answer.status_code == 404
    assert set(answer.json()["error"]) == {"what", "do", "where", "field"}


def test_the_plan_is_the_one_of_the_shell(site: Site, api: TestClient) -> None:
    from sumpwright.planning.outcome import Wish
    from sumpwright.planning.plan import make_plan
    from sumpwright.planning.report import plan_json

    sheet = site.store.machines.get("Van 1").sheet
    wanted = plan_json(
        make_plan(sheet.machine.systems[0], sheet.offers, Wish(0.8), sheet.spare), sheet
    )
    got = api.get("/api/machines/Van 1/plan?system=gearbox&target=0.8").json()
    assert got == json.loads(json.dumps(wanted))
    for query in ("target=0", "target=nan", "cycles=0", "have=luck", "method=hope", "worth=inf"):
        refused = api.get(f"/api/machines/Van 1/plan?system=gearbox&{query}")
        assert refused.status_code == 422, query


def test_a_second_job_on_one_fluid_needs_a_reason(site: Site) -> None:
    device = site.device()
    machine = site.store.machines.all()[0]
    system = machine.sheet.machine.systems[0].name
    wanted = {"machine": machine.id, "system": system}
    first = device.api("POST", "/jobs", json=wanted)
    assert first.status_code == 201, first.text
    refused = device.api("POST", "/jobs", json=wanted)
    assert refused.status_code == 422
    assert first.json()["id"][-6:] in refused.json()["error"]["what"]
    assert refused.json()["error"]["field"] == "second"
    kept = device.api("POST", "/jobs", json={**wanted, "second": "the first is a rehearsal"})
    assert kept.status_code == 201
    (note,) = site.store.jobs.state(kept.json()["id"]).notes
    assert "the first is a rehearsal" in note.body["text"]
