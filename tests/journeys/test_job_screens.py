"""What the pages of a job look like to whoever uses them: at every size, in both lights,
without script, to a screen reader."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from importlib.resources import files
from typing import Any

import httpx
import pytest
from axe_playwright_python.sync_playwright import Axe
from PIL import Image
from playwright.sync_api import Page, expect

from jobkit import (
    LAPTOP,
    PHONE,
    SIZES,
    Bay,
    Contexts,
    Seat,
    Server,
    add_events,
    done_before,
    kinds,
    start_job,
)
from sumpwright.demo import yard as demo_yard
from sumpwright.units import parse_quantity

FLUID = "Cable Green 7"
READY = [
    ("did", {"step": step})
    for step in ("manual", "place.1", "protection", "fill-plug.1", "catch.1")
]


@pytest.fixture(scope="module")
def halfway(working: Server) -> str:
    """A job with something in every part of its pages."""
    job = start_job(working.address)
    add_events(
        working.address,
        job,
        ("did", {"step": "place.1"}),
        ("overrode", {"step": "catch.1", "reason": "drained into the tray of the lift"}),
        ("drained", {"volume": 0.0041, "step": "drain.1"}),
        ("tightened", {"plug": "drain", "torque": 40.0, "step": "drain-plug.1"}),
        ("filled", {"volume": 0.0041, "fluid": FLUID, "lot": "L12", "step": "fill.1"}),
        ("sampled", {"vial": "A", "cycle": 1, "note": "brown"}),
        ("read", {"what": "temperature", "value": 314.15, "unit": "K"}),
        ("noted", {"text": "plug sits behind the wheel", "step": "fill-plug.1"}),
        ("signal", {"to": "seat", "instruction": "Start", "text": "Start it.", "turns": "on"}),
    )
    return job


PAGES = ("", "/step", "/enter/tightened", "/enter/read", "/close", "/record", "/calls")


def wrong(page: Page) -> list[str]:
    """What a tool for accessibility finds."""
    found = Axe().run(page)
    return [f"{v['id']}: {n['html']}" for v in found.response["violations"] for n in v["nodes"]]


@pytest.mark.parametrize("dark", [False, True])
def test_pages_are_accessible(
    working: Server, halfway: str, browser_context: Contexts, dark: bool
) -> None:
    page = browser_context(dark=dark).new_page()
    for path in (*(f"/jobs/{halfway}{p}" for p in PAGES), "/jobs", "/verify", "/step-sets"):
        page.goto(working.address + path)
        for details in page.locator("details").all():
            details.evaluate("(it) => { it.open = true; }")
        assert wrong(page) == [], path


def bay_states(bay: Bay) -> Iterator[str]:
    """Bring the bay screen into each of its states."""
    bay.choose("Drain")
    yield "volume"
    bay.type("9")
    bay.choose("Tighten the fill plug")
    yield "torque"
    bay.act.get_by_role("button", name="Wrench…").click()
    yield "wrench"
    bay.page.get_by_role("button", name="Close", exact=True).click()
    bay.choose("Hoses on both ends")
    yield "held"
    bay.page.get_by_role("button", name="Go on without it").click()
    yield "reason"
    bay.page.get_by_role("button", name="Close", exact=True).click()
    bay.choose("Go on or stop")
    yield "decision"
    bay.choose("Vial of new fluid")
    yield "vial"
    bay.choose("Odometer or hours")
    yield "reading"
    bay.choose("Ready in the seat")
    yield "call"
    bay.more()
    yield "more"
    bay.page.get_by_role("dialog").get_by_role("button", name="Log").click()
    yield "log"
    bay.page.get_by_role("button", name="Close", exact=True).click()
    bay.more("Other entry…", "Tightened")
    yield "form"


@pytest.mark.parametrize("dark", [False, True])
def test_the_bay_screen_is_accessible_in_every_state(
    working: Server, browser_context: Contexts, dark: bool
) -> None:
    job = start_job(working.address)
    add_events(working.address, job, *READY)
    bay = Bay(browser_context(dark=dark), working.address, job)
    for state in bay_states(bay):
        bay.page.wait_for_timeout(60)
        assert wrong(bay.page) == [], state


@pytest.mark.parametrize("dark", [False, True])
def test_the_seat_screen_is_accessible_in_every_state(
    working: Server, browser_context: Contexts, dark: bool
) -> None:
    job = start_job(working.address)
    context = browser_context(dark=dark)
    begin = context.new_page()
    begin.goto(f"{working.address}/jobs/{job}/seat")
    expect(begin.get_by_role("heading", name="Take the seat")).to_be_visible()
    assert wrong(begin) == []
    begin.close()
    seat = Seat(context, working.address, job)
    assert wrong(seat.page) == []
    call = {"to": "seat", "instruction": "Start", "text": "Start it.", "caution": "Hands off."}
    add_events(working.address, job, ("signal", {**call, "turns": "on"}))
    # Nobody is at the bay, and the engine is called to start: that is the alarm.
    seat.says("STOP ENGINE")
    assert wrong(seat.page) == []
    seat.page.get_by_role("button", name="Engine is off").click()
    assert wrong(seat.page) == []
    bay = Bay(browser_context(), working.address, job)
    seat.says("Start engine")
    assert wrong(seat.page) == []
    seat.answer()
    seat.says("Engine running")
    assert wrong(seat.page) == []
    bay.page.locator(".stopnow").click()
    seat.says("STOP")
    assert wrong(seat.page) == []


def test_nothing_is_cut_off_at_any_size(
    working: Server, halfway: str, browser_context: Contexts
) -> None:
    for size in SIZES:
        page = browser_context(size).new_page()
        for path in (*(f"/jobs/{halfway}{p}" for p in PAGES), "/jobs", "/verify"):
            page.goto(working.address + path)
            assert page.evaluate("document.documentElement.scrollWidth") <= size["width"], path


def long_named(address: str) -> str:
    """A job on a machine whose name is longer than a phone is wide."""
    sheet = (files(demo_yard) / "van-1.toml").read_text()
    name = "Long-wheelbase stretcher carrier with the second winch"
    toml = sheet.replace('name = "Van 1"', f'name = "{name}"')
    added = httpx.post(f"{address}/api/machines", json={"toml": toml}, timeout=60)
    assert added.status_code in (201, 409), added.text
    return start_job(address, name)


def test_a_long_name_makes_no_screen_wider_than_the_device(
    working: Server, browser_context: Contexts
) -> None:
    job = long_named(working.address)
    seat = Seat(browser_context(), working.address, job)
    bay = Bay(seat.context, working.address, job)
    call = {"to": "seat", "instruction": "Start", "text": "Start it.", "turns": "on"}
    add_events(working.address, job, ("signal", call))
    seat.says("Start engine")
    for size in SIZES:
        for page in (seat.page, bay.page):
            page.set_viewport_size(size)  # type: ignore[arg-type]
            ends = page.evaluate(
                """() => [...document.querySelectorAll('#seat, #bay, .bar, .chip, button')]
                  .filter((it) => it.checkVisibility())
                  .map((it) => it.getBoundingClientRect().right)"""
            )
            assert ends
            assert max(ends) <= size["width"], (size, page.url)


@pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size['width']}")
def test_the_bay_screen_fits_and_its_buttons_are_large(
    working: Server, browser_context: Contexts, size: dict[str, int]
) -> None:
    job = start_job(working.address)
    add_events(working.address, job, *READY[1:])
    bay = Bay(browser_context(size), working.address, job)
    for title in ("Service manual", "Drain", "Tighten the fill plug", "Go on or stop"):
        bay.choose(title) if title != "Service manual" else bay.is_at(title)
        boxes = bay.page.evaluate(
            """() => [...document.querySelectorAll('button')]
              .filter((it) => it.checkVisibility() && it.getClientRects().length)
              .map((it) => {
                const box = it.getBoundingClientRect();
                const big = it.matches('#act .big');
                return {name: it.innerText, w: box.width, h: box.height, end: box.bottom, big};
              })"""
        )
        assert any(box["big"] for box in boxes), title
        for box in boxes:
            assert min(box["w"], box["h"]) >= (64 if box["big"] else 48), (title, box)
            assert not box["big"] or box["end"] <= size["height"], (title, box)
        hidden_caution = bay.page.evaluate(
            """() => (document.querySelector('#head .danger')?.getBoundingClientRect().bottom ?? 0)
              - document.querySelector('#main').getBoundingClientRect().bottom"""
        )
        assert hidden_caution <= 0, title
        assert bay.page.evaluate("document.documentElement.scrollWidth") <= size["width"]
    hidden = "(it) => it.scrollHeight - it.clientHeight"
    assert bay.page.locator("#act").evaluate(hidden) <= 0


SEEN = """() => {
  const box = (it) => document.querySelector(it).getBoundingClientRect();
  const [bay, head, act, base] = ['#bay', '#head', '#act', '.base'].map(box);
  const found = [];
  const caution = document.querySelector('#head .danger');
  if (caution) {
    const at = caution.getBoundingClientRect();
    const spots = [[at.left + 9, at.top + 4], [at.right - 9, at.bottom - 4]];
    if (!spots.every(([x, y]) => document.elementFromPoint(x, y)?.closest('.danger'))) {
      found.push('the caution is covered');
    }
    if (caution.scrollHeight > caution.clientHeight + 1) found.push('the caution is cut');
  }
  if (head.top < 0 || head.bottom > innerHeight) found.push('the head is cut');
  if (base.bottom > innerHeight + 1) found.push('undo is out of sight');
  if (document.documentElement.scrollWidth > innerWidth) found.push('too wide');
  for (const it of document.querySelectorAll('#bay button, #bay .cell b, #bay .chip')) {
    if (it.checkVisibility() && it.scrollWidth > it.clientWidth + 1) {
      found.push(`cut: ${it.innerText}`);
    }
  }
  const end = Math.min(act.bottom, innerHeight) + 1;
  const big = [...document.querySelectorAll('#act .big')].at(-1)?.getBoundingClientRect();
  const small = [...document.querySelectorAll('#bay *')]
    .filter((it) => [...it.childNodes].some((n) => n.nodeType === 3 && n.data.trim()))
    .filter((it) => it.checkVisibility() && !it.matches('.unseen, .unseen *'))
    .filter((it) => parseFloat(getComputedStyle(it).fontSize) < 18);
  const below = document.querySelector('#step .instruction').getBoundingClientRect().bottom;
  return {
    found,
    ordinary: [
      big && big.bottom > end ? 'the big button is out of sight' : '',
      document.querySelector('#bay').scrollHeight > innerHeight ? 'the page scrolls' : '',
    ].filter(Boolean),
    small: small.map((it) => it.outerHTML),
    below: below - box('#rest').bottom,
  };
}"""
"""What is hidden or cut on the bay screen; ``ordinary`` is asked at ordinary text sizes."""


WARM = ("read", {"what": "temperature", "value": 314.15, "unit": "K", "step": "temperature"})


@pytest.mark.parametrize(
    ("machine", "system", "methods"),
    [
        ("Van 1", "gearbox", ("line-discharge-with-selector-work", "line-discharge-with-purge")),
        ("Van 1", "gearbox", ("pumped-exchange", "leaned-drain-and-refill")),
        ("Carrier 2", "winch gearbox", ("drain-and-refill",)),
    ],
    ids=["line", "pump", "bath"],
)
def test_the_caution_is_whole_at_every_step(
    working: Server,
    browser_context: Contexts,
    machine: str,
    system: str,
    methods: tuple[str, ...],
) -> None:
    seen: set[str] = set()
    wrong: list[tuple[str, str, int, list[str]]] = []
    for method in methods:
        job = start_job(working.address, machine, system, method)
        bay = Bay(browser_context(PHONE), working.address, job)
        text_size = bay.context.new_cdp_session(bay.page)
        steps = bay.page.request.get(f"{working.address}/api/jobs/{job}/steps").json()["steps"]
        passed: list[tuple[str, dict[str, Any]]] = []
        for place, step in enumerate(steps, start=1):
            root, entry = step["id"].partition(".")[0], step["entry"]
            looks = repr([root, step["instruction"], step["caution"], entry["kind"]])
            if looks not in seen:
                seen.add(looks)
                if passed:
                    add_events(working.address, job, *passed)
                    passed = []
                expect(bay.page.locator(".count")).to_have_text(f"{place} of {len(steps)}")
                for size in (24, 20, 16):
                    text_size.send(
                        "Page.setFontSizes", {"fontSizes": {"standard": size, "fixed": 13}}
                    )
                    told = bay.page.evaluate(SEEN)
                    found = told["found"] + (told["ordinary"] if size < 24 else [])
                    if size == 16:
                        found += told["small"] + [
                            f"the instruction is cut by {told['below']:.0f} px"
                        ] * (told["below"] > 1)
                    if found:
                        wrong.append((method, step["id"], size, found))
            passed.append(WARM if step["id"] == "temperature" else ("did", {"step": step["id"]}))
    assert wrong == []


def test_a_closed_job_says_so_at_the_bay_and_the_steps_have_headings(
    working: Server, browser_context: Contexts
) -> None:
    job = start_job(working.address)
    bay = Bay(browser_context(), working.address, job)
    bay.more("All steps")
    heads = bay.page.get_by_role("dialog").get_by_role("heading", level=3).all_inner_texts()
    assert heads[:3] == ["Prepare", "Drain and fill, cycle 1", "Cooler line"]
    assert heads[-2:] == ["Level", "Finish"]
    bay.page.get_by_role("button", name="Close", exact=True).click()
    bay.more()
    expect(bay.page.get_by_role("dialog")).not_to_contain_text("Bring back")
    bay.page.get_by_role("button", name="Close", exact=True).click()
    add_events(working.address, job, ("closed", {}))
    bay.is_at("Closed")
    expect(bay.page.locator("#step")).to_contain_text("This job is closed")
    expect(bay.page.locator("#act")).to_be_empty()


def test_entering_moves_nothing_that_stays(working: Server, browser_context: Contexts) -> None:
    job = start_job(working.address)
    bay = Bay(browser_context(), working.address, job)
    bay.open()
    bay.lead("Drain")
    bay.page.wait_for_timeout(1200)
    assert bay.page.evaluate(
        """() => new Promise((done) => {
          let sum = 0;
          new PerformanceObserver((list) => {
            for (const entry of list.getEntries()) if (!entry.hadRecentInput) sum += entry.value;
          }).observe({type: 'layout-shift', buffered: true});
          setTimeout(() => done(sum), 200);
        })"""
    ) == pytest.approx(0.0, abs=0.02)


def test_bare_quarts_are_not_entered_on_a_metric_device(
    working: Server, browser_context: Contexts
) -> None:
    job = start_job(working.address)
    done_before(working.address, job, "drain.1")
    bay = Bay(browser_context(), working.address, job)
    bay.is_at("Drain")
    field = bay.act.get_by_label("Volume")
    field.fill("4 qt")
    said = bay.act.get_by_role("status")
    expect(said).to_contain_text("3.79 L as US quarts; an imperial quart would make it 4.55 L")
    bay.big.click()
    bay.is_at("Drain")
    field.fill("")
    field.press_sequentially("0.9 imp gal")
    expect(bay.big).to_have_text("Enter 4.09 L out")
    bay.done()
    bay.sent()
    assert [kind for kind in kinds(working.address, job) if "drained" in kind] == [
        "drained drain.1"
    ]


def test_an_entry_that_was_not_taken_is_not_shown_in_the_colour_of_a_sound_link(
    working: Server, browser_context: Contexts
) -> None:
    job = start_job(working.address)
    done_before(working.address, job, "fill.1")
    bay = Bay(browser_context(), working.address, job)
    chip = bay.page.locator("#link")
    colour = "(it) => getComputedStyle(it).color"
    expect(chip).to_have_text("Live")
    live = chip.evaluate(colour)
    bay.enter("41")
    expect(chip).to_have_text("Not taken")
    bad = bay.page.locator("#seatlink").evaluate(
        "(it) => { it.dataset.state = 'lost'; return getComputedStyle(it).color; }"
    )
    assert chip.evaluate(colour) == bad != live


BALANCE = """(numbers) => {
  const cells = [...document.querySelectorAll('#balance .cell')];
  const level = cells[2].querySelector('b');
  const over = [];
  const own = level.firstChild.data;
  for (const number of numbers) {
    level.firstChild.data = number;
    for (const text of cells[2].querySelectorAll('b, .unit, small')) {
      const range = document.createRange();
      range.selectNodeContents(text);
      const [at, cell] = [range, cells[2]].map((it) => it.getBoundingClientRect());
      if (at.left < cell.left || at.right > cell.right || at.bottom > cell.bottom) {
        over.push([number, text.innerText, at.right - cell.right]);
      }
    }
  }
  level.firstChild.data = own;
  return {over, digits: parseFloat(getComputedStyle(level).fontSize)};
}"""
"""What stands over the edge of its cell where the level is each of these; the digits' size."""


def test_a_decimal_comma_and_quarts_by_the_device(
    working: Server, browser_context: Contexts
) -> None:
    context = browser_context(locale="de-DE")
    page = context.new_page()
    page.goto(f"{working.address}/settings")
    page.get_by_label(re.compile("US: quarts")).check()
    page.get_by_role("button", name="Keep").click()
    job = start_job(working.address)
    bay = Bay(context, working.address, job)
    bay.lead("Drain")
    expect(bay.page.locator("#step")).to_contain_text("10 mm hex")
    bay.type("4,3")
    expect(bay.big).to_have_text("Enter 4,30 US qt out")
    bay.done()
    bay.sent()
    assert bay.cell("Out") == "4,30 US qt"
    text_size = context.new_cdp_session(bay.page)
    sizes = []
    for size in (16, 20, 24, 28):
        text_size.send("Page.setFontSizes", {"fontSizes": {"standard": size, "fixed": 13}})
        told = bay.page.evaluate(BALANCE, ["4,70", "−4,70", "12,30", "−12,30", "100,0"])
        assert told["over"] == [], size
        sizes.append(told["digits"])
    assert sizes == sorted(set(sizes))

    events = httpx.get(f"{working.address}/api/jobs/{job}/events").json()["events"]
    drained = next(e for e in events if e["kind"] == "drained")
    assert drained["body"]["volume"] == pytest.approx(parse_quantity("4.3 US qt", "volume"))


def test_a_job_can_be_led_without_script(working: Server, browser_context: Contexts) -> None:
    job = start_job(working.address, "Van 1", "engine", "drain-and-refill")
    context = browser_context(LAPTOP, script=False)
    page = context.new_page()
    page.goto(f"{working.address}/jobs/{job}/bay")
    expect(page).to_have_url(re.compile(f"/jobs/{job}/step$"))
    for _ in range(80):
        title = page.get_by_role("heading", level=1).inner_text()
        if title == "All steps done":
            break
        if page.get_by_label("Volume").count():
            if title == "Fill":
                page.get_by_label("Volume").fill("seven")
                page.get_by_role("button", name="Enter what went in").click()
                expect(page.locator("#e-volume")).to_be_visible()
            none = page.get_by_role("button", name="There was none")
            if none.count():
                none.click()
                continue
            page.get_by_label("Volume").fill("7,6")
        elif page.get_by_label("Torque applied").count():
            if not page.get_by_text("The sheet says").count():
                page.get_by_label("Value of the service manual").fill("30 N.m")
            page.get_by_label("Torque applied").fill("35")
            page.get_by_label("A new seal was fitted").check()
            page.get_by_label("Length of the wrench").fill("400")
            page.get_by_label("Length of the extension").fill("50")
        elif page.get_by_role("button", name="Skip").count():
            page.get_by_role("button", name="Skip").click()
            continue
        elif page.get_by_label("Cycles in all").count():
            page.get_by_label("Cycles in all").fill("1")
        page.locator("main form button.big").click()
    else:
        raise AssertionError("the job never came to its end")
    page.get_by_role("link", name="Close the job").click()
    page.get_by_role("button", name="Close the job").click()
    expect(page.get_by_role("heading", name="Service record")).to_be_visible()
    expect(page.locator("main")).to_contain_text("7.60")
    log = kinds(working.address, job)
    assert log[-1] == "closed"
    assert {"drained drain.1", "filled fill.1", "tightened drain-plug.1"} <= set(log)
    page.goto(f"{working.address}/jobs/{job}")
    expect(page.locator("main")).to_contain_text("after the first drive")


def test_a_photograph_keeps_its_pixels_and_nothing_else(
    working: Server, browser_context: Contexts
) -> None:
    job = start_job(working.address)
    bay = Bay(browser_context(PHONE), working.address, job)
    picture = Image.new("RGB", (60, 40), (200, 30, 30))
    exif = Image.Exif()
    exif[0x010F] = "a maker of cameras"
    data = io.BytesIO()
    picture.save(data, "JPEG", exif=exif)
    bay.more("Photograph…")
    bay.page.locator("#s-file").set_input_files(
        {"name": "../../vial.jpg", "mimeType": "image/jpeg", "buffer": data.getvalue()}
    )
    bay.page.get_by_label("What it shows").fill("<script>alert(1)</script>")
    bay.page.get_by_role("button", name="Keep the photograph").click()
    expect(bay.page.locator("#undo")).to_contain_text("photograph", timeout=20_000)
    page = bay.context.new_page()
    page.goto(f"{working.address}/jobs/{job}")
    expect(page.locator(".pictures")).to_contain_text("<script>alert(1)</script>")
    kept = page.request.get(
        working.address + str(page.locator(".pictures a").get_attribute("href"))
    ).body()
    assert b"a maker of cameras" not in kept
    assert Image.open(io.BytesIO(kept)).getpixel((30, 20)) == pytest.approx((200, 30, 30), abs=4)
