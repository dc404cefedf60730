"""The level screen: the log that a source leaves, played, kept, drawn and counted."""

from __future__ import annotations

import gc
import io
import os
import pty
import re
import time
import tracemalloc
import tty
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from pypdf import PdfReader

from levelkit import logged, look, send_log, until, warm
from sumpwright.display import Display
from sumpwright.link.soak import pack, unpack
from sumpwright.link.source import Reading
from sumpwright.records.temperatures import Watched
from sumpwright.records.told import ToldTemperatures
from webkit import Device, Site


def test_a_recorded_log_is_played_and_kept_whole_with_the_job(
    site: Site, keeper: Device, job: str
) -> None:
    send_log(keeper, job, warm())
    watches = site.app.state.web.watches
    until(lambda: watches.of(job).watch.status().ended)
    assert "This is a recording" in keeper.get(f"/jobs/{job}/level").text
    keeper.post(f"/jobs/{job}/level/stop")
    assert watches.of(job) is None
    kept = [e for e in site.store.jobs.state(job).effective if e.kind == "logged"]
    assert len(kept) == 1
    seconds, kelvin = unpack(site.store.attachments.data(kept[0].body["attachment"]))
    # the judge wants a second reading to agree before it believes the first
    assert kept[0].body["readings"] == seconds.size >= 598
    assert kelvin.max() == pytest.approx(85.0 - 73.0 * np.exp(-599 / 1150.0) + 273.15, abs=0.01)
    page = keeper.get(f"/jobs/{job}/logs/{kept[0].body['attachment']}")
    assert page.status_code == 200
    assert 'class="course"' in page.text
    assert site.store.temperatures.growing(job) == ()


def test_a_log_of_days_is_small_and_drawn_with_few_points(
    site: Site, keeper: Device, job: str
) -> None:
    t = np.arange(3 * 86_400.0) + 1.7e9
    kelvin = 330.0 + 20.0 * np.sin(t / 4000.0).round(2)
    kelvin[123_456] = 395.0
    data = pack(t, kelvin)
    assert len(data) < t.size
    site.store.temperatures.add_block(job, data, t.size)
    keeper.post(f"/jobs/{job}/level/stop")
    kept = next(e for e in site.store.jobs.state(job).effective if e.kind == "logged")
    html = keeper.get(f"/jobs/{job}/logs/{kept.body['attachment']}").text
    path = re.search(r'class="course" d="([^"]+)"', html)
    assert path is not None
    assert path[1].count("L") < 1500
    assert kept.body["highest"] == 395.0


def test_a_log_counts_towards_the_thermal_age_once(
    site: Site, keeper: Device, job: str, van: str
) -> None:
    t = np.arange(7200.0) + 1.7e9
    site.store.temperatures.add_block(job, pack(t, np.full(t.size, 363.15)), t.size)
    keeper.post(f"/jobs/{job}/level/stop")
    sha = next(e for e in site.store.jobs.state(job).effective if e.kind == "logged").body
    address = f"/jobs/{job}/logs/{sha['attachment']}"
    for _ in range(2):
        assert keeper.post(f"{address}/age").status_code == 303
    told = site.store.told.of(van, ToldTemperatures)
    assert [sum(entry.told.durations) for entry in told] == [pytest.approx(7199.0)]
    assert "Counted towards" in keeper.get(address).text
    site.store.told.withdraw(told[0].id)
    assert "Counted towards" not in keeper.get(address).text
    keeper.post(f"{address}/age")
    assert len(site.store.told.of(van, ToldTemperatures)) == 1


def test_what_is_heard_from_the_fluid_is_counted_by_itself_and_a_recording_is_not(
    site: Site, keeper: Device, job: str, van: str
) -> None:
    watches = site.app.state.web.watches
    master, slave = pty.openpty()
    tty.setraw(slave)
    watches.start(job, f"lines:{os.ttyname(slave)}")

    def heard() -> bool:
        os.write(master, b"40.0\n")
        return len(watches.of(job).watch.recent(60.0)) > 4

    until(heard)
    keeper.post(f"/jobs/{job}/level/stop")
    os.close(slave)
    os.close(master)
    (told,) = site.store.told.of(van, ToldTemperatures)
    assert 0.0 < sum(told.told.durations) < 60.0
    send_log(keeper, job, warm(60))
    until(lambda: watches.of(job).watch.status().ended)
    keeper.post(f"/jobs/{job}/level/stop")
    assert len([e for e in site.store.jobs.state(job).effective if e.kind == "logged"]) == 2
    assert len(site.store.told.of(van, ToldTemperatures)) == 1


def test_the_record_draws_the_log_with_its_window_and_the_moment_of_the_plug(
    site: Site, keeper: Device, job: str
) -> None:
    # Its own time lies about the job's, as that of a recording may.
    send_log(keeper, job, warm(520, first=time.time() - 260.0))
    until(lambda: site.app.state.web.watches.of(job).watch.status().ended)
    look(keeper, job, "drip")
    answer = keeper.post(f"/jobs/{job}/level/fitted", {"reason": "played too fast to meet"})
    assert answer.status_code == 303, answer.text
    figure = f"/jobs/{job}/logs/{logged(site, job)[0]['attachment']}/figure.svg"
    assert figure in keeper.get(f"/jobs/{job}/record").text
    last = 85.0 - 73.0 * np.exp(-519 / 1150.0)
    for query in ("", "?look=dark&narrow=yes"):
        drawn = keeper.get(figure + query)
        assert drawn.headers["content-type"].startswith("image/svg+xml")
        assert f"plug fitted, {last:.1f} °C" in drawn.text
        assert "window 38 °C to 46 °C, shaded" in drawn.text
    assert keeper.get(f"/jobs/{job}/logs/{'0' * 64}/figure.svg").status_code == 404
    pages = PdfReader(io.BytesIO(keeper.get(f"/jobs/{job}/record.pdf").content)).pages
    text = re.sub(r"\s+", " ", "".join(page.extract_text() for page in pages))
    assert "Temperature while the level was set" in text
    assert f"plug fitted after 9 min at {last:.1f} °C" in text


def test_a_log_stopped_before_the_plug_does_not_show_it_at_its_end(
    site: Site, keeper: Device, job: str
) -> None:
    send_log(keeper, job, warm(520, first=time.time() - 4000.0))
    until(lambda: site.app.state.web.watches.of(job).watch.status().ended)
    keeper.post(f"/jobs/{job}/level/stop")
    site.store.jobs.append(job, "did", {"step": "level"})
    figure = f"/jobs/{job}/logs/{logged(site, job)[0]['attachment']}/figure.svg"
    drawn = keeper.get(figure).text
    assert "window 38 °C to 46 °C, shaded" in drawn
    assert "plug fitted" not in drawn


def test_a_long_watch_takes_no_more_memory_than_a_short_one(
    site: Site, keeper: Device, job: str
) -> None:
    # 12 000 readings at 10 Hz through the keeper that the screen uses, put by as in twenty seconds.
    watches = site.app.state.web.watches
    send_log(keeper, job, b"seconds,celsius\n0,20\n1,20\n")
    watching = watches.of(job)
    until(lambda: watching.watch.status().ended)
    begin = datetime.now(UTC)
    rng = np.random.default_rng(3)

    def run(first: int, count: int) -> int:
        for k in range(first, first + count):
            at = begin + timedelta(seconds=0.1 * k)
            kelvin = 330.0 + float(rng.integers(0, 64)) / 32
            watching.hear(Reading(at, 0.0, 0.1 * k, kelvin, "", ""))
            if k % 200 == 199:
                watches.put_by(watching)
        gc.collect()
        return tracemalloc.get_traced_memory()[0]

    tracemalloc.start()
    try:
        settled = run(0, 2000)
        assert run(2000, 10_000) - settled < 100_000
    finally:
        tracemalloc.stop()
    assert watching.pending == []
    (growing,) = site.store.temperatures.growing(job)
    assert growing.count == 12_000 + 1
    assert len(growing.data) < 4 * growing.count


def test_a_file_that_is_no_log_is_refused_and_not_left_behind(
    site: Site, keeper: Device, job: str
) -> None:
    answer = keeper.client.post(
        f"/jobs/{job}/level/replay",
        data={"csrf_token": keeper.token(), "speed": "1"},
        files={"log": ("x.exe", io.BytesIO(b"MZ"))},
    )
    assert answer.status_code == 422
    assert site.app.state.web.watches.of(job) is None


def test_a_log_of_two_temperatures_is_asked_about_in_its_form(
    site: Site, keeper: Device, job: str
) -> None:
    data = {"csrf_token": keeper.token(), "speed": "0"}
    rows = "".join(f"{t},{20 + t},{40 + t / 10}\n" for t in range(20))
    table = f"time,temp a,temp b\n{rows}".encode()

    def send(**more: str) -> tuple[int, str]:
        answer = keeper.client.post(
            f"/jobs/{job}/level/replay",
            data=data | more,
            files={"log": ("drive.csv", io.BytesIO(table))},
            follow_redirects=False,
        )
        return answer.status_code, answer.text

    code, text = send()
    assert code == 422
    assert "more than one column" in text
    assert "temp a" in text
    watches = site.app.state.web.watches
    assert watches.of(job) is None
    assert send(temperature="temp b")[0] == 303
    until(lambda: watches.of(job).watch.status().ended)
    assert watches.of(job).watch.status().last.celsius == pytest.approx(41.9)
    assert "the column &#39;temp b&#39;" in keeper.get(f"/jobs/{job}/level").text


def test_a_job_that_is_closed_keeps_its_log_and_watches_no_longer(
    site: Site, keeper: Device, job: str
) -> None:
    send_log(keeper, job, warm(50))
    watches = site.app.state.web.watches
    until(lambda: watches.of(job).watch.status().ended)
    form = keeper.form(f"/jobs/{job}/close", "/close")
    answer = keeper.post(f"/jobs/{job}/close", form)
    assert answer.status_code == 303, answer.text
    assert watches.of(job) is None
    kinds = [e.kind for e in site.store.jobs.state(job).effective]
    assert kinds.count("logged") == 1
    assert kinds[-1] == "closed"


def test_readings_of_two_sources_are_never_mixed_into_one_log(
    site: Site, keeper: Device, job: str
) -> None:
    """What grew before a crash, and a recording of another year that was played after it."""
    heard = Watched("uds:virtual:gone?tx=7E1&rx=7E9&did=1940", "box", live=True)
    early = np.arange(30.0) + 1.7e9
    site.store.temperatures.begin(job, heard)
    site.store.temperatures.add_block(job, pack(early, np.full(30, 300.0)), 30)
    send_log(keeper, job, warm(40))
    until(lambda: site.app.state.web.watches.of(job).watch.status().ended)
    keeper.post(f"/jobs/{job}/level/stop")
    before, played = logged(site, job)
    assert (before["source"], before["readings"], before["seconds"]) == ("box", 30, 29.0)
    assert before["highest"] == 300.0
    assert played["source"] != "box"
    assert played["readings"] >= 38
    assert played["seconds"] < 60.0
    assert site.store.temperatures.growing(job) == ()
    for body in (before, played):
        assert keeper.get(f"/jobs/{job}/logs/{body['attachment']}").status_code == 200


def test_a_watch_that_the_server_ended_is_told_and_taken_up_again(
    site: Site, keeper: Device, job: str
) -> None:
    watches = site.app.state.web.watches
    assert "ended when the server stopped" not in keeper.get(f"/jobs/{job}/level").text
    watches.start(job, "uds:virtual:broken?tx=7E1&rx=7E9&did=1940&name=box&period=0.1")
    watches.put_by(watches.of(job))
    assert "ended when the server stopped" not in keeper.get(f"/jobs/{job}/level").text
    # a server that is killed keeps nothing but what is in the records
    watches._watches.pop(job).watch.stop()
    early = np.arange(30.0) + 1.7e9
    site.store.temperatures.add_block(job, pack(early, np.full(30, 300.0)), 30)
    html = keeper.get(f"/jobs/{job}/level").text
    assert "The watch of <b>box</b> ended when the server stopped" in html
    assert keeper.post(f"/jobs/{job}/level/again").status_code == 303
    assert watches.of(job).name == "box"
    assert "ended when the server stopped" not in keeper.get(f"/jobs/{job}/level").text
    # the same source goes on with the same log
    site.store.temperatures.add_block(job, pack(early + 60.0, np.full(30, 301.0)), 30)
    keeper.post(f"/jobs/{job}/level/stop")
    (body,) = logged(site, job)
    assert body["readings"] == 60
    html = keeper.get(f"/jobs/{job}/level").text
    assert "ended when the server stopped" not in html


def test_a_recording_that_cannot_be_read_says_why_beside_the_reading(
    site: Site, keeper: Device, job: str
) -> None:
    send_log(keeper, job, b"not a log\nat all\n", "drive.blf")
    until(lambda: site.app.state.web.watches.of(job).watch.status().ended)
    html = keeper.get(f"/jobs/{job}/level").text
    card = html.partition('id="reading"')[2].partition("</section>")[0]
    assert "Recording ended" in card
    assert 'class="beware"' in card
    assert "This is a recording" not in card


@pytest.mark.parametrize("days", [1.0, 60.0, 1107.0])
def test_the_days_of_a_long_log_are_not_printed_over_each_other(days: float) -> None:
    from sumpwright.web.views.level_curve import log_figure
    from sumpwright.web.views.show import Show

    seconds = np.linspace(0.0, days * 86_400.0, 500)
    figure = log_figure(seconds, np.full(500, 320.0), None, Show(Display()))
    places = [tick.at for tick in figure.across]
    assert len(places) >= 3
    assert min(np.diff(places)) > 60.0
