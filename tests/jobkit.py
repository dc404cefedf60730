"""Leads a job at the bay screen, and answers its calls at the seat screen, as people do."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from typing import Any, Protocol

import httpx
from playwright.sync_api import BrowserContext, Locator, Page, expect

PHONE = {"width": 390, "height": 844}
SIDEWAYS = {"width": 844, "height": 390}
TABLET = {"width": 768, "height": 1024}
LAPTOP = {"width": 1440, "height": 900}
SIZES = (PHONE, SIDEWAYS, TABLET, LAPTOP)

Contexts = Callable[..., BrowserContext]


class Server(Protocol):
    """A server in a process of its own."""

    @property
    def address(self) -> str: ...

    def start(self) -> None: ...

    def kill(self) -> None: ...


def start_job(
    address: str, machine: str = "Van 1", system: str = "gearbox", method: str = "line-discharge"
) -> str:
    """Open a job and return its id."""
    answer = httpx.post(
        f"{address}/api/jobs",
        json={
            "machine": machine,
            "system": system,
            "method": method,
            "second": "each test leads a job of its own",
        },
        timeout=60,
    )
    assert answer.status_code == 201, answer.text
    return str(answer.json()["id"])


def add_events(address: str, job: str, *events: tuple[str, dict[str, Any]]) -> None:
    """Make entries as another device would."""
    answer = httpx.post(
        f"{address}/api/jobs/{job}/events",
        json={"events": [{"kind": kind, "body": body} for kind, body in events]},
        timeout=60,
    )
    assert answer.status_code == 200, answer.text


def done_before(address: str, job: str, step: str) -> None:
    """Tick all steps before one, as if they had needed no numbers."""
    told = httpx.get(f"{address}/api/jobs/{job}/steps", timeout=60).json()
    ids = [each["id"] for each in told["steps"]]
    add_events(address, job, *(("did", {"step": id}) for id in ids[: ids.index(step)]))


def press(button: Locator) -> None:
    """Press a button by the keyboard, which need not wait as a second tap has to."""
    button.press("Enter")


def second_tap(button: Locator, shows: str) -> str:
    """Press a button twice, and say what a third tap would press once ``shows`` has changed.

    All in one task of the page, so that no slow machine gives the hand more time.
    """
    pressed: str = button.evaluate(
        """async (it, watched) => {
          const { x, y, width, height } = it.getBoundingClientRect();
          const shown = () => document.querySelector(watched).innerText;
          const before = shown();
          it.click();
          it.click();
          await new Promise((go) => {
            const look = () => (shown() === before ? setTimeout(look) : go());
            look();
          });
          const under = document.elementFromPoint(x + width / 2, y + height / 2);
          return under?.closest('button, a')?.innerText ?? '';
        }""",
        shows,
    )
    return pressed


def kept_page(page: Page) -> None:
    """Wait until the device has kept the page itself."""
    page.wait_for_function("async () => Boolean(await caches.match(location.pathname))")


class Bay:
    """The bay screen of a job on a device."""

    def __init__(self, context: BrowserContext, address: str, job: str) -> None:
        self.context, self.address, self.job = context, address, job
        self.page: Page = context.new_page()
        self.open()

    def open(self) -> None:
        self.page.goto(f"{self.address}/jobs/{self.job}/bay")
        expect(self.page.locator("#title")).to_be_visible()

    @property
    def title(self) -> str:
        return self.page.locator("#title").inner_text()

    @property
    def act(self) -> Locator:
        return self.page.locator("#act")

    @property
    def big(self) -> Locator:
        return self.act.locator("button.big:not(.quiet)")

    def cell(self, name: str) -> str:
        cell = self.page.locator("#balance .cell", has=self.page.locator("dt", has_text=name))
        return cell.locator("b").inner_text()

    def is_at(self, title: str) -> None:
        expect(self.page.locator("#title")).to_have_text(title)

    def done(self) -> None:
        """Press the big button, and wait until the step is another one."""
        before = self.mark()
        press(self.big)
        self.moved(before)

    def mark(self) -> str:
        # By the text, not by what is seen: a phone hides the number while the engine runs.
        return (self.page.locator(".kicker").text_content() or "") + self.title

    def moved(self, before: str) -> None:
        self.page.wait_for_function(
            """(before) => {
              const title = document.querySelector('#title');
              const kicker = document.querySelector('.kicker');
              return title && (kicker?.textContent ?? '') + title.innerText !== before;
            }""",
            arg=before,
        )

    def type(self, digits: str) -> None:
        """Type a number on the pad."""
        for digit in digits:
            name = "Decimal sign" if digit in ".," else digit
            press(self.act.get_by_role("button", name=name, exact=True))

    def enter(self, digits: str) -> None:
        """Type a number and enter it."""
        self.type(digits)
        self.done()

    def more(self, *path: str) -> None:
        """Open the sheet More, and go on from there."""
        press(self.page.get_by_role("button", name="More", exact=True))
        for name in path:
            press(self.page.get_by_role("dialog").get_by_role("button", name=name, exact=True))

    def choose(self, title: str, which: int = 0) -> None:
        """Go to a step by the list of all steps; -1 for the last of that title."""
        self.more("All steps")
        named = self.page.get_by_role("dialog").get_by_role("button", name=title, exact=True)
        press(named.nth(which))
        self.is_at(title)

    def sent(self) -> None:
        """Wait until nothing is left to send."""
        expect(self.page.locator("#link")).to_have_text("Live", timeout=20_000)

    def lead(self, until: str, *, volumes: Iterable[str] = (), seat: Seat | None = None) -> None:
        """Do one step after another until one of that title is on.

        What was measured is taken from ``volumes``, and where these end the amount that
        the screen offers.
        """
        amounts = iter(volumes)
        for _ in range(200):
            title = self.title
            if title == until:
                return
            self.one(title, amounts, seat)
        raise AssertionError(f"never came to {until}")

    def one(self, title: str, amounts: Any, seat: Seat | None) -> None:
        """Do the step that is on."""
        if self.page.locator("#n-volume").count():
            amount = next(amounts, None)
            offered = self.act.locator("button.quiet", has_text=re.compile(r"^\d.* L$"))
            if amount is not None:
                self.type(amount)
            elif offered.count():
                press(offered)
            else:
                before = self.mark()
                press(self.act.get_by_role("button", name=re.compile("None|Skip")).first)
                self.moved(before)
                return
            self.done()
        elif self.page.locator("#n-torque").count():
            self.act.get_by_label("New seal").check()
            press(self.act.locator("button.quiet", has_text="N·m"))
            self.done()
        elif self.page.locator("#n-value").count():
            self.enter("41")
        elif self.page.locator("#n-odometer").count():
            before = self.mark()
            press(self.act.get_by_role("button", name="Skip"))
            self.moved(before)
        elif seat is not None and self.big.filter(has_text="Call").count():
            before = self.mark()
            press(self.big)
            seat.answer()
            if title == "Work it through":
                press(self.act.get_by_role("button", name="Enter it"))
            self.moved(before)
        else:
            self.done()


class Seat:
    """The seat screen of a job on a device."""

    def __init__(self, context: BrowserContext, address: str, job: str) -> None:
        self.context = context
        self.page: Page = context.new_page()
        self.page.goto(f"{address}/jobs/{job}/seat")
        self.page.get_by_role("button", name="I sit in the seat").click()
        self.says("Engine off")

    def says(self, words: str) -> None:
        expect(self.page.locator("#call h1")).to_contain_text(words)

    def answer(self) -> None:
        """Wait for a call and answer it."""
        expect(self.page.locator("#seat")).to_have_attribute("data-scene", "call")
        press(self.page.locator("#answer button").first)
        expect(self.page.locator("#seat")).not_to_have_attribute("data-scene", "call")


def kinds(address: str, job: str) -> list[str]:
    """What each entry of a job's log is, with its step."""
    answer = httpx.get(f"{address}/api/jobs/{job}/events", timeout=60)
    return [
        f"{event['kind']} {event['body'].get('step', '')}".strip()
        for event in answer.json()["events"]
    ]


def verified(address: str, job: str) -> dict[str, Any]:
    """What the server's own check of a log says."""
    found: dict[str, Any] = httpx.get(f"{address}/api/jobs/{job}/verify", timeout=60).json()
    return found
