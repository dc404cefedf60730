"""What a tap does at the screens of a job: once what it says, and nothing by mistake."""

from __future__ import annotations

import httpx
import pytest
from playwright.sync_api import expect

from jobkit import (
    Bay,
    Contexts,
    Seat,
    Server,
    add_events,
    done_before,
    kinds,
    press,
    second_tap,
    start_job,
)


def test_a_double_tap_does_one_step(working: Server, browser_context: Contexts) -> None:
    job = start_job(working.address)
    begun = len(kinds(working.address, job))
    bay = Bay(browser_context(), working.address, job)
    bay.is_at("Service manual")
    bay.big.dblclick()
    bay.is_at("Safe in place")
    # The hand looks, and presses again: that is a step of its own.
    bay.big.click()
    bay.is_at("Gloves and eyes")
    assert second_tap(bay.big, "#title") == ""
    bay.is_at("The right fluid")
    bay.more("Note…")
    bay.page.get_by_label("What should be remembered").fill("tight")
    keep = bay.page.get_by_role("button", name="Keep the note")
    assert second_tap(keep, "#undo") == ""
    assert second_tap(bay.page.locator("#undo"), "#undo") == ""
    bay.sent()
    log = kinds(working.address, job)[begun:]
    assert [entry if entry.startswith("did") else entry.split()[0] for entry in log] == [
        "did manual",
        "did place.1",
        "did protection",
        "noted",
        "reversed",
    ]


@pytest.mark.parametrize(("step", "offered"), [("line-closed", False), ("leak-check", True)])
def test_the_bay_asks_for_no_reason_where_none_would_count(
    working: Server, browser_context: Contexts, step: str, offered: bool
) -> None:
    job = start_job(working.address)
    done_before(working.address, job, step)
    bay = Bay(browser_context(), working.address, job)
    bay.more()
    dialog = bay.page.get_by_role("dialog")
    expect(dialog).to_contain_text("All steps")
    leave_out = dialog.get_by_role("button", name="Leave this step out…")
    expect(leave_out).to_have_count(int(offered))


def test_a_call_that_cannot_be_answered_leaves_its_words_and_buttons_whole(
    working: Server, browser_context: Contexts
) -> None:
    job = start_job(working.address)
    done_before(working.address, job, "start.level")
    bay = Bay(browser_context(), working.address, job)
    seat = Seat(browser_context(), working.address, job)
    expect(bay.page.locator("#seatlink")).to_have_text("Seat here")
    bay.is_at("Start")
    press(bay.big)
    seat.says("Start engine")
    bay.sent()
    bay.context.set_offline(True)
    expect(bay.act).to_contain_text("the call went out, no answer can come")
    expect(bay.page.locator("#engine")).to_contain_text("The seat cannot hear this screen")
    words, *buttons = [
        box.bounding_box() or {} for box in bay.page.locator("#engine .grow, #engine button").all()
    ]
    assert len(buttons) == 2
    assert words["width"] > 250
    assert all(words["y"] + words["height"] <= button["y"] for button in buttons)
    bay.page.set_viewport_size({"width": 844, "height": 390})
    words = bay.page.locator("#engine .grow").bounding_box() or {}
    assert words["width"] > 250
    big = bay.big.bounding_box() or {}
    assert big["y"] + big["height"] <= 390
    bay.page.set_viewport_size({"width": 390, "height": 844})
    waiting = bay.act.locator(".waiting").bounding_box() or {}
    big = bay.big.bounding_box() or {}
    assert waiting["y"] + waiting["height"] <= big["y"]
    press(bay.act.get_by_role("button", name="Try again"))
    expect(bay.act).to_contain_text("the call may not have left this device")


def test_a_reader_in_the_seat_is_told_that_it_only_looks_on(
    working: Server, browser_context: Contexts
) -> None:
    job = start_job(working.address)
    call = {"to": "seat", "instruction": "Start", "text": "Start it.", "turns": "on"}
    add_events(working.address, job, ("signal", call))
    code = httpx.post(f"{working.address}/api/devices/codes", json={"role": "reader"}).json()
    page = browser_context().new_page()
    page.goto(f"{working.address}/pair?code={code['code']}&next=/jobs/{job}/seat")
    page.get_by_label("Whose device this is").fill("Vera, reads")
    page.get_by_role("button", name="Pair").click()
    page.get_by_role("button", name="Look on").click()
    expect(page.locator("#call")).to_contain_text("This device only looks on")
    expect(page.locator("#call")).to_contain_text("The seat is told: Start")
    expect(page.locator("#answer")).to_be_empty()
    bay = Bay(browser_context(), working.address, job)
    expect(page.locator("#link")).to_have_text("Only looking on")
    expect(bay.page.locator("#link")).to_have_text("Live")
    expect(bay.page.locator("#seatlink")).to_have_text("No seat")
    page.goto(f"{working.address}/jobs/{job}/bay")
    expect(page.locator("#step")).to_contain_text("Not yet")
    assert page.locator("#act button, #step button, #engine button").count() == 0
    expect(page.locator("#undo")).to_be_hidden()


@pytest.mark.parametrize(("step", "method"), [("drain.1", ""), ("drive.1", "drain-and-refill")])
def test_the_keyboard_stays_where_it_was_when_the_network_comes_or_goes(
    working: Server, browser_context: Contexts, step: str, method: str
) -> None:
    job = start_job(working.address, method=method or "line-discharge")
    done_before(working.address, job, step)
    bay = Bay(browser_context(), working.address, job)
    bay.sent()
    first = bay.act.locator("input").first
    seven = bay.act.get_by_role("button", name="7", exact=True)
    for cut in (True, False):
        seven.focus()
        bay.context.set_offline(cut)
        expect(bay.page.locator("#link")).to_have_text(
            "No network" if cut else "Live", timeout=20_000
        )
        expect(seven).to_be_focused()
        bay.page.keyboard.press("Enter")
    expect(first).to_have_value("77")
