"""Yard, machine and plan in a real browser: with and without script, by keyboard, at every size."""

from __future__ import annotations

import re
import shutil
from importlib.resources import files

import httpx
import pytest
from playwright.sync_api import Browser, BrowserContext, Page, Request, Route, expect

from jobkit import add_events, start_job
from openkit import COLOURS, SHIFT, SIDEWAYS, SMALL, told
from serverkit import LAPTOP, PHONE, SIZES, Contexts, Server
from sumpwright.demo import yard as demo_yard

PAGES = {
    "yard": "/",
    "machine": "/machines/Van 1",
    "machine with a past": "/machines/Pick-up 3",
    "new machine": "/machines/new",
    "edit machine": "/machines/Van 1/edit",
    "edit system": "/machines/Van 1/systems/1/edit",
    "prices": "/machines/Van 1/prices",
    "retire": "/machines/Van 1/retire",
    "sheet": "/machines/Van 1/sheet",
    "version": "/machines/Van 1/versions/1",
    "plan": "/machines/Van 1/systems/1/plan",
    "wrong plan": "/machines/Van 1/systems/1/plan?target=0",
    "policy": "/machines/Van 1/systems/1/policy",
    "laboratory": "/machines/Pick-up 3/laboratory",
    "tell": "/machines/Van 1/tell/service",
    "costs": "/costs",
    "tables": "/tables",
    "devices": "/devices",
    "pairing": "/pair?code=ABCD-2345",
    "settings": "/settings",
    "files": "/files",
    "help": "/help",
    "calls": "/help/api",
    "not there": "/machines/nothing",
}


def test_a_page_fits_a_phone_whose_text_is_very_large(looking: Server, browser: Browser) -> None:
    opened = browser.browser_type.launch(
        executable_path=shutil.which("chromium") or shutil.which("chromium-browser"),
        args=["--no-sandbox", "--disable-gpu", "--blink-settings=defaultFontSize=32"],
    )
    page = opened.new_context(viewport={"width": 390, "height": 844}).new_page()
    large = ("yard", "machine", "plan", "policy", "laboratory", "costs", "tell", "devices")
    for name in large:
        page.goto(looking.address + PAGES[name])
        size = page.evaluate("parseFloat(getComputedStyle(document.documentElement).fontSize)")
        assert size >= 32, name
        assert page.evaluate(SIDEWAYS) <= 0, name
    opened.close()


WORD = "Stretcherwinchcarrierwithoutanyblankinitsname" + "W" * 15


def one_word_names(address: str) -> list[str]:
    """The pages of a machine and a job on which every name is one word, wider than a phone."""
    toml = (files(demo_yard) / "van-1.toml").read_text()
    for name in ("Van 1", "gearbox", "Cable Green 7", "drain"):
        toml = toml.replace(f'"{name}"', f'"{WORD}{name[0]}"')
    toml = re.sub('seller = ".*"', f'seller = "{WORD}"', toml)
    added = httpx.post(f"{address}/api/machines", json={"toml": toml}, timeout=60)
    assert added.status_code == 201, added.text
    job = start_job(address, f"{WORD}V", f"{WORD}g")
    filled = {"volume": 0.0041, "fluid": f"{WORD}C", "lot": WORD}
    drained = ("drained", {"volume": 0.0041})
    add_events(address, job, drained, ("filled", filled), ("noted", {"text": WORD}))
    names = ("machine", "edit machine", "edit system", "prices", "retire", "sheet", "version")
    names += ("plan", "policy", "tell")
    pages = [PAGES[name].replace("Van 1", f"{WORD}V") for name in names]
    parts = ("", "/step", "/enter/tightened", "/close", "/record", "/calls", "/level", "/samples")
    return ["/", "/jobs", "/costs", *pages, *(f"/jobs/{job}{part}" for part in parts)]


def test_a_name_of_one_long_word_makes_no_page_wider_than_a_phone(
    working: Server, browser_context: Contexts
) -> None:
    page = browser_context(PHONE).new_page()
    for path in one_word_names(working.address):
        answer = page.goto(working.address + path)
        assert answer is not None
        assert answer.status == 200, path
        page.evaluate("document.querySelectorAll('details').forEach((it) => { it.open = true; })")
        assert page.evaluate(SIDEWAYS) <= 0, path


@pytest.mark.parametrize("name", PAGES)
def test_a_page_is_open_to_everyone_at_every_size(
    looking: Server, browser_context: Contexts, name: str
) -> None:
    page = browser_context(PHONE).new_page()
    foreign: list[str] = []

    def note(request: Request) -> None:
        if not request.url.startswith((looking.address, "data:", "blob:")):
            foreign.append(request.url)

    page.on("request", note)
    page.goto(looking.address + PAGES[name])
    assert page.evaluate(SHIFT) < 0.001
    for folded in page.locator("details").all():
        folded.evaluate("element => { element.open = true }")
    for size in SIZES.values():
        page.set_viewport_size(size)  # type: ignore[arg-type]
        assert told(page) == [], size
        assert page.evaluate(SMALL) == [], size
    page.emulate_media(color_scheme="dark")
    assert told(page, COLOURS) == []
    page.set_viewport_size({"width": 320, "height": 600})
    wide = page.evaluate("document.documentElement.scrollWidth")
    assert wide <= 320, "the page scrolls sideways on a narrow screen"
    assert page.evaluate("getComputedStyle(document.body).fontSize") == "18px"
    assert foreign == []


def test_the_first_page_is_light(looking: Server, browser_context: Contexts) -> None:
    page = browser_context(PHONE).new_page()
    requests: list[Request] = []
    page.on("requestfinished", lambda request: requests.append(request))
    page.goto(looking.address, wait_until="networkidle")
    sizes = [r.sizes() for r in requests]
    total = sum(s["responseBodySize"] + s["responseHeadersSize"] for s in sizes)
    assert len(requests) >= 4
    assert total < 150_000


def add_machine(page: Page, address: str) -> None:
    page.goto(f"{address}/machines/new")
    page.get_by_label("Name of the machine").fill("Sled 4")
    page.get_by_label("Name", exact=True).or_(page.get_by_label("Name (needed)")).last.fill(
        "gearbox"
    )
    page.get_by_label("Kind").select_option("torque-converter automatic")
    page.get_by_label("Fluid").fill("Cable Green 7")
    page.get_by_label("Currency of prices").fill("EUR")
    page.get_by_label("Capacity", exact=False).first.fill("9,2")


def enter_keeps(page: Page, address: str) -> None:
    """Enter in a field keeps a form; one row more comes back at that row, with what was typed."""
    page.goto(f"{address}/machines/Van 1/systems/1/edit")
    page.get_by_label("Page or remark").first.fill("plate at the sill")
    for place in (4, 5):
        page.get_by_role("button", name="Another plug").click()
        expect(page.locator(f"#f-plug_{place}_name")).to_be_focused()
        expect(page.get_by_role("group", name=f"Plug {place + 1}")).to_be_in_viewport()
    page.get_by_role("button", name="Another limit").click()
    expect(page.locator("#f-limit_3_action")).to_be_focused()
    page.locator("#f-plug_4_name").fill("filter cover")
    expect(page.get_by_label("Page or remark").first).to_have_value("plate at the sill")
    page.get_by_label("Page or remark").first.press("Enter")
    expect(page.get_by_role("status")).to_contain_text("Kept as version")
    expect(page.locator("main")).to_contain_text("filter cover plug")
    expect(page.locator("main")).to_contain_text("plate at the sill")
    page.goto(f"{address}/machines/Van 1/prices")
    page.get_by_role("button", name="Another offer").click()
    expect(page.locator("select:focus")).to_have_attribute("id", re.compile("offer_[0-9]+_fluid"))
    page.get_by_label("Seller").first.fill("Ridge store")
    page.get_by_label("Seller").first.press("Enter")
    expect(page.get_by_role("status")).to_contain_text("Kept as version")


def test_from_a_new_machine_to_a_started_job(server: Server, browser_context: Contexts) -> None:
    page = browser_context(PHONE).new_page()
    add_machine(page, server.address)

    # What is typed is checked at once, beside the field, before anything is sent.
    drain = page.get_by_label("Drain", exact=True)
    drain.fill("12 L")
    drain.press("Tab")
    expect(page.locator("#w-drain")).to_contain_text("larger than the capacity")
    expect(drain).to_have_attribute("aria-invalid", "true")
    drain.fill("4.1 L")
    drain.press("Tab")
    expect(page.locator("#w-drain")).to_be_empty()
    page.get_by_role("button", name="Add", exact=True).click()
    expect(page.get_by_role("heading", name="Sled 4")).to_be_visible()

    # A price, then the plan: basket and total follow what is moved, without a new page.
    page.get_by_role("link", name="Fluids and prices").click()
    page.get_by_label("Seller").first.fill("Yard store")
    page.get_by_label("Size").first.fill("1 L")
    page.get_by_label("Price").first.fill("11,40")
    page.get_by_role("button", name="Keep", exact=True).click()
    page.get_by_role("link", name="Plan a change of the gearbox").click()
    results = page.locator("#results")
    total = results.locator("text=/Total [0-9.]+ EUR/")
    before = total.inner_text()
    page.evaluate("window.samePage = true")
    target = page.get_by_label("Fresh share to reach", exact=True)
    target.fill("60")
    expect(total).not_to_have_text(before)
    lower = total.inner_text()
    expect(page.locator("#said")).to_contain_text("cycle")
    page.get_by_text("Equipment and prices").click()
    page.get_by_label("Price of 1.00 L from Yard store").focus()
    page.keyboard.press("ArrowRight")
    expect(total).not_to_have_text(lower)
    page.get_by_label("Regulated low-pressure air").check()
    expect(page).to_have_url(re.compile("target=60.*have=air"))
    assert page.evaluate("window.samePage") is True

    # A wish that cannot be: told beside its field, and the form keeps it.
    target.fill("200")
    expect(page.locator("#w-target")).to_contain_text("not between 0 and 100 %")
    expect(target).to_have_value("200")
    target.fill("80")
    expect(page.locator("#w-target")).to_be_empty()

    # Ticks of the kit stay on this device.
    box = page.get_by_label("Thermometer for the fluid")
    box.check()
    page.reload()
    expect(page.get_by_label("Thermometer for the fluid")).to_be_checked()

    page.get_by_role("button", name="Start the job").click()
    expect(page).to_have_url(re.compile(r"/jobs/[0-9a-f-]{36}$"))
    page.goto(server.address)
    expect(page.get_by_role("link", name="Go on with the gearbox of Sled 4")).to_be_visible()
    enter_keeps(page, server.address)


def test_the_same_without_script(server: Server, browser_context: Contexts) -> None:
    page = browser_context(LAPTOP, script=False).new_page()
    add_machine(page, server.address)
    page.get_by_label("Drain", exact=True).fill("12 L")
    page.get_by_role("button", name="Add", exact=True).click()
    summary = page.get_by_role("alert")
    expect(summary).to_contain_text("larger than the capacity")
    expect(page.get_by_label("Fluid")).to_have_value("Cable Green 7")
    summary.get_by_role("link").click()
    expect(page.get_by_label("Drain", exact=True)).to_be_focused()
    page.get_by_label("Drain", exact=True).fill("4,1")
    page.get_by_role("button", name="Add", exact=True).click()
    expect(page.get_by_role("heading", name="Sled 4")).to_be_visible()

    page.get_by_role("link", name="Plan a change of the gearbox").click()
    page.get_by_label("Fresh share to reach", exact=True).fill("60")
    page.get_by_role("button", name="Work it out").click()
    expect(page.locator("#results")).to_contain_text("at least 60 % of the fluid")
    expect(page.get_by_label("Fresh share to reach", exact=True)).to_have_value("60")
    page.get_by_role("button", name="Start the job").click()
    expect(page).to_have_url(re.compile(r"/jobs/[0-9a-f-]{36}$"))

    page.goto(f"{server.address}/machines/Sled 4")
    page.get_by_label("It shows").fill("120000")
    page.get_by_role("button", name="Keep the reading").click()
    expect(page.get_by_text("Odometer 120 000 km on")).to_be_visible()
    page.get_by_role("link", name="Retire this machine").click()
    page.get_by_role("button", name="Retire it").click()
    expect(page.get_by_role("link", name="Sled 4")).to_have_count(0)

    page.get_by_role("link", name="Settings").click()
    page.get_by_label("US: quarts").check()
    page.get_by_role("button", name="Keep").click()
    page.goto(f"{server.address}/machines/Van 1")
    expect(page.locator("main")).to_contain_text("4.33 US qt")
    enter_keeps(page, server.address)


def test_by_keyboard_alone(looking: Server, browser_context: Contexts) -> None:
    page = browser_context(LAPTOP).new_page()
    page.goto(looking.address)
    page.keyboard.press("Tab")
    skip = page.get_by_role("link", name="Skip to content")
    expect(skip).to_be_focused()
    page.keyboard.press("Enter")
    page.keyboard.press("Tab")
    expect(page.get_by_role("link", name="Add a machine")).to_be_focused()
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", name="Add a machine")).to_be_visible()
    page.get_by_role("button", name="Add", exact=True).press("Enter")
    # After a refused form the summary has the focus, and leads to the first field.
    summary = page.get_by_role("alert")
    expect(summary).to_be_focused()
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    expect(page.get_by_label("Name of the machine")).to_be_focused()
    page.goto(f"{looking.address}/machines/Van 1/systems/1/plan")
    slider = page.get_by_label("Fresh share to reach, percent")
    slider.focus()
    page.keyboard.press("ArrowLeft")
    expect(page.get_by_label("Fresh share to reach", exact=True)).to_have_value("89")
    expect(page.locator("#results")).to_contain_text("at least 89 %")


def test_a_phone_is_paired_from_the_picture_and_sent_away(
    browser_context: Contexts, tmp_path_factory: pytest.TempPathFactory
) -> None:
    from sumpwright.web.views.pairing import lan_address

    address = lan_address()
    if address is None:
        pytest.skip("this machine is on no network, so no other device can be played")
    server = Server(tmp_path_factory.mktemp("shared"), share=True)
    server.start()
    try:
        _pair(browser_context(LAPTOP), browser_context(PHONE), server, address)
    finally:
        server.stop()


def _pair(bench: BrowserContext, pocket: BrowserContext, server: Server, address: str) -> None:
    keeper, phone = bench.new_page(), pocket.new_page()
    phone.goto(f"http://{address}:{server.port}/")
    expect(phone.get_by_role("heading", name="Pair this device")).to_be_visible()
    keeper.goto(f"{server.address}/devices")
    keeper.get_by_label("reader").check()
    keeper.get_by_role("button", name="Make a pairing code").click()
    expect(keeper.locator("svg.qr")).to_be_visible()
    link = keeper.locator(".pairing a").inner_text()
    assert link.startswith(f"http://{address}:{server.port}/pair?code=")
    phone.goto(link)
    phone.get_by_label("Whose device this is").fill("Jon")
    phone.get_by_role("button", name="Pair").click()
    expect(phone.get_by_role("heading", name="The yard")).to_be_visible()
    expect(phone.get_by_role("link", name="Add a machine")).to_have_count(0)
    expect(phone.get_by_role("link", name="Devices")).to_have_count(0)
    server.kill()
    server.start()
    phone.reload()
    expect(phone.get_by_role("heading", name="The yard")).to_be_visible()
    keeper.goto(f"{server.address}/devices")
    keeper.get_by_role("link", name="Send away Jon").click()
    keeper.get_by_role("button", name="Send it away").click()
    expect(keeper.get_by_text("No device is paired.")).to_be_visible()
    phone.reload()
    expect(phone.get_by_role("heading", name="Pair this device")).to_be_visible()


def test_a_part_that_is_exchanged_writes_no_style(
    looking: Server, browser_context: Contexts
) -> None:
    page = browser_context(LAPTOP).new_page()
    page.goto(f"{looking.address}/machines/Van 1/systems/1/plan")
    page.evaluate(
        """() => {
        window.violations = [];
        document.addEventListener('securitypolicyviolation',
          e => window.violations.push(e.violatedDirective));
        for (const input of document.querySelectorAll('input'))
          input.style.caretColor = 'transparent';
      }"""
    )
    with page.expect_response(re.compile("target=70")):
        page.locator("#f-target").fill("70")
    expect(page.locator("#said")).not_to_be_empty()
    page.wait_for_timeout(200)
    assert page.evaluate("window.violations") == []


def test_what_is_typed_while_an_answer_is_awaited_is_asked_after_it(
    looking: Server, browser_context: Contexts
) -> None:
    page = browser_context(LAPTOP).new_page()
    errors: list[str] = []
    page.on("console", lambda line: errors.append(line.text) if line.type == "error" else None)
    held: list[Route] = []
    page.goto(f"{looking.address}/machines/Van 1/systems/1/plan")
    page.route("**/plan?*", lambda route: held.append(route))
    target = page.locator("#f-target")
    with page.expect_request(re.compile("target=71")):
        target.fill("71")
    for typed in ("72", "73"):
        target.fill(typed)
        page.wait_for_timeout(200)
    assert len(held) == 1
    with page.expect_request(re.compile("target=73")):
        held[0].continue_()
    page.wait_for_timeout(100)
    with page.expect_response(re.compile("target=73")):
        held[1].continue_()
    expect(page.locator("#said")).not_to_be_empty()
    expect(page).to_have_url(re.compile("target=73"))
    assert len(held) == 2
    assert errors == []


def test_the_preview_of_a_table_is_whole_on_a_phone(
    looking: Server, browser_context: Contexts
) -> None:
    page = browser_context(PHONE).new_page()
    page.goto(f"{looking.address}/tables")
    page.get_by_label("Past services").check()
    rows = b"Date,Litres,Odometer (km),Fluid\n2021-06-01,3.1,60000,Cable Green 7\n"
    page.get_by_label("The table").set_input_files(
        {"name": "past.csv", "mimeType": "text/csv", "buffer": rows}
    )
    page.get_by_label("Whose rows they are").select_option("Van 1")
    page.get_by_label("Wet system").fill("gearbox")
    page.get_by_role("button", name="Show what it holds").click()
    expect(page.get_by_role("button", name="Keep 1 new row")).to_be_visible()
    cells = page.locator("section .stack tbody").get_by_role("cell")
    heads = [cell.get_attribute("data-head") for cell in cells.all()]
    assert heads == ["Machine", "System", "What", "State"]
    for cell in cells.all():
        box = cell.bounding_box()
        assert box is not None
        assert box["x"] >= 0
        assert box["x"] + box["width"] <= PHONE["width"]
    assert told(page) == []


def test_the_points_of_a_plan_are_whole_on_a_phone(
    looking: Server, browser_context: Contexts
) -> None:
    page = browser_context(PHONE).new_page()
    page.goto(f"{looking.address}/machines/Van 1/systems/1/plan")
    cells = page.locator("section > .scroll > .points td:not(:empty)")
    assert cells.count() > 20
    for cell in cells.all()[:20]:
        box = cell.bounding_box()
        assert box is not None
        assert box["x"] >= 0
        assert box["x"] + box["width"] <= PHONE["width"]
        assert cell.get_attribute("data-head")
