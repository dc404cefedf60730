"""A plan that moves with what is wished."""

from __future__ import annotations

import io
import re
from dataclasses import replace

import pytest
from pypdf import PdfReader

from sumpwright.planning.outcome import Wish
from sumpwright.planning.plan import make_plan
from sumpwright.planning.report import plan_json
from webkit import Device, Site

PART = {"HX-Request": "true"}


def path_of(machine: str, system: int = 1) -> str:
    return f"/machines/{machine}/systems/{system}/plan"


def test_the_page_says_what_the_plan_says(site: Site, keeper: Device, van: str) -> None:
    sheet = site.store.machines.get(van).sheet
    plan = plan_json(make_plan(sheet.machine.systems[0], sheet.offers, Wish(), sheet.spare), sheet)
    text = keeper.get(path_of(van)).text
    best = plan["recommended"]
    assert f"{best['title']}: {best['cycles']} cycles." in text
    assert best["reason"] in text
    assert f"Total {plan['basket']['total']:.2f} EUR" in text
    assert text.count("<tr") > 20
    assert plan["largest_safe_discharge_l"] == pytest.approx(3.0)
    assert "Never discharge more than 3.00 L at once" in text


def test_a_vessel_that_is_too_small_is_said_before_the_oil_runs(
    site: Site, keeper: Device, van: str
) -> None:
    sheet = site.store.machines.get(van).sheet
    assert "is too small" not in keeper.get(path_of(van)).text
    site.store.machines.save(replace(sheet, catch_vessel=1e-3))
    keeper.post("/settings", {"units": "us", "comma": "", "name": ""})
    text = keeper.get(path_of(van)).text
    assert '<p class="caution">The catch vessel of 1.06 US qt is too small: ' in text


def test_a_lower_target_costs_less_and_a_dearer_bottle_more(keeper: Device, van: str) -> None:
    def total(query: str) -> float:
        found = re.search(
            r"Total ([\d.]+) EUR", keeper.get(f"{path_of(van)}?{query}", headers=PART).text
        )
        assert found
        return float(found[1])

    usual = total("")
    assert total("target=70") < usual
    assert total("price_0=40&price_1=90&price_2=300") > usual
    assert total("have=air&have=second-pump&have=lean") <= usual


def test_a_moved_form_gets_a_part_and_keeps_what_was_typed(keeper: Device, van: str) -> None:
    part = keeper.get(f"{path_of(van)}?target=80", headers=PART)
    assert "<html" not in part.text
    assert 'id="w-target" hx-swap-oob="true"' in part.text
    assert "HX-Request" in part.headers["vary"]
    whole = keeper.get(f"{path_of(van)}?target=80&confidence=75&worth=2,5&price_0=9,90&have=air")
    for value in ("80", "75", "2,5", "9,90"):
        assert f'value="{value}"' in whole.text
    assert re.search(r'value="air" checked', whole.text)
    assert '<details class="wideopen" open>' in whole.text


@pytest.mark.parametrize("written", ["85", "85 %", "0.85", "0,85"])
def test_a_share_is_read_as_people_write_it(keeper: Device, van: str, written: str) -> None:
    text = keeper.get(path_of(van), params={"target": written}).text
    assert "at least 85 % of the fluid" in text


@pytest.mark.parametrize(
    ("query", "field"),
    [
        ({"target": "0"}, "target"),
        ({"target": "100"}, "target"),
        ({"target": "-3"}, "target"),
        ({"target": "most"}, "target"),
        ({"confidence": "1e9"}, "confidence"),
        ({"worth": "-1"}, "worth"),
        ({"worth": "dear"}, "worth"),
        ({"price_0": "-4"}, "price_0"),
        ({"price_1": "x"}, "price_1"),
    ],
)
def test_a_wish_that_cannot_be_is_told_beside_its_field(
    keeper: Device, van: str, query: dict[str, str], field: str
) -> None:
    for headers in ({}, PART):
        answer = keeper.get(path_of(van), params=query, headers=headers)
        assert answer.status_code == 422
        assert f'id="e-{field}"' in answer.text
    assert f'value="{query[field]}"' in keeper.get(path_of(van), params=query).text


def test_a_job_is_started_once_however_often_the_button_is_tapped(
    site: Site, keeper: Device, van: str
) -> None:
    form = keeper.form(f"{path_of(van)}?target=80", f"/machines/{van}/systems/1/jobs")
    assert form["method"]
    answers = [keeper.post(f"/machines/{van}/systems/1/jobs", form) for _ in range(2)]
    assert {a.status_code for a in answers} == {303}
    assert len({a.headers["location"] for a in answers}) == 1
    (job,) = site.store.jobs.all()
    state = site.store.jobs.state(job.id)
    assert answers[0].headers["location"] == f"/jobs/{job.id}"
    assert (state.target, state.confidence, state.method) == (0.8, 0.9, form["method"])
    assert state.planned is not None
    assert f"/jobs/{job.id}" in keeper.get("/").text


def test_a_job_may_be_started_with_another_method(site: Site, keeper: Device, van: str) -> None:
    form = keeper.form(path_of(van), f"/machines/{van}/systems/1/jobs")
    other = form | {"method": "drain-and-refill"}
    assert keeper.post(f"/machines/{van}/systems/1/jobs", other).status_code == 303
    assert site.store.jobs.all()[0].method == "drain-and-refill"
    bad = form | {"method": "hope", "job": "", "event": ""}
    assert keeper.post(f"/machines/{van}/systems/1/jobs", bad).status_code == 422


def test_readers_see_no_button_to_start(site: Site, van: str) -> None:
    assert "Start the job" not in site.paired("reader").get(path_of(van)).text
    assert "Start the job" in site.paired("hand").get(path_of(van)).text


def test_the_card_is_printed_as_the_plan_stands(keeper: Device, van: str) -> None:
    answer = keeper.get(f"{path_of(van)}/card.pdf?target=80")
    assert answer.content.startswith(b"%PDF-")
    assert keeper.get(f"{path_of(van)}/card.pdf?target=0").status_code == 422
    keeper.post("/settings", {"units": "metric", "comma": "yes", "name": ""})
    card = keeper.get(f"{path_of(van)}/card.pdf?target=80").content
    said = " ".join(page.extract_text() for page in PdfReader(io.BytesIO(card)).pages)
    assert re.search("[0-9],[0-9]+ L", said)
    assert not re.search("[0-9][.][0-9]+ (L|N·m)", said)


def test_a_system_without_cooler_line_says_why(keeper: Device, site: Site) -> None:
    carrier = site.store.machines.get("Carrier 2").id
    text = keeper.get(path_of(carrier, 2)).text
    assert "no pump that could push fluid out" in text


def test_a_fluid_that_nobody_offers_is_planned_all_the_same(keeper: Device) -> None:
    sheet = '[machine]\nname="T"\n[[system]]\nname="axle"\nkind="axle"\ncapacity="2 L"\n'
    machine = keeper.api("POST", "/machines", json={"toml": sheet}).json()["id"]
    text = keeper.get(path_of(machine)).text
    assert "Nobody offers enough" in text
    assert "The least new fluid" in text


def test_a_second_job_on_one_fluid_is_refused_beside_its_field(
    site: Site, keeper: Device, van: str
) -> None:
    action = f"/machines/{van}/systems/1/jobs"
    assert keeper.post(action, keeper.form(path_of(van), action)).status_code == 303
    (first,) = site.store.jobs.all()
    page = keeper.get(path_of(van)).text
    assert f'<a href="/jobs/{first.id}">A job is open on the gearbox</a>' in page
    assert "Start the job" not in page
    again = keeper.form(f"{path_of(van)}?target=80", action)
    refused = keeper.post(action, again)
    assert refused.status_code == 422
    assert 'id="e-second"' in refused.text
    assert f'href="/jobs/{first.id}"' in refused.text
    assert 'value="80"' in refused.text
    assert len(site.store.jobs.all()) == 1
    assert keeper.post(action, again | {"second": "that one was a rehearsal"}).status_code == 303
    newest, _ = site.store.jobs.all()
    assert "that one was a rehearsal" in site.store.jobs.state(newest.id).notes[0].body["text"]
    # Another system of the same machine is another fluid.
    assert "Start the job" in keeper.get(path_of(van, 2)).text


def test_the_number_of_cycles_can_be_raised(site: Site, keeper: Device, van: str) -> None:
    few = keeper.get(f"{path_of(van)}?cycles=1&target=99&confidence=99").text
    assert "Raise the number of cycles" in few
    assert 'name="cycles"' in few
    more = keeper.get(f"{path_of(van)}?cycles=30&target=99&confidence=99").text
    assert "Raise the number of cycles" not in more
    action = f"/machines/{van}/systems/1/jobs"
    form = keeper.form(f"{path_of(van)}?cycles=30&target=99&confidence=99", action)
    assert keeper.post(action, form).status_code == 303
    planned = site.store.jobs.state(site.store.jobs.all()[0].id).planned
    assert planned is not None
    assert planned["recommended"]["cycles"] > 8  # type: ignore[index]
    for wrong in ("0", "61", "many"):
        answer = keeper.get(f"{path_of(van)}?cycles={wrong}")
        assert answer.status_code == 422
        assert 'id="e-cycles"' in answer.text


def test_a_point_that_methods_share_is_shown_once(keeper: Device, van: str) -> None:
    text = keeper.get(path_of(van)).text
    best, _, _ = text.partition("Every cycle of every method")
    rows = re.findall(r"<tr role=\"row\">(<td data-head=\"Cycles\".*?)</tr>", best)
    assert len(rows) == len(set(rows)) > 5
    assert "that of “Drain and refill, with a drive between”" in best


def test_money_has_its_currency_and_a_bound_is_not_rounded_over(keeper: Device, van: str) -> None:
    text = keeper.get(path_of(van)).text
    flat = re.search(r"Flat point: (.*?)</p>", text)
    assert flat
    money = r"adds 1\.\d+ points for \d+\.\d\d EUR more of containers: less than 2 points"
    assert re.search(money, flat[1])
