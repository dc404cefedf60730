"""Whether a page is open to everyone: axe-core, sizes of targets, shifts of the layout."""

from __future__ import annotations

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page

COLOURS = {"runOnly": ["color-contrast", "link-in-text-block"], "resultTypes": ["violations"]}

SMALL = """() => [...document.querySelectorAll(
  'button, .button, nav a, input:not([type=hidden], [type=checkbox], [type=radio]), select, summary'
)].filter(e => e.offsetParent && e.getBoundingClientRect().height < 47.5)
  .map(e => e.outerHTML.slice(0, 90))"""

SIDEWAYS = "document.documentElement.scrollWidth - innerWidth"
"""How many pixels of a page lie beside the screen."""

SHIFT = """() => new Promise(resolve => {
  let sum = 0;
  new PerformanceObserver(list => {
    for (const entry of list.getEntries()) if (!entry.hadRecentInput) sum += entry.value;
  }).observe({type: 'layout-shift', buffered: true});
  setTimeout(() => resolve(sum), 150);
})"""


def told(page: Page, options: dict[str, object] | None = None) -> list[str]:
    """What axe-core finds fault with."""
    results = Axe().run(page, options=options or {"resultTypes": ["violations"]})
    return [
        f"{v['id']}: {v['help']} {[n['html'][:120] for n in v['nodes'][:3]]}"
        for v in results.response["violations"]
    ]
