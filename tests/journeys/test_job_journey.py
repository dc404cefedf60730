"""A whole job on two phones, with the network cut and the server killed in the middle."""

from __future__ import annotations

import json
import re
from pathlib import Path

from playwright.sync_api import expect

from jobkit import LAPTOP, Bay, Contexts, Seat, Server, kinds, start_job, verified


def test_a_whole_job_on_two_screens_with_cut_network_and_killed_server(
    server: Server, browser_context: Contexts, tmp_path: Path
) -> None:
    job = start_job(server.address)
    bay = Bay(browser_context(), server.address, job)
    seat = Seat(browser_context(), server.address, job)
    expect(bay.page.locator("#seatlink")).to_have_text("Seat here")

    # The first cycle, up to the refill, with the network cut at the drain.
    bay.lead("Drain")
    bay.context.set_offline(True)
    expect(bay.page.locator("#link")).to_contain_text("No network")
    bay.enter("4.3")
    bay.is_at("Sample of the old fluid")
    assert bay.cell("Out") == "4.30 L"
    expect(bay.page.locator("#undo")).to_contain_text("drained 4.30 L")
    bay.page.locator("#undo").click()
    bay.is_at("Drain")
    assert bay.cell("Out") == "0.00 L"
    bay.enter("4.1")
    bay.lead("Tighten the drain plug")
    bay.more("Note…")
    bay.page.get_by_label("What should be remembered").fill("plug was <b>tight</b>")
    bay.page.get_by_role("button", name="Keep the note").click()
    bay.lead("Go on or stop")
    assert (bay.cell("Out"), bay.cell("In")) == ("4.10 L", "4.10 L")
    expect(bay.page.locator("#step")).to_contain_text("Estimate not known")
    expect(bay.page.locator("#alerts")).to_contain_text("to be sent")
    assert "drained drain.1" not in kinds(server.address, job)

    bay.context.set_offline(False)
    bay.sent()
    expect(bay.page.locator("#step")).to_contain_text("% fresh")
    log = kinds(server.address, job)
    assert [entry for entry in log if "drain.1" in entry] == ["drained drain.1"] * 2
    assert log.count("reversed") == 1
    assert log.index("tightened drain-plug.1") < log.index("filled fill.1")
    assert bay.cell("Fresh") == "44 %"

    # The line is opened and the outlet proved by a short bump; the seat answers each call.
    bay.done()
    bay.lead("Mark the outlet", seat=seat)
    bay.lead("Stop at the mark", volumes=["0.1"], seat=seat)
    seat.says("Engine running")
    expect(bay.page.locator("#clock")).to_contain_text("no bottle was timed yet")
    bay.page.wait_for_timeout(1100)

    # The server is killed while the engine runs: the seat says what to do, and so does the bay.
    server.kill()
    seat.says("STOP ENGINE")
    expect(bay.page.locator("#engine")).to_contain_text("shout STOP")
    seat.page.get_by_role("button", name="Engine is off").click()
    seat.says("Leave it off")
    bay.big.click()
    bay.is_at("What came out")
    bay.enter("2.0")
    assert bay.cell("Out") == "6.20 L"
    server.start()
    bay.sent()
    seat.says("Engine off")
    bay.lead("Go on or stop", seat=seat)
    assert (bay.cell("Out"), bay.cell("In")) == ("6.20 L", "6.20 L")
    expect(bay.page.locator("#step")).to_contain_text("% fresh")

    # The second bottle is timed by the first.
    bay.page.get_by_role("button", name="Go on: cycle 3").click()
    bay.lead("Stop at the mark", seat=seat)
    expect(bay.page.locator("#clock")).to_contain_text(re.compile("Call stop (in|now)"))
    expect(bay.page.locator("#clock")).to_contain_text("by 1 bottle")
    bay.lead("What came out", seat=seat)
    bay.lead("Go on or stop", volumes=["2"], seat=seat)
    bay.page.get_by_role("button", name="Stop after 3").click()
    bay.lead("All steps done", seat=seat)
    bay.sent()

    log = kinds(server.address, job)
    steps = [entry for entry in log if " " in entry and not entry.startswith(("signal", "noted"))]
    assert len(set(steps)) == len(steps) - 1, "only the drain was entered twice"
    assert verified(server.address, job)["sound"]

    _close_and_share(server, browser_context, bay, tmp_path)


def _close_and_share(server: Server, browser_context: Contexts, bay: Bay, tmp_path: Path) -> None:
    page = bay.page
    page.get_by_role("link", name="Close the job").click()
    page.get_by_label("Odometer").fill("nearly new")
    page.get_by_label("Keep them").check()
    page.get_by_label("Name of the kept steps").fill("Vans, line")
    page.get_by_label("After a distance of").fill("200")
    page.get_by_role("button", name="Close the job").click()
    expect(page.locator("#e-odometer")).to_be_visible()
    expect(page.get_by_label("After a distance of")).to_have_value("200")
    page.get_by_label("Odometer").fill("187 426")
    page.get_by_role("button", name="Close the job").click()
    expect(page.get_by_role("heading", name="Service record")).to_be_visible()
    expect(page.locator("main")).to_contain_text("plug was <b>tight</b>")
    expect(page.locator("main")).to_contain_text("after 200 km, at 187 626 km")

    with page.expect_download() as got:
        page.get_by_role("link", name="Data (JSON)").click()
    record = tmp_path / "record.json"
    got.value.save_as(record)
    with page.expect_download() as paper:
        page.get_by_role("link", name="PDF").click()
    assert Path(paper.value.path()).read_bytes().startswith(b"%PDF-")

    laptop = browser_context(LAPTOP).new_page()
    laptop.goto(f"{server.address}/verify")
    laptop.get_by_label("Record").set_input_files(record)
    laptop.get_by_role("button", name="Verify").click()
    expect(laptop.get_by_role("heading", name="Sound: nothing was changed")).to_be_visible()
    document = json.loads(record.read_text())
    drained = next(e for e in document["events"] if e["kind"] == "drained")
    drained["body"]["volume"] = 0.0035
    record.write_text(json.dumps(document))
    laptop.get_by_label("Record").set_input_files(record)
    laptop.get_by_role("button", name="Verify").click()
    expect(laptop.get_by_role("heading", name="Not sound", exact=True)).to_be_visible()

    # The next machine of its sort is offered what this job taught.
    again = start_job(server.address)
    laptop.goto(f"{server.address}/jobs/{again}")
    laptop.get_by_label("Take over from an earlier job").select_option(label="Vans, line")
    laptop.get_by_role("button", name="Take over").click()
    later = Bay(browser_context(), server.address, again)
    later.choose("Tighten the drain plug")
    expect(later.page.locator("#step")).to_contain_text("plug was <b>tight</b>")
