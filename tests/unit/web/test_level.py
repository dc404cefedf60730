"""The level screen: typed readings, what the sheet lacks, the plug, the sources."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from html import unescape

import numpy as np
import pytest

from levelkit import fact, look, started, typed
from sumpwright.display import Display
from sumpwright.records.wording import describe
from webkit import Device, Site


def test_readings_typed_into_a_form_are_forecast_without_script(
    site: Site, keeper: Device, job: str
) -> None:
    assert "No current reading" in keeper.get(f"/jobs/{job}/level").text
    html = typed(keeper, job, "12", "13,5", "15", "16.5")
    assert "<b>16.5</b>" in html
    assert re.search(r"in \d+ (s|min)", fact(html, "opens"))
    assert "too much" in fact(html, "error")
    assert "mm at the port" in fact(html, "error")
    assert len(site.store.jobs.state(job).readings["temperature"]) == 4


@pytest.mark.parametrize("wrong", ["", "warm", "700", "-90"])
def test_a_reading_that_cannot_be_is_not_kept(
    site: Site, keeper: Device, job: str, wrong: str
) -> None:
    answer = keeper.post(f"/jobs/{job}/level/reading", {"value": wrong})
    assert answer.status_code == 422
    assert 'id="e-value"' in answer.text
    assert "temperature" not in site.store.jobs.state(job).readings


def test_the_plug_goes_in_on_a_current_reading_a_drip_and_the_engine_as_asked(
    site: Site, keeper: Device, job: str
) -> None:
    started(site, job)
    assert "Open the port" in typed(keeper, job, "41")
    for flow, title in (("none", "Top up"), ("stream", "Let it run"), ("drip", "Fit the plug now")):
        look(keeper, job, flow)
        assert title in keeper.get(f"/jobs/{job}/level").text
    look(keeper, job, "drip", engine=False)
    assert "Fit the plug now" not in keeper.get(f"/jobs/{job}/level").text
    look(keeper, job, "drip")
    answer = keeper.post(f"/jobs/{job}/level/fitted", {"volume": "0,055"})
    assert answer.headers["location"] == f"/jobs/{job}/bay"
    state = site.store.jobs.state(job)
    assert {"temperature", "level"} <= set(state.done)
    assert state.balance.lost == pytest.approx(55e-6)
    assert state.readings["temperature"][-1].value == pytest.approx(314.15)


def test_the_level_is_not_set_while_the_engine_stands_by_the_log_of_the_job(
    site: Site, keeper: Device, job: str
) -> None:
    typed(keeper, job, "41")
    look(keeper, job, "drip")
    html = keeper.get(f"/jobs/{job}/level").text
    assert "Fit the plug now" not in html
    assert "by the log of this job: start the engine first" in html
    answer = keeper.post(f"/jobs/{job}/level/fitted", {"volume": ""})
    assert answer.status_code == 422
    assert "start the engine first" in answer.text
    assert "level" not in site.store.jobs.state(job).done
    reason = "its manual sets the level with the engine off"
    keeper.post(f"/jobs/{job}/level/fitted", {"volume": "", "reason": reason})
    state = site.store.jobs.state(job)
    assert state.overridden["level/engine"] == reason
    assert "level" in state.done


def test_the_look_after_the_drive_is_kept_as_one_and_sets_the_level_again(
    site: Site, keeper: Device, job: str
) -> None:
    started(site, job)
    for step in ("level", "test-drive"):
        site.store.jobs.append(job, "did", {"step": step})
    typed(keeper, job, "42")
    look(keeper, job, "drip")
    answer = keeper.post(f"/jobs/{job}/level/fitted", {"volume": "0.03"})
    assert answer.status_code == 303, answer.text
    state = site.store.jobs.state(job)
    assert "recheck" in state.done
    assert state.balance.net == pytest.approx(0.0, abs=1e-9)
    assert state.balance.lost == pytest.approx(30e-6)
    said = [describe(event, Display()) for event in state.effective]
    assert any(text.startswith("ran out at the look after the drive") for text in said)


def test_a_forecast_from_an_old_reading_is_marked_as_old(
    site: Site, keeper: Device, job: str
) -> None:
    now = datetime.now(UTC)
    for seconds, kelvin in ((240, 285.0), (180, 288.0), (120, 291.0), (60, 294.0)):
        site.store.jobs.append(
            job,
            "read",
            {"what": "temperature", "value": kelvin, "unit": "K"},
            at=now - timedelta(seconds=seconds),
        )
    html = keeper.get(f"/jobs/{job}/level").text
    assert "by an old reading" in fact(html, "opens")
    assert re.search(r'data-fact="opens"\s+data-old', html)
    fresh = typed(keeper, job, "24")
    assert "90 % sure" in fact(fresh, "opens")
    assert "data-old" not in fresh.partition("data-fact")[2].partition("</dl>")[0]


def test_a_plug_fitted_too_soon_needs_a_reason_that_stays_on_record(
    site: Site, keeper: Device, job: str
) -> None:
    typed(keeper, job, "33")
    answer = keeper.post(f"/jobs/{job}/level/fitted", {"volume": "0.1"})
    assert answer.status_code == 422
    assert 'name="reason"' in answer.text
    assert 'value="0.1"' in answer.text
    assert "level" not in site.store.jobs.state(job).done
    keeper.post(f"/jobs/{job}/level/fitted", {"volume": "0.1", "reason": "manual says 30 to 35"})
    state = site.store.jobs.state(job)
    assert state.overridden["level/window"] == "manual says 30 to 35"
    assert "level" in state.done


def test_nothing_is_kept_as_level_without_any_reading(site: Site, keeper: Device, job: str) -> None:
    answer = keeper.post(f"/jobs/{job}/level/fitted", {"volume": "", "reason": "seen"})
    assert answer.status_code == 422
    assert "level" not in site.store.jobs.state(job).done


def test_how_much_to_fill_in_the_cold_is_said_before_the_fluid_is_read(
    site: Site, keeper: Device, job: str
) -> None:
    def note() -> str:
        found = re.search(r'<div id="cold".*?</div>', keeper.get(f"/jobs/{job}/level").text, re.S)
        assert found is not None
        return unescape(re.sub(r"<[^>]+>", "", found[0])).strip()

    assert note() == ""
    site.store.jobs.append(job, "read", {"what": "ambient", "value": 285.15, "unit": "K"})
    cold = note()
    assert re.search(r"grows by 0\.\d\d L until the window opens", cold)
    typed(keeper, job, "12")
    assert note() == cold
    typed(keeper, job, "40")
    assert note() == ""


def test_after_the_drive_the_second_look_is_explained(site: Site, keeper: Device, job: str) -> None:
    step = f"/jobs/{job}/level"
    assert f'href="{step}"' in keeper.get(f"/jobs/{job}/step?step=recheck").text
    site.store.jobs.append(job, "did", {"step": "test-drive"})
    page = unescape(keeper.get(step).text)
    assert "let it cool to between 38 °C and 46 °C on level ground" in page
    typed(keeper, job, "85")
    page = unescape(keeper.get(step).text)
    assert re.search(r"stands higher by 0\.\d\d L at 85 °C", page)
    assert "What runs out hot is no overfill." in page


def test_what_the_sheet_lacks_is_taken_for_the_job_and_used(keeper: Device, job: str) -> None:
    before = typed(keeper, job, "12")
    assert "top up until it runs out again" in before
    answer = keeper.post(f"/jobs/{job}/level/given", {"lift": "600 mL"})
    assert answer.status_code == 303, answer.text
    after = unescape(keeper.get(f"/jobs/{job}/level").text)
    assert "the pump lifts 0.60 L" in after
    assert keeper.post(f"/jobs/{job}/level/given", {"density": "84"}).status_code == 422


def test_a_window_that_the_sheet_does_not_give_is_asked_for(
    site: Site, keeper: Device, van: str
) -> None:
    job = site.store.jobs.start(
        van, "engine", method="drain-and-refill", target=0.9, confidence=0.9
    ).id
    assert "Window not known" in keeper.get(f"/jobs/{job}/level").text
    one_end = keeper.post(f"/jobs/{job}/level/given", {"window_low": "70"})
    assert one_end.status_code == 422
    assert 'id="e-window_high"' in one_end.text
    assert 'value="70"' in one_end.text
    keeper.post(f"/jobs/{job}/level/given", {"window_low": "70", "window_high": "80"})
    assert "Open the port" in typed(keeper, job, "75")


def test_an_old_reading_says_nothing_of_the_level_now(site: Site, keeper: Device, job: str) -> None:
    started(site, job)
    read = {"what": "temperature", "value": 313.15, "unit": "K"}
    at = datetime.now(UTC) - timedelta(seconds=40)
    site.store.jobs.append(job, "read", read, at=at)
    look(keeper, job, "drip")
    html = keeper.get(f"/jobs/{job}/level").text
    assert "Old reading" in html
    assert "Fit the plug now" not in html
    assert "right" not in fact(html, "error")
    typed(keeper, job, "40")
    html = keeper.get(f"/jobs/{job}/level").text
    assert "Fit the plug now" in html
    assert "right" in fact(html, "error")


def test_the_slope_is_worked_out_from_two_heights(keeper: Device, job: str) -> None:
    page = f"/jobs/{job}/level?port_side=262+mm&other_side=210+mm&distance=2.4+m"
    assert "0.15 L too high" in keeper.get(page).text
    wrong = keeper.get(page.replace("distance=2.4+m", "distance=10+mm"))
    assert wrong.status_code == 422
    assert 'id="e-distance"' in wrong.text


def test_only_the_keeper_says_what_the_server_opens(site: Site, keeper: Device, job: str) -> None:
    hand = site.paired("hand")
    source = {"act": "keep", "description": "adapter:socket://127.0.0.1:9?pid=05", "name": "box"}
    assert hand.post(f"/jobs/{job}/level/sources", source).status_code == 403
    assert hand.post(f"/jobs/{job}/level/sources", {**source, "act": "try"}).status_code == 403
    assert 'name="description"' not in hand.get(f"/jobs/{job}/level/sources").text
    assert site.store.temperatures.of("Van 1") == []
    assert keeper.post(f"/jobs/{job}/level/sources", source).status_code == 303
    kept = site.store.temperatures.of("Van 1")
    assert [k.name for k in kept] == ["box"]
    watch = {"act": "watch", "source": kept[0].id}
    assert hand.post(f"/jobs/{job}/level/sources", watch).status_code == 303
    caution = site.app.state.web.watches.of(job).watch.source.caution
    assert "engine" in caution
    assert caution in unescape(hand.get(f"/jobs/{job}/level").text)


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("replay:/etc/hostname", "a log is sent, not named"),
        ("hand", "needs no source"),
        ("adaptor:/dev/ttyUSB0", "did you mean adapter"),
        ("", "no source is named"),
    ],
)
def test_a_source_that_cannot_be_is_refused_at_its_field(
    keeper: Device, job: str, text: str, what: str
) -> None:
    data = {"act": "keep", "description": text, "name": "x"}
    answer = keeper.post(f"/jobs/{job}/level/sources", data)
    assert answer.status_code == 422
    assert what in unescape(answer.text)
    assert 'id="e-place"' in answer.text


def test_a_reader_sees_the_level_and_changes_nothing(site: Site, keeper: Device, job: str) -> None:
    typed(keeper, job, "40")
    reader = site.paired("reader")
    html = reader.get(f"/jobs/{job}/level").text
    assert "<b>40.0</b>" in html
    assert 'action="/jobs' not in html.replace(f'action="/jobs/{job}/level" class="sheet', "")
    assert reader.post(f"/jobs/{job}/level/reading", {"value": "41"}).status_code == 403


def test_what_is_about_to_come_is_not_said_to_come_within_no_time() -> None:
    from sumpwright.physics.warmup import Arrival, WarmupForecast
    from sumpwright.web.views.level import _when

    soon = Arrival(0.4, 1.2, 3.0, 0.0)
    ahead = WarmupForecast(12, "", 310.0, to_open=soon, to_close=soon)
    assert _when(ahead, soon, "open") == ("about now", "within 10 s, 90 % sure")


def test_a_forecast_of_a_second_ago_does_not_contradict_the_newest_reading() -> None:
    """A recording played at 60 times its pace moves on by a minute between two forecasts."""
    from sumpwright.physics.warmup import Arrival, WarmupForecast
    from sumpwright.web.views.level import Heard, _end

    soon = Arrival(15.0, 20.0, 30.0, 0.0)
    ahead = WarmupForecast(12, "", 310.0, to_open=soon, to_close=soon)
    seconds, kelvin = np.array([0.0, 1.0]), np.array([310.0, 312.0])
    heard = Heard("fresh", 312.0, 0.1, seconds, kelvin, None)
    assert _end("opens", "Opens", 311.15, heard, ahead).value == "open"
    assert _end("closes", "Closes", 319.15, heard, ahead).value == "in 20 s"
    assert _end("closes", "Closes", 311.15, heard, ahead).value == "closed"
