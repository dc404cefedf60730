"""A real server in a process of its own, and a real browser."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, BrowserContext, sync_playwright

from serverkit import PHONE, Contexts, Server
from webkit import fill_yard, tell_past

LEFT_OUT_BY_PLAYWRIGHT = (
    "AvoidUnnecessaryBeforeUnloadCheckSync",
    "DestroyProfileOnBrowserClose",
    "HttpsUpgrades",
    "HttpsFirstBalancedModeAutoEnable",
    "LensOverlay",
    "MediaRouter",
    "PaintHolding",
    "ThirdPartyStoragePartitioning",
    "OptimizationHints",
    "NetworkTimeServiceQuerying",
)
"""Named again, since Chromium goes by the last such switch alone."""
ADDRESS_BAR = ("WebUIOmniboxPopup", "WebUIOmniboxAimPopup")
"""Two pages of the browser's own, drawn for each window that nobody types an address into: a
fifth of all that the journeys cost."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    here = Path(__file__).parent
    for item in items:
        if here in item.path.parents:
            item.add_marker(pytest.mark.journey)


@pytest.fixture
def server(tmp_path: Path) -> Iterator[Server]:
    """A server for this test alone, on the demo yard."""
    made = Server(tmp_path)
    with made.store() as store:
        fill_yard(store)
    made.start()
    yield made
    made.stop()


@pytest.fixture(scope="session")
def looking(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """A server on the demo yard with its past, for tests that only look."""
    made = Server(tmp_path_factory.mktemp("looking"))
    with made.store() as store:
        fill_yard(store)
        tell_past(store)
    made.start()
    yield made
    made.stop()


@pytest.fixture(scope="session")
def working(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """A server on the demo yard for tests that each lead a job of their own."""
    made = Server(tmp_path_factory.mktemp("working"))
    with made.store() as store:
        fill_yard(store)
    made.start()
    yield made
    made.stop()


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    if chromium is None:
        pytest.fail("Chromium is not installed: run 'make system-packages'")
    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(
            executable_path=chromium,
            args=[
                "--no-sandbox",
                "--disable-gpu",
                "--disable-dev-shm-usage",
                f"--disable-features={','.join((*LEFT_OUT_BY_PLAYWRIGHT, *ADDRESS_BAR))}",
            ],
        )
        yield opened
        opened.close()


@pytest.fixture
def browser_context(browser: Browser) -> Iterator[Contexts]:
    """Make browser contexts, each a device of its own; what fails on its pages fails the test."""
    made: list[BrowserContext] = []
    wrong: list[str] = []

    def make(
        size: dict[str, int] = PHONE, *, dark: bool = False, script: bool = True, **more: Any
    ) -> BrowserContext:
        context = browser.new_context(
            viewport=size,  # type: ignore[arg-type]
            color_scheme="dark" if dark else "light",
            java_script_enabled=script,
            **{"locale": "en-GB", **more},
        )
        context.set_default_timeout(15_000)
        context.on("weberror", lambda error: wrong.append(str(error.error)))
        context.on(
            "console",
            lambda line: (
                wrong.append(line.text) if "Content Security Policy" in line.text else None
            ),
        )
        made.append(context)
        return context

    yield make
    for context in made:
        context.close()
    assert not wrong
