"""The level, from the first cold reading to the closed port, in a real browser."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
from playwright.sync_api import Page, expect

from jobkit import add_events, start_job
from openkit import COLOURS, SHIFT, SMALL, told
from serverkit import LAPTOP, PHONE, Contexts, Server
from vehicle.adapter_emulator import TcpAdapter


def warm_log(path: Path) -> Path:
    t = np.arange(900.0)
    celsius = 90.0 - 62.0 * np.exp(-t / 900.0)
    rows = "\n".join(f"{a:.0f};{b:.2f}" for a, b in zip(t, celsius, strict=True))
    path.write_text(f"seconds;celsius\n{rows}\n")
    return path


def level(page: Page) -> Page:
    expect(page.locator("#level")).to_be_visible()
    return page


def test_a_replayed_log_leads_to_the_closed_level(
    working: Server, browser_context: Contexts, tmp_path: Path
) -> None:
    job = start_job(working.address)
    add_events(working.address, job, ("did", {"step": "start.level"}))
    page = browser_context(PHONE).new_page()
    page.goto(f"{working.address}/jobs/{job}/step?step=temperature")
    page.get_by_role("link", name="Live level").click()
    level(page)
    page.get_by_role("link", name="Choose a source").click()
    page.set_input_files("#f-log", warm_log(tmp_path / "warm.csv"))
    page.fill("#f-speed", "20")
    page.get_by_role("button", name="Play it").click()

    expect(page.locator("#level")).to_have_attribute("data-state", "fresh")
    expect(page.locator("#verdict")).to_contain_text("Wait")
    opens = page.locator('[data-fact="opens"]')
    expect(opens).to_contain_text(re.compile(r"in \d+ (s|min)"))
    expect(opens).to_contain_text("90 % sure")
    expect(page.locator('[data-fact="error"]')).to_contain_text("too much")
    expect(page.locator("#figure .course")).to_have_attribute("d", re.compile("M.*L"))

    expect(page.locator("#verdict")).to_contain_text("Open the port", timeout=30_000)
    page.get_by_label("Engine runs, or as the service manual asks").check()
    page.get_by_role("button", name="A stream").click()
    expect(page.locator("#verdict")).to_contain_text("Let it run")
    page.get_by_role("button", name="Thin, drips").click()
    expect(page.locator("#verdict")).to_contain_text("Fit the plug now")
    # the caution about the source stands beside the verdict, where it cannot scroll away
    beware = page.locator(".lead2 .beware")
    expect(beware).to_have_text("This is a recording, not the machine in front of you")
    expect(beware).to_be_in_viewport(ratio=1.0)
    assert page.locator("#verdict").evaluate(
        "e => e.getBoundingClientRect().top >= 0 && e.getBoundingClientRect().top < 300"
    )
    page.fill("#f-volume", "0.05")
    page.get_by_role("button", name="Plug is fitted").click()
    page.wait_for_url("**/bay")
    expect(page.locator("#undo")).to_contain_text("50 mL")

    with working.store() as store:
        state = store.jobs.state(job)
        assert {"temperature", "level"} <= set(state.done)
        assert 311.15 <= state.readings["temperature"][-1].value <= 319.15
        assert state.balance.lost == pytest.approx(50e-6)
        kept = next(e for e in state.effective if e.kind == "logged")
    page.goto(f"{working.address}/jobs/{job}/logs/{kept.body['attachment']}")
    expect(page.locator(".course")).to_be_visible()
    assert told(page) == []


def coolant(_: str) -> str:
    return "7E8 03 41 05 4E"


AGES = """() => {
  window.told = [];
  const root = document.querySelector("#level");
  const look = () => window.told.push([root.dataset.state, root.hasAttribute("data-unlinked"),
    document.querySelector("#reading small")?.textContent ?? ""]);
  new MutationObserver(look).observe(root, {attributes: true});
}"""


def test_an_adapter_unplugged_is_said_to_be_stale_and_comes_back_by_itself(
    working: Server, browser_context: Contexts
) -> None:
    job = start_job(working.address)
    page = browser_context(PHONE).new_page()
    page.goto(f"{working.address}/jobs/{job}/level/sources")
    with TcpAdapter(coolant) as adapter:
        port = adapter.port
        page.fill("#f-place", f"adapter:{adapter.place}?pid=05&period=0.2")
        page.fill("#f-name", f"box {port}")
        page.get_by_role("button", name="Try it").click()
        expect(page.locator(".trial")).to_contain_text("It gives a temperature")
        page.get_by_role("button", name="Keep and watch").click()
        expect(page.locator("#level")).to_have_attribute("data-state", "fresh")
        expect(page.locator("#reading")).to_contain_text("38.0")
        expect(page.locator("main")).to_contain_text("engine")
        page.evaluate(AGES)
    expect(page.locator("#level")).to_have_attribute("data-state", "stale")
    expect(page.locator("#reading")).to_contain_text("Old reading")
    expect(page.locator("#verdict")).to_contain_text("No current reading")
    # The first word of it is told at an age that rounds to two seconds, however busy all is.
    first = next(entry for entry in page.evaluate("window.told") if entry[0] != "fresh")
    assert first[2] == "2 s ago"
    with TcpAdapter(coolant, port):
        expect(page.locator("#level")).to_have_attribute("data-state", "fresh", timeout=30_000)
        expect(page.locator("#reading")).to_contain_text("Current")
        page.get_by_role("button", name="Stop watching, read by hand").click()
        expect(page.get_by_role("button", name="Enter the reading")).to_be_visible()


def test_a_server_that_goes_away_is_said_and_found_again(
    server: Server, browser_context: Contexts
) -> None:
    job = start_job(server.address)
    page = browser_context(PHONE).new_page()
    page.goto(f"{server.address}/jobs/{job}/level")
    for value in ("40", "40.5"):
        page.fill("#f-value", value)
        page.get_by_role("button", name="Enter the reading").click()
        expect(page.locator("#reading b").first).to_have_text(f"{float(value):.1f}")
    server.kill()
    expect(page.locator("#linklost")).to_be_visible()
    expect(page.locator("#verdict")).to_be_hidden()
    expect(page.locator("#reading .state")).to_have_text(re.compile(r"No link\s+[2-9] s ago"))
    expect(page.locator("#reading .state")).to_have_text(re.compile(r"No link\s+[4-9] s ago"))
    conditions = page.locator("#reasons li")
    expect(conditions.nth(0)).to_have_attribute("data-met", "no")
    expect(conditions.nth(0)).to_contain_text("the reading is not current")
    expect(conditions.nth(1)).to_have_attribute("data-met", "ask")
    expect(conditions.nth(1)).to_contain_text("the fluid is between")
    assert "Current" not in page.locator("#level").inner_text()
    assert "reading is current" not in page.locator("#level").inner_text()
    server.start()
    expect(page.locator("#linklost")).to_be_hidden(timeout=30_000)
    expect(page.locator("#reading")).to_contain_text("40.5")
    expect(page.locator("#reading .state")).not_to_contain_text("No link")


SHOWN = """() => {
  const look = () => {
    const [state, verdict] = ["#reading .state", "#verdict h2"].map((one) => {
      const part = document.querySelector(one);
      return part && getComputedStyle(part).visibility === "visible" ? part.textContent.trim() : "";
    });
    if (state) window.shown([state, verdict]);
  };
  new MutationObserver(look).observe(document, {attributes: true, childList: true, subtree: true});
}"""


def test_a_watch_that_a_killed_server_ended_is_told_and_taken_up_again(
    server: Server, browser_context: Contexts
) -> None:
    job = start_job(server.address)
    page = browser_context(PHONE).new_page()
    shown: list[list[str]] = []
    page.expose_function("shown", lambda one: shown.append(one))
    page.add_init_script(f"({SHOWN})()")
    page.goto(f"{server.address}/jobs/{job}/level/sources")
    with TcpAdapter(coolant) as adapter:
        page.fill("#f-place", f"adapter:{adapter.place}?pid=05&period=0.2")
        page.fill("#f-name", "box")
        page.get_by_role("button", name="Keep and watch").click()
        expect(page.locator("#level")).to_have_attribute("data-state", "fresh")
        expect(page.locator(".lead2 .beware")).to_contain_text("not the fluid of the gearbox")
        page.get_by_label("Engine runs, or as the service manual asks").check()
        page.get_by_role("button", name="Thin, drips").click()
        expect(page.locator("#verdict")).to_contain_text("Fit the plug now")
        fitted = page.get_by_role("button", name="Plug is fitted")
        expect(fitted).to_be_enabled()
        server.kill()
        expect(page.locator("#reading .state")).to_contain_text("No link")
        expect(fitted).to_be_disabled()
        expect(fitted).to_have_css("background-color", "rgba(0, 0, 0, 0)")
        assert any("Current" in state and "Fit" in verdict for state, verdict in shown)
        shown.clear()
        server.start()
        expect(page.locator(".broken")).to_contain_text(
            "The watch of box ended when the server stopped", timeout=30_000
        )
        # nothing between the link's return and the page that tells of it calls the reading current
        assert shown
        assert [one for one in shown if "Current" in one[0] or "Fit" in one[1]] == []
        expect(page.locator(".lead2 .beware")).to_contain_text("The watch of box ended")
        expect(page.locator(".lead2 .beware")).to_be_in_viewport(ratio=1.0)
        assert told(page) == []
        page.get_by_role("button", name="Watch it again").click()
        expect(page.locator("#level")).to_have_attribute("data-state", "fresh")
        expect(page.locator(".broken")).to_have_count(0)


def test_by_hand_without_script_the_window_is_forecast_as_well(
    working: Server, browser_context: Contexts
) -> None:
    job = start_job(working.address)
    page = browser_context(PHONE, script=False).new_page()
    page.goto(f"{working.address}/jobs/{job}/level")
    for value in ("12", "13", "14", "15"):
        page.fill("#f-value", value)
        page.get_by_role("button", name="Enter the reading").click()
    expect(page.locator('[data-fact="opens"]')).to_contain_text(re.compile(r"in \d+ (s|min)"))
    expect(page.locator("#figure .course")).to_have_count(1)


@pytest.mark.parametrize("size", [PHONE, LAPTOP], ids=["phone", "laptop"])
def test_the_level_screen_is_open_to_everyone(
    working: Server, browser_context: Contexts, size: dict[str, int]
) -> None:
    job = start_job(working.address)
    page = browser_context(size).new_page()
    page.goto(f"{working.address}/jobs/{job}/level")
    expect(page.locator(".key").first).to_be_visible()
    assert page.evaluate(SHIFT) < 0.02
    for value in ("40", "41"):
        page.fill("#f-value", value)
        page.get_by_role("button", name="Enter the reading").click()
    expect(page.locator("#verdict")).to_contain_text("Open the port")
    for address in (f"/jobs/{job}/level", f"/jobs/{job}/level/sources?look=around"):
        page.goto(f"{working.address}{address}")
        for scheme in ("light", "dark"):
            page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
            assert told(page, None if scheme == "light" else COLOURS) == []
        assert page.evaluate(SMALL) == []
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")


def test_the_seat_is_paced_through_the_positions_of_the_selector(
    working: Server, browser_context: Contexts
) -> None:
    job = start_job(working.address)
    page = browser_context(PHONE).new_page()
    page.goto(f"{working.address}/jobs/{job}/seat")
    page.get_by_role("button", name="I sit in the seat").click()
    call = {
        "to": "seat",
        "instruction": "Work it through",
        "text": "Move the selector slowly through all its positions and back.",
        "step": "work.level",
        "engine": "on",
        "pause": 1.0,
    }
    add_events(working.address, job, ("signal", call))
    page.get_by_role("button", name="Pace me").click()
    expect(page.locator("#pace")).to_have_text("Next position")
    expect(page.locator("#pace")).to_have_text("Hold 1")
    expect(page.locator("#pace")).to_have_text("Next position")
    page.get_by_role("button", name="Done").click()
    expect(page.locator("#pace")).to_have_count(0)
