"""The bay screen without network, two phones on one job, and what the server will not take."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import expect

from jobkit import (
    Bay,
    Contexts,
    Seat,
    Server,
    add_events,
    done_before,
    kept_page,
    kinds,
    second_tap,
    start_job,
    verified,
)


def test_the_screen_opens_again_without_network(server: Server, browser_context: Contexts) -> None:
    job = start_job(server.address)
    bay = Bay(browser_context(), server.address, job)
    seat = bay.context.new_page()
    seat.goto(f"{server.address}/jobs/{job}/seat")
    for page in (bay.page, seat):
        kept_page(page)
    bay.lead("Fill plug first")
    bay.sent()
    server.kill()
    expect(bay.page.locator("#link")).to_contain_text("No network")
    expect(bay.page.locator("#alerts")).to_contain_text("No network: go on.")
    expect(bay.page.locator("#alerts")).not_to_contain_text("Leave this page open")
    seat.reload()
    expect(seat.get_by_role("heading", name="Take the seat")).to_be_visible()
    seat.close()
    bay.done()
    bay.is_at("Catch vessel")

    bay.open()
    bay.is_at("Catch vessel")
    bay.lead("Drain")
    bay.enter("4.1")
    bay.open()
    assert bay.cell("Out") == "4.10 L"
    expect(bay.page.locator("#alerts")).to_contain_text("to be sent")

    server.start()
    bay.sent()
    log = kinds(server.address, job)
    assert len(log) == len(set(log))
    assert log[-3:] == ["did fill-plug.1", "did catch.1", "drained drain.1"]


@pytest.mark.parametrize("screen", ["bay", "seat"])
def test_a_screen_that_could_not_begin_begins_by_itself(
    working: Server, browser_context: Contexts, screen: str
) -> None:
    job = start_job(working.address)
    page = browser_context().new_page()
    page.route("**/*.json", lambda route: route.abort())
    page.goto(f"{working.address}/jobs/{job}/{screen}")
    expect(page.get_by_role("heading", name="No network")).to_be_visible()
    page.unroute("**/*.json")
    begun = {"bay": "Service manual", "seat": "Take the seat"}[screen]
    expect(page.get_by_role("heading", name=begun)).to_be_visible()


def test_two_phones_on_one_job_come_to_the_same(working: Server, browser_context: Contexts) -> None:
    job = start_job(working.address)
    first = Bay(browser_context(), working.address, job)
    second = Bay(browser_context(), working.address, job)
    first.lead("Drain")
    second.is_at("Drain")
    first.context.set_offline(True)
    second.context.set_offline(True)
    expect(second.page.locator("#link")).to_contain_text("No network")

    first.enter("4.1")
    first.lead("Tighten the drain plug")
    second.enter("4.2")
    second.more("Note…")
    second.page.get_by_label("What should be remembered").fill("dark")
    second.page.get_by_role("button", name="Keep the note").click()

    first.context.set_offline(False)
    first.sent()
    second.context.set_offline(False)
    alert = second.page.get_by_role("alert")
    expect(alert).to_contain_text("Not taken: drained 4.20 L")
    expect(alert).to_contain_text("This step was done already")
    expect(alert).to_contain_text("drained 4.10 L")
    expect(alert).to_contain_text("1 later entry waits for it")
    assert not any(kind.startswith("noted ") for kind in kinds(working.address, job))
    alert.get_by_role("button", name="Leave out").click()
    second.page.get_by_label("Reason").fill("both of us wrote it down")
    second.page.get_by_role("button", name="Go on", exact=True).click()
    second.sent()

    for bay in (first, second):
        expect(bay.page.locator("#balance")).to_contain_text("4.10 L")
        bay.is_at("Tighten the drain plug")
    log = kinds(working.address, job)
    assert [entry for entry in log if entry.startswith("drained")] == ["drained drain.1"]
    assert log[-2:] == ["noted sample.0", "noted"]
    assert verified(working.address, job)["sound"]


def test_a_refused_entry_can_be_put_right(working: Server, browser_context: Contexts) -> None:
    job = start_job(working.address)
    bay = Bay(browser_context(), working.address, job)
    bay.lead("Drain")
    bay.type("41")
    expect(bay.act).to_contain_text(re.compile("41.00 L cannot have come out: at most .* L can be"))
    bay.big.click()
    bay.is_at("Drain")
    for _ in "41":
        bay.act.get_by_role("button", name="Erase").click()
    bay.enter("4.1")
    bay.lead("Fill")
    bay.type("41")
    expect(bay.act).to_contain_text("more than the 4.10 L that are missing")
    bay.big.click()
    alert = bay.page.get_by_role("alert")
    expect(alert).to_contain_text("41.00 L cannot have gone in")
    assert bay.cell("In") == "0.00 L"
    alert.get_by_role("button", name="Correct").click()
    bay.page.get_by_role("dialog").get_by_label("Volume").fill("4,1")
    bay.page.get_by_role("dialog").get_by_role("button", name="Enter what went in").click()
    bay.sent()
    expect(alert).to_have_count(0)
    assert bay.cell("In") == "4.10 L"
    bay.is_at("Go on or stop")


@pytest.mark.parametrize("way", ["instead", "both"])
def test_two_phones_that_drained_the_same_say_which_counts(
    working: Server, browser_context: Contexts, way: str
) -> None:
    job = start_job(working.address)
    done_before(working.address, job, "drain.1")
    away = Bay(browser_context(), working.address, job)
    away.context.set_offline(True)
    expect(away.page.locator("#link")).to_contain_text("No network")
    away.enter("4.2")
    add_events(working.address, job, ("drained", {"volume": 0.0005, "step": "drain.1"}))
    away.context.set_offline(False)
    alert = away.page.get_by_role("alert")
    expect(alert).to_contain_text("Not taken: drained 4.20 L")
    expect(alert).to_contain_text("drained 0.50 L")
    if way == "instead":
        alert.get_by_role("button", name="This one instead").click()
        dialog = away.page.get_by_role("dialog")
        expect(dialog.get_by_label("Volume")).to_have_value("4.20")
        dialog.get_by_role("button", name="Enter what came out").click()
    else:
        alert.get_by_role("button", name="Both count").click()
        away.page.get_by_label("Reason").fill("it went on dripping")
        away.page.get_by_role("button", name="Go on", exact=True).click()
    expect(alert).to_have_count(0)
    away.sent()
    assert away.cell("Out") == {"instead": "4.20 L", "both": "4.70 L"}[way]
    log = kinds(working.address, job)
    ends = {
        "instead": ["drained drain.1", "reversed", "drained drain.1"],
        "both": ["drained drain.1", "drained", "noted drain.1"],
    }
    assert log[-3:] == ends[way]


def test_two_pages_of_one_phone_share_what_is_waiting(
    working: Server, browser_context: Contexts
) -> None:
    job = start_job(working.address)
    done_before(working.address, job, "drain.1")
    context = browser_context()
    first, second = (Bay(context, working.address, job) for _ in range(2))
    context.set_offline(True)
    for bay in (first, second):
        expect(bay.page.locator("#link")).to_contain_text("No network")
    first.enter("4.1")
    second.is_at("Sample of the old fluid")
    assert second.cell("Out") == "4.10 L"
    context.set_offline(False)
    first.sent()
    second.sent()
    assert kinds(working.address, job)[-1] == "drained drain.1"


def test_an_entry_by_itself_waits_for_what_its_step_waits_for(
    working: Server, browser_context: Contexts
) -> None:
    job = start_job(working.address)
    bay = Bay(browser_context(), working.address, job)
    dialog = bay.page.get_by_role("dialog")
    bay.more("Other entry…", "Drained at the plug")
    expect(dialog).to_contain_text("put the machine safely in place first")
    dialog.get_by_label("Volume", exact=False).first.fill("4.1")
    dialog.get_by_role("button", name="Enter what came out").click()
    expect(dialog.get_by_role("alert")).to_have_text("Say why first.")
    dialog.get_by_label("Why is it so").fill("on the lift")
    dialog.get_by_role("button", name="Enter what came out").click()
    bay.sent()
    assert kinds(working.address, job)[-2:] == ["overrode place.1", "drained"]


def test_a_torque_far_from_the_sheet_and_a_wrench_in_inches(
    working: Server, browser_context: Contexts
) -> None:
    job = start_job(working.address)
    done_before(working.address, job, "drain-plug.1")
    bay = Bay(browser_context(), working.address, job)
    bay.is_at("Tighten the drain plug")
    dialog = bay.page.get_by_role("dialog")
    bay.act.get_by_role("button", name="Wrench…").click()
    arm, reach = dialog.get_by_label("Length of the wrench"), dialog.get_by_label("extension, in")
    for text, says in (("abc", "write a number"), ("-400", "above zero"), ("4 kg", "is no unit")):
        arm.fill(text)
        expect(dialog.locator(".setting")).to_contain_text(says)
        dialog.get_by_role("button", name="Keep").click()
        expect(dialog).to_be_visible()
    arm.fill("12 in")
    reach.fill("4 in")
    expect(dialog.locator(".setting")).to_contain_text("Set the wrench to 20.3 N·m")
    dialog.get_by_role("button", name="Keep").click()

    bay.act.get_by_label("New seal").check()
    bay.type("270")
    expect(bay.act).to_contain_text("270.0 N·m is 10.0 times what is given, 27.0 N·m")
    bay.act.get_by_role("button", name="Enter with a reason").click()
    bay.page.get_by_label("Reason").fill("the wrench reads tenths")
    bay.page.get_by_role("button", name="Go on", exact=True).click()
    bay.sent()
    assert kinds(working.address, job)[-2:] == [
        "overrode drain-plug.1/torque",
        "tightened drain-plug.1",
    ]


def test_a_plug_with_a_used_seal_and_hours_below_the_sheets_ask_why(
    working: Server, browser_context: Contexts
) -> None:
    job = start_job(working.address)
    done_before(working.address, job, "drain-plug.1")
    bay = Bay(browser_context(), working.address, job)
    bay.is_at("Tighten the drain plug")
    bay.type("27")
    expect(bay.act).to_contain_text("has a seal (crush washer): tick “New seal”, or say why not")
    bay.act.get_by_label("New seal").check()
    expect(bay.big).to_have_text("Enter 27.0 N·m")
    bay.act.get_by_label("New seal").uncheck()
    bay.act.get_by_role("button", name="Enter with a reason").click()
    bay.page.get_by_label("Reason").fill("none in the van")
    bay.page.get_by_role("button", name="Go on", exact=True).click()
    bay.sent()
    assert kinds(working.address, job)[-2:] == [
        "overrode drain-plug.1/seal",
        "tightened drain-plug.1",
    ]
    bay = Bay(browser_context(), working.address, start_job(working.address))
    bay.choose("Odometer or hours")
    bay.type("1200")
    expect(bay.act).to_contain_text("That is less than before, 187")
    expect(bay.big).to_have_text("Enter with a reason…")


def test_a_hold_gives_way_only_to_a_reason_and_more_than_safe_only_to_one(
    working: Server, browser_context: Contexts
) -> None:
    job = start_job(working.address)
    add_events(
        working.address,
        job,
        ("drained", {"volume": 0.0041, "step": "drain.1"}),
        ("filled", {"volume": 0.0041, "fluid": "Cable Green 7", "step": "fill.1"}),
        ("did", {"step": "bump"}),
    )
    bay = Bay(browser_context(), working.address, job)
    bay.choose("Catch vessel")
    bay.choose("Open the line")
    bay.choose("Hoses on both ends")
    expect(bay.page.locator(".held")).to_contain_text("open the line first")
    assert bay.act.inner_text() == ""
    bay.page.get_by_role("button", name="Go on without it").click()
    bay.page.get_by_role("button", name="Go on", exact=True).click()
    expect(bay.page.locator("#s-wrong")).to_have_text("Write a few words first.")
    bay.page.get_by_label("Reason").fill("line was open from before")
    bay.page.get_by_role("button", name="Go on", exact=True).click()
    bay.is_at("Hoses on both ends")
    bay.done()

    bay.choose("Mark the outlet")
    bay.type("3.6")
    expect(bay.act).to_contain_text("More than the largest safe discharge of 3.00 L")
    bay.act.get_by_role("button", name="Enter with a reason").click()
    bay.page.get_by_label("Reason").fill("the call came late")
    bay.page.get_by_role("button", name="Go on", exact=True).click()
    bay.sent()
    log = kinds(working.address, job)
    assert "overrode line-open" in log
    assert log[-2:] == ["overrode outlet/most", "discharged outlet"]
    bay.choose("Clear to start")
    expect(bay.page.locator(".held")).to_contain_text("the pump must not draw air")
    bay.page.get_by_role("button", name="Enter a fill").click()
    fill = bay.page.get_by_role("dialog").get_by_role("button", name="Enter what went in")
    assert second_tap(fill, "#balance") == ""
    expect(bay.page.locator(".held")).to_have_count(0)
    assert bay.cell("Level") == "0.00 L"


def test_a_seat_that_loses_the_bay_while_the_engine_runs_says_stop(
    working: Server, browser_context: Contexts
) -> None:
    job = start_job(working.address)
    bay = Bay(browser_context(), working.address, job)
    seat = Seat(browser_context(), working.address, job)
    for step in ("place.1", "exhaust", "helper", "check.level", "ready.level"):
        add_events(working.address, job, ("did", {"step": step}))
    seat.context.set_offline(True)
    expect(seat.page.locator("#call")).to_contain_text("Leave the engine off")
    seat.context.set_offline(False)
    expect(seat.page.locator("#link")).to_have_text("Bay hears you")

    bay.choose("Start", -1)
    expect(bay.page.locator("#seatlink")).to_have_text("Seat here")
    assert second_tap(bay.big, "#act") == ""
    seat.says("Start engine")
    assert second_tap(seat.page.locator("#answer button"), "#call") == ""
    seat.says("Engine running")
    seat.context.set_offline(True)
    seat.says("STOP ENGINE")
    expect(bay.page.locator("#seatlink")).to_have_text("Seat lost")
    expect(bay.page.locator("#engine")).to_contain_text("The seat cannot hear this screen")
    seat.context.set_offline(False)
    expect(seat.page.locator("#link")).to_have_text("Bay hears you")
    seat.says("STOP ENGINE")
    expect(seat.page.locator("#call")).to_contain_text("The link to the bay was lost.")
    seat.page.get_by_role("button", name="It still runs").click()
    seat.says("Engine running")

    bay.page.close()
    seat.says("STOP ENGINE")
    expect(seat.page.locator("#call")).to_contain_text("The bay screen is gone.")
    seat.page.get_by_role("button", name="Engine is off").click()
    seat.says("Leave it off")
    back = Bay(bay.context, working.address, job)
    expect(back.page.locator("#alerts")).to_contain_text("says that it stopped the engine")
    back.page.get_by_role("button", name="Put it on record").click()
    seat.says("Engine off")
    expect(back.page.locator(".alert.engine")).to_have_count(0)
    assert kinds(working.address, job)[-2:] == ["signal", "acknowledged"]


def test_a_running_engine_holds_what_needs_it_off_and_a_stop_leads_back_to_the_start(
    working: Server, browser_context: Contexts
) -> None:
    job = start_job(working.address)
    bay = Bay(browser_context(), working.address, job)
    seat = Seat(browser_context(), working.address, job)
    done_before(working.address, job, "check.level")
    bay.is_at("Clear to start")
    bay.done()
    bay.lead("Work it through", seat=seat)
    seat.says("Engine running")
    # What was said of the engine is no slip: one tap does not take it back.
    expect(bay.page.locator("#undo")).to_be_disabled()
    for title in ("Tighten the fill plug", "Look for leaks"):
        bay.choose(title)
        expect(bay.page.locator(".held")).to_contain_text("stop the engine first")
        expect(bay.page.get_by_role("button", name="Go on without it")).to_have_count(0)
        assert bay.act.inner_text() == ""
    bay.page.get_by_role("button", name="Back to the next step").click()
    assert second_tap(bay.page.locator(".stopnow"), "#engine") == ""
    seat.says("STOP")
    seat.answer()
    seat.says("Engine off")
    assert kinds(working.address, job)[-2:] == ["signal", "acknowledged"]
    bay.is_at("Clear to start")
    bay.done()
    bay.is_at("Ready in the seat")
    # A call whose answer is taken back is taken back with it.
    bay.big.click()
    seat.answer()
    bay.is_at("Start")
    bay.page.locator("#undo").click()
    bay.is_at("Ready in the seat")
    expect(bay.act).to_contain_text("Call seat: Ready in the seat")
    seat.says("Engine off")


def test_too_much_fluid_holds_the_start(working: Server, browser_context: Contexts) -> None:
    job = start_job(working.address)
    done_before(working.address, job, "check.level")
    add_events(working.address, job, ("filled", {"volume": 0.0014, "fluid": "Cable Green 7"}))
    bay = Bay(browser_context(), working.address, job)
    assert bay.cell("Level") == "+1.40 L"
    bay.is_at("Clear to start")
    expect(bay.page.locator(".held")).to_contain_text("let out first what is too much")
    bay.page.get_by_role("button", name="Enter what was let out").click()
    bay.page.get_by_role("dialog").get_by_role("button", name="Enter what was lost").click()
    bay.done()
    bay.is_at("Ready in the seat")


def test_a_call_to_drive_is_no_call_to_stop(working: Server, browser_context: Contexts) -> None:
    job = start_job(working.address)
    done_before(working.address, job, "test-drive")
    bay = Bay(browser_context(), working.address, job)
    seat = Seat(browser_context(), working.address, job)
    bay.is_at("Run it, then look again")
    bay.act.get_by_role("button", name="Tell the seat").click()
    seat.says("Run it, then look again")
    expect(seat.page.locator("#answer")).to_contain_text("Back again")
    bay.page.close()
    expect(seat.page.locator("#call")).to_contain_text("The bay screen is gone")
    expect(seat.page.locator("#seat")).to_have_attribute("data-scene", "call")
    seat.answer()
    again = Bay(bay.context, working.address, job)
    again.is_at("Run it, then look again")
    expect(again.act).to_contain_text("Seat: back again")
    again.done()
    again.sent()
    assert kinds(working.address, job)[-1] == "drove test-drive"


def test_a_browser_that_keeps_nothing_says_so_and_works(
    working: Server, browser_context: Contexts
) -> None:
    job = start_job(working.address)
    context = browser_context()
    context.add_init_script("indexedDB.open = () => { throw new Error('private window'); };")
    bay = Bay(context, working.address, job)
    bay.done()
    expect(bay.page.locator("#alerts")).to_contain_text("This browser keeps nothing.")
    context.set_offline(True)
    expect(bay.page.locator("#link")).to_contain_text("No network")
    bay.lead("Drain")
    bay.enter("4.1")
    assert bay.cell("Out") == "4.10 L"
    context.set_offline(False)
    bay.sent()
    assert kinds(working.address, job)[-1] == "drained drain.1"


def test_a_disk_that_fills_up_meanwhile_loses_nothing(
    working: Server, browser_context: Contexts
) -> None:
    job = start_job(working.address)
    context = browser_context()
    context.add_init_script(
        "if (globalThis.caches) CacheStorage.prototype.open = () => Promise.reject(new Error());"
    )
    bay = Bay(context, working.address, job)
    bay.page.wait_for_function("() => navigator.serviceWorker.controller !== null")
    bay.context.set_offline(True)
    # A worker is there, but this page is not kept.
    expect(bay.page.locator("#alerts")).to_contain_text("Leave this page open.")
    bay.lead("Drain")
    bay.page.evaluate(
        """() => {
          IDBObjectStore.prototype.add = () => {
            throw new DOMException("no space left", "QuotaExceededError");
          };
        }"""
    )
    bay.enter("4.1")
    expect(bay.page.locator("#alerts")).to_contain_text("This browser keeps nothing.")
    bay.context.set_offline(False)
    bay.sent()
    log = kinds(working.address, job)
    assert log[-2:] == ["did catch.1", "drained drain.1"]
    assert len(log) == len(set(log))
