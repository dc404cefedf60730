"""A photographed row of samples in a real browser: read, corrected by finger, kept."""

from __future__ import annotations

from itertools import pairwise

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, expect

from jobkit import Bay, add_events, start_job
from photographs.plain import plain_row
from serverkit import PHONE, Contexts, Server

ROW = {"name": "row.png", "mimeType": "image/png", "buffer": plain_row([1.0, 0.55, 0.31, 0.0])}


def begin(server: Server, page: Page) -> str:
    job = start_job(server.address)
    add_events(server.address, job, *(("sampled", {"vial": f"S{n}", "cycle": n}) for n in (1, 2)))
    page.goto(f"{server.address}/jobs/{job}/samples")
    page.get_by_label("Photograph", exact=True).set_input_files(ROW)
    page.get_by_label("at the left").check()
    return job


def violations(page: Page) -> list[str]:
    found = Axe().run(page, options={"resultTypes": ["violations"]})
    return [f"{v['id']}: {v['nodes'][0]['html'][:120]}" for v in found.response["violations"]]


def test_a_row_is_read_moved_read_again_and_kept(
    working: Server, browser_context: Contexts
) -> None:
    page = browser_context(PHONE).new_page()
    job = begin(working, page)
    assert violations(page) == []
    page.get_by_role("button", name="Read the row").click()
    expect(page.locator("svg#row polygon")).to_have_count(4)
    assert violations(page) == []
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    handle = page.get_by_role("button", name="Vial 2, top left: move with the arrow keys")
    box = handle.bounding_box()
    assert box is not None
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    before = page.locator('[data-vial="2"] polygon').get_attribute("points")
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + 3, y + 8, steps=3)
    page.mouse.up()
    expect(page.get_by_text("The outlines were moved: read again.")).to_be_visible()
    expect(page.get_by_role("button", name="Keep with the job")).to_be_disabled()
    assert page.locator('[data-vial="2"] polygon').get_attribute("points") != before
    handle.press("ArrowDown")
    page.get_by_role("button", name="Read again").click()
    expect(page.get_by_role("button", name="Keep with the job")).to_be_enabled()
    assert page.locator('[data-vial="2"] polygon').get_attribute("points") != before
    page.get_by_role("button", name="Keep with the job").click()
    expect(page).to_have_url(f"{working.address}/jobs/{job}#photographs")
    expect(page.get_by_text("sample S1 after cycle 1, 5").first).to_be_visible()
    page.goto(f"{working.address}/jobs/{job}/record")
    drawn = page.locator(".pictures img[src$='.svg']")
    drawn.scroll_into_view_if_needed()
    assert drawn.evaluate("async img => { await img.decode(); return img.naturalWidth; }") > 300
    assert violations(page) == []


def test_a_finger_beside_a_corner_takes_the_nearest(
    working: Server, browser_context: Contexts
) -> None:
    page = browser_context(PHONE).new_page()
    begin(working, page)
    page.get_by_role("button", name="Read the row").click()
    expect(page.locator("svg#row polygon")).to_have_count(4)

    def box(name: str) -> tuple[float, float, float]:
        found = page.get_by_role("button", name=f"{name}: move with the arrow keys").bounding_box()
        assert found is not None
        half = found["width"] / 2
        return found["x"] + half, found["y"] + half, half

    corners = [box(f"Vial {n}, top {side}") for n in range(1, 5) for side in ("left", "right")]
    # Drawn corners of neighbours leave each other free, however close the vials stand.
    for (x, _, r), (x_next, _, r_next) in pairwise(corners):
        assert x + r <= x_next - r_next
    outlines = [page.locator(f'[data-vial="{n}"] polygon') for n in (1, 2)]
    before = [outline.get_attribute("points") for outline in outlines]
    x, y, _ = corners[2]
    page.mouse.move(x, y - 20)  # where the finger's reach of vial 1 may lie as well
    page.mouse.down()
    page.mouse.move(x, y - 12, steps=3)
    page.mouse.up()
    after = [outline.get_attribute("points") for outline in outlines]
    assert after[0] == before[0]
    assert after[1] != before[1]


def test_without_script(working: Server, browser_context: Contexts) -> None:
    page = browser_context(PHONE, script=False).new_page()
    job = begin(working, page)
    page.get_by_role("button", name="Read the row").click()
    expect(page.locator("svg#row polygon")).to_have_count(4)
    page.get_by_role("button", name="Keep with the job").click()
    expect(page).to_have_url(f"{working.address}/jobs/{job}#photographs")


def test_an_outline_more_and_one_less(working: Server, browser_context: Contexts) -> None:
    page = browser_context(PHONE).new_page()
    begin(working, page)
    page.get_by_role("button", name="Read the row").click()
    page.get_by_role("button", name="Add an outline").click()
    expect(page.locator("svg#row polygon")).to_have_count(5)
    page.get_by_role("button", name="Take the last outline away").click()
    page.get_by_role("button", name="Take the last outline away").click()
    page.get_by_role("button", name="Read again").click()
    expect(page.locator("svg#row polygon")).to_have_count(3)


def test_the_bay_says_where_a_vial_is_from_and_what_is_left_out(
    working: Server, browser_context: Contexts
) -> None:
    job = start_job(working.address, method="drain-and-refill")
    add_events(
        working.address,
        job,
        ("drained", {"volume": 4.1e-3}),
        ("filled", {"volume": 4.1e-3, "fluid": "Cable Green 7"}),
        ("drove", {}),
        ("sampled", {"vial": "S1", "cycle": 1, "old_share": 0.05, "standard_error": 0.02}),
    )
    bay = Bay(browser_context(PHONE), working.address, job)
    bay.choose("Sample of the old fluid")
    said = bay.page.locator(".leftout")
    expect(said).to_contain_text("Sample S1 is left out: 5 % old where ")
    expect(said).to_contain_text("was expected of what stands in it.")
    why = said.get_by_text("Look whether it was taken from there")
    expect(why).to_be_hidden()
    box = bay.big.bounding_box()
    assert box is not None
    assert box["y"] + box["height"] <= PHONE["height"]
    said.locator("summary").click()
    expect(why).to_be_visible()
    bay.context.set_offline(True)
    expect(bay.page.locator("#alerts")).to_contain_text("No network: go on.")
    expect(why).to_be_visible()
    expect(said.locator("summary")).to_be_focused()
    bay.context.set_offline(False)
    bay.sent()
    expect(why).to_be_visible()
    assert violations(bay.page) == []
    assert bay.page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    again = {"vial": "S2", "cycle": 1, "old_share": 0.95, "standard_error": 0.02}
    add_events(working.address, job, ("sampled", again))
    expect(said).to_have_count(1)
    expect(said).to_contain_text("2 samples are left out of the estimate.")
    place = bay.act.get_by_label("Taken from")
    expect(place).to_have_value("out")
    place.select_option("stream")
    before = bay.mark()
    bay.big.click()
    bay.moved(before)
    bay.sent()
    bay.more("Log")
    said_so = "sample 0 of the fluid before, from the end of the stream"
    expect(bay.page.get_by_role("dialog")).to_contain_text(said_so)
