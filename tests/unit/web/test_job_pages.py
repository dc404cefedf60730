"""The plain pages of a job: each entry, each refusal, each right."""

from __future__ import annotations

import io
import re
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
import sqlalchemy as sa
from PIL import Image
from pypdf import PdfReader

from sumpwright.display import Display
from sumpwright.errors import Complaint
from sumpwright.paper.record_data import record_json
from sumpwright.records.standing import job_standing
from sumpwright.records.told import ToldMeter, make
from sumpwright.web.views.asks import FORMS, body_of
from sumpwright.web.views.show import Show
from webkit import Device, Site

METRIC, US = Show(Display("metric", "EUR")), Show(Display("us"), comma=True)


@pytest.fixture
def job(keeper: Device) -> str:
    answer = keeper.api(
        "POST",
        "/jobs",
        json={"machine": "Van 1", "system": "gearbox", "method": "line-discharge"},
    )
    assert answer.status_code == 201
    return str(answer.json()["id"])


@pytest.mark.parametrize(
    ("kind", "typed", "show", "body"),
    [
        ("drained", {"volume": "4,1"}, METRIC, {"volume": 0.0041}),
        ("drained", {"volume": "4,1 L", "leaned": "yes"}, US, {"volume": 0.0041, "leaned": True}),
        ("drained", {"volume": "4"}, US, {"volume": 4 * 946.352946e-6}),
        (
            "discharged",
            {"volume": "2", "seconds": "58,5"},
            METRIC,
            {"volume": 0.002, "seconds": 58.5},
        ),
        ("purged", {"share": "60"}, METRIC, {"share": 0.6}),
        ("worked", {"sweeps": "3"}, METRIC, {"sweeps": 3}),
        (
            "drove",
            {"distance": "14", "seconds": "25"},
            METRIC,
            {"distance": 14e3, "seconds": 1500.0},
        ),
        ("drove", {}, METRIC, {}),
        (
            "read",
            {"what": "temperature", "value": "41"},
            METRIC,
            {"what": "temperature", "value": 314.15, "unit": "K"},
        ),
        (
            "read",
            {"what": "hours", "value": "2 h"},
            METRIC,
            {"what": "hours", "value": 7200.0, "unit": "s"},
        ),
        (
            "tightened",
            {
                "plug": "drain",
                "torque": "27",
                "wrench_length": "450",
                "extension": "50",
                "calibrated": "2026-03-02",
            },
            METRIC,
            {
                "plug": "drain",
                "torque": 27.0,
                "wrench_length": 0.45,
                "extension": 0.05,
                "calibrated": "2026-03-02",
                "wrench_set": 24.3,
            },
        ),
        (
            "filled",
            {"volume": "1", "fluid": "Cable Green 7", "price": "11,40"},
            METRIC,
            {"volume": 0.001, "fluid": "Cable Green 7", "price": 11.4},
        ),
        ("noted", {"text": " cold "}, METRIC, {"text": "cold"}),
    ],
)
def test_what_is_typed_becomes_si(
    kind: str, typed: dict[str, str], show: Show, body: dict[str, Any]
) -> None:
    made = body_of(FORMS[kind], typed, show)
    assert made == {k: pytest.approx(v) if isinstance(v, float) else v for k, v in body.items()}


@pytest.mark.parametrize(
    ("kind", "typed", "field"),
    [
        ("drained", {}, "volume"),
        ("drained", {"volume": "much"}, "volume"),
        ("drained", {"volume": "4 kg"}, "volume"),
        ("worked", {"sweeps": "2.5"}, "sweeps"),
        ("worked", {"sweeps": "²"}, "sweeps"),
        ("discharged", {"volume": "2", "seconds": "a minute"}, "seconds"),
        ("read", {"what": "mood", "value": "3"}, "what"),
        ("read", {"what": "odometer"}, "value"),
        ("tightened", {"plug": "drain", "torque": "27", "extension": "50"}, "wrench_length"),
        ("tightened", {"plug": "drain", "torque": "27", "wrench_length": "450"}, "extension"),
        ("tightened", {"plug": "drain", "torque": "27", "calibrated": "soon"}, "calibrated"),
        ("filled", {"volume": "1"}, "fluid"),
    ],
)
def test_what_cannot_be_read_is_told_beside_its_field(
    keeper: Device, job: str, kind: str, typed: dict[str, str], field: str
) -> None:
    with pytest.raises(Complaint) as told:
        body_of(FORMS[kind], typed, METRIC)
    assert told.value.field == field
    sent = {"fluid": "", **typed} if kind == "filled" else typed
    answer = keeper.post(f"/jobs/{job}/enter/{kind}", sent)
    assert answer.status_code == 422
    assert f'id="e-{field}"' in answer.text
    for name, text in typed.items():
        assert name == "what" or text in answer.text


def test_an_entry_that_the_log_refuses_is_told_with_what_was_typed(
    keeper: Device, job: str
) -> None:
    typed = {"volume": "41", "reason": "the machine stood on the lift already"}
    answer = keeper.post(f"/jobs/{job}/enter/drained", typed)
    assert answer.status_code == 422
    assert "41.00 L cannot have been drained" in answer.text
    assert 'value="41"' in answer.text


def test_an_entry_that_is_refused_is_told_in_the_units_of_its_reader(
    keeper: Device, job: str
) -> None:
    keeper.post("/settings", {"units": "us", "comma": "yes", "name": ""})
    answer = keeper.post(f"/jobs/{job}/enter/drained", {"volume": "41,5", "reason": "on the lift"})
    assert answer.status_code == 422
    refused = "41,50 US qt cannot have been drained: no more than [0-9]+,[0-9]+ US qt can be in"
    assert re.search(refused, answer.text)
    sent = {"events": [{"kind": "filled", "body": {"volume": 0.05, "fluid": "Cable Green 7"}}]}
    told = keeper.api("POST", f"/jobs/{job}/events", json=sent).json()["error"]["what"]
    assert told.startswith("52,83 US qt cannot have gone in")
    none = {"events": [{"kind": "drained", "body": {"volume": -0.001}}]}
    told = keeper.api("POST", f"/jobs/{job}/events", json=none).json()["error"]["what"]
    assert told == "drained: a volume of -1,05669 US qt is not above zero"


def pass_over(site: Site, job: str, *steps: str) -> None:
    for step in steps:
        site.store.jobs.append(job, "did", {"step": step})


def test_a_held_step_is_not_kept_without_a_reason(site: Site, keeper: Device, job: str) -> None:
    page = f"/jobs/{job}/step"
    done = keeper.post(page, {"step": "drain.1", "act": "done", "volume": "4.1"})
    assert done.status_code == 422
    assert "not yet: put the machine safely in place first" in done.text
    assert 'name="reason"' in done.text
    assert (
        keeper.post(page, {"step": "drain.1", "act": "over", "condition": "place.1"}).status_code
        == 422
    )
    form = {"step": "drain.1", "act": "over", "reason": "on the lift"}
    conditions = ["place.1", "protection", "fill-plug.1", "catch.1"]
    went = keeper.post(page, {**form, "condition": conditions})
    assert went.headers["location"] == f"{page}?step=drain.1"
    state = site.store.jobs.state(job)
    assert state.overridden == dict.fromkeys(conditions, "on the lift")
    assert [e.kind for e in state.effective].count("overrode") == 1
    assert keeper.post(page, {"step": "drain.1", "act": "done", "volume": "4.1"}).status_code == 303
    assert site.store.jobs.state(job).done == ("drain.1",)


def test_no_reason_is_asked_for_where_none_would_count(
    site: Site, keeper: Device, job: str
) -> None:
    page = f"/jobs/{job}/step"
    leave_out = "Leave this step out"
    steps = keeper.api("GET", f"/jobs/{job}/steps").json()["steps"]
    before = [s["id"] for s in steps]
    pass_over(site, job, *before[: before.index("line-closed")])
    assert leave_out not in keeper.get(f"{page}?step=line-closed").text
    pass_over(site, job, "line-closed")
    assert leave_out in keeper.get(page).text


def test_more_than_is_safe_needs_a_reason_and_is_kept_with_it(
    site: Site, keeper: Device, job: str
) -> None:
    pass_over(site, job, "bump")
    page = f"/jobs/{job}/step"
    typed = {"step": "outlet", "act": "done", "volume": "3.5"}
    refused = keeper.post(page, typed)
    assert refused.status_code == 422
    assert "more than the largest safe discharge of 3.00 L" in refused.text
    assert keeper.post(page, {**typed, "reason": "the call came late"}).status_code == 303
    assert [(e.kind, e.body.get("step")) for e in site.store.jobs.events(job)[-2:]] == [
        ("overrode", "outlet/most"),
        ("discharged", "outlet"),
    ]
    # What the log itself refuses leaves no reason behind either.
    count = site.store.jobs.get(job).length
    fill = {"step": "outlet", "act": "done", "volume": "9", "reason": "it came"}
    assert keeper.post(page, fill).status_code == 422
    assert site.store.jobs.get(job).length == count


def test_an_entry_of_its_own_waits_for_what_its_step_waits_for(
    site: Site, keeper: Device, job: str
) -> None:
    page = f"/jobs/{job}/enter/drained"
    assert "Not yet: put the machine safely in place first." in keeper.get(page).text
    refused = keeper.post(page, {"volume": "4.1"})
    assert refused.status_code == 422
    assert "not yet: put the machine safely in place first" in refused.text
    assert site.store.jobs.get(job).length == 1
    assert keeper.post(page, {"volume": "4.1", "reason": "lift"}).status_code == 303
    drained = site.store.jobs.events(job)[-1]
    assert (drained.kind, drained.body) == ("drained", {"volume": 0.0041})
    assert site.store.jobs.state(job).overridden["fill-plug.1"] == "lift"


def test_an_entry_at_the_step_that_asks_for_it_completes_it(
    site: Site, keeper: Device, job: str
) -> None:
    steps = keeper.api("GET", f"/jobs/{job}/steps").json()["steps"]
    ids = [step["id"] for step in steps]
    pass_over(site, job, *ids[: ids.index("drain.1")])
    page = f"/jobs/{job}/enter/drained"
    assert "This is the step “Drain”" in keeper.get(page).text
    assert keeper.post(page, {"volume": "4.1"}).status_code == 303
    assert site.store.jobs.state(job).done[-1] == "drain.1"
    # One more of the same is one more; with the engine running there is none.
    assert keeper.post(page, {"volume": "0.1"}).status_code == 303
    assert site.store.jobs.state(job).balance.total_out == pytest.approx(0.0042)
    pass_over(site, job, "start.2")
    running = keeper.post(page, {"volume": "0.1", "reason": "in a hurry"})
    assert running.status_code == 422
    assert "stop the engine first" in running.text


def test_a_running_engine_lets_no_reason_pass(site: Site, keeper: Device, job: str) -> None:
    pass_over(site, job, "start.2")
    page = f"/jobs/{job}/step"
    shown = keeper.get(f"{page}?step=filter").text
    assert "stop the engine first" in shown
    assert "Go on without it" not in shown
    assert f'href="/jobs/{job}/step?step=stop.2"' in shown
    for act in ({"act": "done"}, {"act": "over", "reason": "x", "condition": "filter/engine"}):
        assert keeper.post(page, {"step": "filter", **act}).status_code == 422
    assert keeper.post(page, {"step": "stop.2", "act": "done"}).status_code == 303
    assert keeper.post(page, {"step": "filter", "act": "done"}).status_code == 303


def test_a_torque_far_from_the_sheet_needs_a_reason(site: Site, keeper: Device, job: str) -> None:
    page = f"/jobs/{job}/step"
    typed = {"step": "drain-plug.1", "act": "done", "plug": "drain", "torque": "270"}
    typed["new_seal"] = "yes"
    refused = keeper.post(page, typed)
    assert refused.status_code == 422
    assert "270 N·m is 10.0 times what is given, 27.0 N·m" in refused.text
    assert 'id="e-torque"' in refused.text
    assert keeper.post(page, {**typed, "reason": "misread wrench"}).status_code == 303
    state = site.store.jobs.state(job)
    assert state.done == ("drain-plug.1",)
    assert state.overridden == {"drain-plug.1/torque": "misread wrench"}


def test_a_closing_odometer_below_one_read_needs_a_second_look(
    site: Site, keeper: Device, job: str
) -> None:
    site.store.jobs.append(job, "read", {"what": "odometer", "value": 1.87e8, "unit": "m"})
    refused = keeper.post(f"/jobs/{job}/close", {"odometer": "18 700"})
    assert refused.status_code == 422
    assert "this is less than was read in this job, 187 000 km" in refused.text
    assert 'id="e-odometer"' in refused.text
    assert 'name="reason"' in refused.text
    assert site.store.jobs.get(job).open
    why = {"odometer": "18 700", "reason": "a new instrument"}
    assert keeper.post(f"/jobs/{job}/close", why).status_code == 303
    assert site.store.jobs.state(job).overridden == {"closed/less": "a new instrument"}


def test_an_odometer_below_the_sheet_or_the_yards_readings_needs_a_reason(
    site: Site, keeper: Device, job: str
) -> None:
    page = f"/jobs/{job}"
    typed = {"what": "odometer", "value": "187 399"}
    step = {"step": "odometer", "act": "done", **typed}
    for path, sent in (
        ("enter/read", typed),
        ("step", step),
        ("close", {"odometer": typed["value"]}),
    ):
        refused = keeper.post(f"{page}/{path}", sent)
        assert refused.status_code == 422
        assert "this is less than the odometer before, 187 400 km" in refused.text
    machine = site.store.jobs.get(job).machine
    site.store.readings.add(machine, "odometer", 1.88e8, datetime.now(UTC))
    assert keeper.get(f"{page}/bay.json").json()["meters"] == {"odometer": 1.88e8}
    refused = keeper.post(f"{page}/enter/read", {**typed, "value": "187 999"})
    assert "this is less than the odometer before, 188 000 km" in refused.text
    assert keeper.post(f"{page}/enter/read", {**typed, "value": "188 000"}).status_code == 303
    for languages, point in (("en", "188.001"), ("de", "188,001")):
        asked = keeper.post(
            f"{page}/close", {"odometer": "188.001"}, headers={"accept-language": languages}
        )
        assert asked.status_code == 422
        assert f"&#39;188.001&#39; can mean {point} or 188001" in asked.text
    assert keeper.post(f"{page}/close", {"odometer": "188 001"}).status_code == 303


def test_running_hours_are_told_at_the_close_beside_the_odometer(
    site: Site, keeper: Device, job: str
) -> None:
    machine = site.store.jobs.get(job).machine
    site.store.readings.add(machine, "hours", 2140 * 3600.0, datetime.now(UTC))
    sent = {"odometer": "187 500", "hours": "2139"}
    refused = keeper.post(f"/jobs/{job}/close", sent)
    assert refused.status_code == 422
    assert "this is less than the hours before, 2140.0 h" in refused.text
    assert 'id="e-hours"' in refused.text
    assert keeper.post(f"/jobs/{job}/close", {**sent, "hours": "2141,5"}).status_code == 303
    kept = [(r.what, r.value) for r in site.store.readings.of(machine) if r.job]
    assert sorted(kept) == [("hours", 2141.5 * 3600), ("odometer", 187_500e3)]
    assert "hours 2141.5 h" in keeper.get(f"/jobs/{job}").text
    standing = job_standing(site.store.jobs.state(job))
    told = record_json(standing, site.store.jobs.events(job))["machine"]
    assert (told["odometer_m"], told["hours_s"]) == (187_500e3, 2141.5 * 3600)


def test_a_replaced_meter_counts_from_what_the_new_one_showed(
    site: Site, keeper: Device, job: str
) -> None:
    machine = site.store.jobs.get(job).machine
    site.store.readings.add(machine, "odometer", 1.88e8, datetime.now(UTC) - timedelta(days=9))
    told = make(ToldMeter, {"what": "odometer", "old": 1.88e8, "new": 2e4})
    site.store.told.add(machine, told, datetime.now(UTC) - timedelta(days=2))
    page = f"/jobs/{job}/enter/read"
    assert keeper.post(page, {"what": "odometer", "value": "19"}).status_code == 422
    assert keeper.post(page, {"what": "odometer", "value": "21"}).status_code == 303


def test_an_altered_log_is_told_on_its_record(site: Site, keeper: Device, job: str) -> None:
    site.store.jobs.append(job, "drained", {"volume": 0.0041})
    page, paper = f"/jobs/{job}/record", f"/jobs/{job}/record.pdf"
    assert "NOT SOUND" not in keeper.get(page).text
    with site.store.writing() as session:
        session.execute(sa.text("DROP TRIGGER events_no_update"))
        session.execute(sa.text("UPDATE events SET by = 'Otto' WHERE seq = 2"))
    shown = keeper.get(page).text
    assert "NOT SOUND" in shown
    assert "was altered after it was written" in shown
    for address in (paper, f"/api{paper}"):
        pages = PdfReader(io.BytesIO(keeper.get(address).content)).pages
        assert all("NOT SOUND" in " ".join(page.extract_text().split()) for page in pages)
    verified = keeper.get(f"/api/jobs/{job}/verify").json()
    assert not verified["sound"]


def test_a_plug_left_untightened_is_named_at_the_close_and_in_the_record(
    site: Site, keeper: Device, job: str
) -> None:
    words = "no tightening of the drain plug was entered; the sheet gives 27.0 N·m"
    assert words not in keeper.get(f"/jobs/{job}/close").text
    site.store.jobs.append(job, "drained", {"volume": 0.0041})
    shown = keeper.get(f"/jobs/{job}/close").text
    assert words in shown.replace("No tight", "no tight")
    record = "No tightening of a plug that was opened: drain; the sheet gives 27.0 N·m"
    assert record in keeper.get(f"/jobs/{job}/record").text
    tight = {"plug": "drain", "torque": 27.0, "new_seal": True}
    site.store.jobs.append(job, "tightened", tight)
    assert "tightening" not in keeper.get(f"/jobs/{job}/close").text
    assert record not in keeper.get(f"/jobs/{job}/record").text


def test_a_seal_used_again_needs_a_reason(site: Site, keeper: Device, job: str) -> None:
    page = f"/jobs/{job}/step"
    typed = {"step": "drain-plug.1", "act": "done", "plug": "drain", "torque": "27"}
    refused = keeper.post(page, typed)
    assert refused.status_code == 422
    assert "the drain plug has a seal (crush washer), and no new one is entered" in refused.text
    assert site.store.jobs.state(job).done == ()
    assert keeper.post(page, {**typed, "reason": "none left"}).status_code == 303
    assert site.store.jobs.state(job).overridden == {"drain-plug.1/seal": "none left"}


def test_decisions_skips_and_steps_left_out(site: Site, keeper: Device, job: str) -> None:
    page = f"/jobs/{job}/step"
    went = keeper.post(page, {"step": "sample.new", "act": "skip"})
    assert went.headers["location"] == f"{page}?skip=sample.new"
    assert "Vial of new fluid" not in keeper.get(f"{page}?skip=manual+sample.new").text
    assert (
        keeper.post(page, {"step": "decide.1", "act": "decide", "cycles": "many"}).status_code
        == 422
    )
    assert (
        keeper.post(page, {"step": "decide.1", "act": "decide", "cycles": "99"}).status_code == 422
    )
    assert (
        keeper.post(page, {"step": "decide.1", "act": "decide", "cycles": "2"}).status_code == 303
    )
    keeper.post(page, {"step": "manual", "act": "over", "reason": "known by heart"})
    state = site.store.jobs.state(job)
    assert state.done == ("decide.1",)
    assert state.overridden == {"manual": "known by heart"}
    assert keeper.get(f"{page}?step=decide.3").status_code == 404
    assert keeper.post(page, {"step": "nonsense", "act": "done"}).status_code == 404
    assert keeper.get(f"{page}?step=nonsense").status_code == 404


def test_undo_takes_back_the_last_act_and_redo_brings_it_back(
    site: Site, keeper: Device, job: str
) -> None:
    assert keeper.post(f"/jobs/{job}/undo").status_code == 422
    site.store.jobs.append(job, "drained", {"volume": 0.0041})
    site.store.jobs.append(job, "signal", {"to": "seat", "instruction": "start"})
    assert "Bring back" not in keeper.get(f"/jobs/{job}").text
    assert keeper.post(f"/jobs/{job}/undo").headers["location"] == f"/jobs/{job}"
    assert "Bring back: drained 4.10 L" in keeper.get(f"/jobs/{job}").text
    state = site.store.jobs.state(job)
    assert state.balance.total_out == 0
    assert len(state.pending) == 1
    assert (
        keeper.post(f"/jobs/{job}/redo", {"to": "step"}).headers["location"] == f"/jobs/{job}/step"
    )
    assert site.store.jobs.state(job).balance.total_out == pytest.approx(0.0041)
    assert keeper.post(f"/jobs/{job}/redo").status_code == 422
    assert keeper.post(f"/jobs/{job}/undo", {"event": "nonsense"}).status_code == 422


def test_a_photograph_sent_twice_is_one_entry(site: Site, keeper: Device, job: str) -> None:
    picture = io.BytesIO()
    Image.new("RGBA", (40, 30), (0, 90, 0, 128)).save(picture, "PNG")
    sent = {
        "id": "01890a5d-ac96-774b-bcce-b302099a8057",
        "at": "2025-03-01T09:30:00.000Z",
        "by": "Ines",
        "caption": "plug",
        "step": "drain.1",
    }
    for _ in range(2):
        answer = keeper.post(
            f"/jobs/{job}/photographs",
            sent,
            files={"photograph": ("a.png", picture.getvalue(), "image/png")},
            headers={"accept": "application/json"},
        )
        assert answer.status_code == 200, answer.text
    (photograph,) = site.store.jobs.state(job).photographs
    assert (photograph.caption, photograph.by) == ("plug", "Ines")
    assert site.store.jobs.state(job).done == ()
    refused = keeper.post(
        f"/jobs/{job}/photographs",
        files={"photograph": ("a.png", b"no", "image/png")},
        headers={"accept": "application/json"},
    )
    assert refused.status_code == 422
    assert refused.json()["error"]["field"] == "photograph"


def test_roles_reach_as_far_as_they_should(site: Site, job: str) -> None:
    call = site.store.jobs.append(
        job, "signal", {"to": "seat", "instruction": "Ready", "step": "helper", "completes": True}
    ).event
    hand, seat, reader = (site.paired(role) for role in ("hand", "seat", "reader"))
    pages = ("", "/step", "/bay", "/seat", "/record", "/calls", "/bay.json", "/seat.json")
    for phone in (hand, seat, reader):
        for page in pages:
            assert phone.get(f"/jobs/{job}{page}").status_code == 200, page
    forms = (
        ("/enter/noted", {"text": "x"}),
        ("/step", {"step": "manual", "act": "done"}),
        ("/undo", {}),
        ("/close", {}),
        ("/photographs", {}),
        ("/adopt", {"set": "x"}),
    )
    for phone in (seat, reader):
        for path, data in forms:
            assert phone.post(f"/jobs/{job}{path}", data).status_code == 403, path
    assert reader.post(f"/jobs/{job}/calls/{call.id}").status_code == 403
    assert seat.post(f"/jobs/{job}/calls/{call.id}").status_code == 303
    assert seat.post(f"/jobs/{job}/calls/{call.id}").status_code == 303
    state = site.store.jobs.state(job)
    assert state.done == ("helper",)
    assert state.pending == ()
    assert hand.post(f"/jobs/{job}/enter/noted", {"text": "x"}).status_code == 303
    assert hand.post("/step-sets/x/forget").status_code == 403
    for phone in (seat, reader):
        page = phone.get(f"/jobs/{job}/close").text
        assert "this device may not" in page
        assert 'name="odometer"' not in page
    assert "Keep the photograph" not in reader.get(f"/jobs/{job}").text


def test_closing_plans_looks_keeps_steps_and_can_be_undone(
    site: Site, keeper: Device, job: str
) -> None:
    site.store.jobs.append(job, "drained", {"volume": 0.0041})
    page = keeper.get(f"/jobs/{job}/close").text
    assert "There is 4.10 L less than at the start" in page
    site.store.jobs.append(job, "noted", {"text": "behind the wheel", "step": "fill-plug.1"})
    typed = {"odometer": "187426", "first_drive": "yes", "distance": "200", "keep": "yes"}
    refused = keeper.post(f"/jobs/{job}/close", {**typed, "name": " "})
    assert refused.status_code == 422
    assert site.store.jobs.get(job).open
    assert site.store.step_sets.all() == []
    closed = keeper.post(f"/jobs/{job}/close", {**typed, "name": "Vans"})
    assert closed.headers["location"] == f"/jobs/{job}/record"
    (kept,) = site.store.step_sets.all()
    assert dict(kept.kept.remarks) == {"fill-plug": "behind the wheel"}
    yard = keeper.get("/").text
    assert "after the first drive" in yard
    assert "after 200 km, at 187 626 km" in yard
    first, _ = site.store.looks.open()
    went = keeper.post(f"/looks/{first.id}/done", {"note": "dry", "job": "//elsewhere.example"})
    assert went.headers["location"] == "/"
    assert "after the first drive" not in keeper.get("/").text
    closing = site.store.jobs.events(job)[-1]
    assert keeper.post(f"/jobs/{job}/undo", {"event": closing.id}).status_code == 303
    assert site.store.jobs.get(job).open


@pytest.mark.parametrize(
    "path", ["", "/bay", "/bay.json", "/live", "/record", "/figure.svg", "/close"]
)
def test_a_job_that_is_not_there(keeper: Device, path: str) -> None:
    assert keeper.get(f"/jobs/01890a5d-ac96-774b-bcce-b302099a8057{path}").status_code == 404


def test_programs_see_steps_looks_and_kept_steps(site: Site, keeper: Device, job: str) -> None:
    site.store.jobs.append(job, "did", {"step": "manual"})
    site.store.jobs.append(job, "noted", {"text": "behind the wheel", "step": "fill-plug.1"})
    told = keeper.api("GET", f"/jobs/{job}/steps").json()
    by_id = {step["id"]: step for step in told["steps"]}
    assert told["next"] == "place.1"
    assert by_id["manual"]["passed"]
    assert "put the machine safely in place first" in by_id["drain.1"]["held_by"]
    assert by_id["drain.1"]["caution"].startswith("Hot fluid")

    made = keeper.api("POST", f"/jobs/{job}/step-sets", json={"name": "Vans"})
    assert made.status_code == 201
    assert made.json()["remarks"] == {"fill-plug": "behind the wheel"}
    (kept,) = keeper.api("GET", "/step-sets?kind=automatic&method=line-discharge").json()
    assert keeper.api("GET", "/step-sets?kind=axle").json() == []
    assert keeper.api("DELETE", f"/step-sets/{kept['id']}").status_code == 204
    assert keeper.api("DELETE", f"/step-sets/{kept['id']}").status_code == 404

    planned = keeper.api("PUT", f"/jobs/{job}/looks", json={"distances": [None, 2e5]}).json()
    assert [look["distance"] for look in planned] == [None, 2e5]
    done = keeper.api("POST", f"/looks/{planned[0]['id']}/done", json={"note": "dry"})
    assert done.status_code == 204
    assert [look["id"] for look in keeper.api("GET", "/looks").json()] == [planned[1]["id"]]
    assert keeper.api("POST", "/looks/none/done", json={}).status_code == 404
    assert keeper.api("PUT", f"/jobs/{job}/looks", json={"distances": [-1]}).status_code == 422
