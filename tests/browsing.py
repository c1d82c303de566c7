"""A real browser for tests of pages: Debian's Chromium, asked by Playwright; and what axe says of a page."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager

from axe_playwright_python.sync_playwright import Axe
from conftest import require_program
from playwright.sync_api import Browser, Page, expect, sync_playwright

FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
PHONE, DESK = (390, 844), (1280, 800)
"""Pixels across and down: a usual phone and a small laptop (a judgement)."""
AWAITED_MS = 60_000
"""So long a page may take to be as expected: on a busy machine an answer takes seconds, and none of that is a fault."""


# What is touched reaches 44 pixels down, be it by an invisible edge; links within a sentence are as high as its lines
# (WCAG 2.2, success criterion 2.5.5).
_SMALL = """() => [...document.querySelectorAll('button, select, input:not([type=hidden]), textarea, summary, a[href]')]
  .filter((e) => e.tagName !== 'A' || e.matches('.button, .own-screen a')
    || !e.matches('.skip, p a, li :not(h3) > a, li > a, label a'))
  .filter((e) => e.checkVisibility() && !e.closest('.hidden') && e.getBoundingClientRect().height > 1)
  .filter((e) => {
    e.scrollIntoView({ block: 'center', behavior: 'instant' });
    const area = e.getBoundingClientRect();
    const [x, y] = [area.left + Math.min(area.width / 2, 30), area.top + area.height / 2];
    const own = e.closest('label') ?? e;
    return ![y - 21, y + 21].every((at) => own.contains(document.elementFromPoint(x, at)));
  })
  .map((e) => `${e.tagName} ${e.className}: ${e.textContent.trim().slice(0, 30)}`)"""


@contextmanager
def chromium() -> Iterator[Browser]:
    """Run the browser."""
    program = require_program("chromium")
    expect.set_options(timeout=AWAITED_MS)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=program, args=FLAGS)
        yield browser
        browser.close()


@contextmanager
def opened(
    browser: Browser, address: str, size: tuple[int, int] = PHONE, scheme: str = "light", *, scripts: bool = True
) -> Iterator[Page]:
    """Open a page in a context of its own."""
    context = browser.new_context(
        viewport={"width": size[0], "height": size[1]},
        color_scheme="dark" if scheme == "dark" else "light",
        java_script_enabled=scripts,
        has_touch=size == PHONE,
    )
    page = context.new_page()
    page.goto(address, wait_until="load")
    yield page
    context.close()


class Looks:
    """One page of a browser for all that is only looked at: a page of its own takes as long as what is asked of it.

    What a browser can't change later, touch and scripts, has a page for each; of what was shown before nothing is kept.
    """

    def __init__(self, browser: Browser, closed_at_the_end: ExitStack) -> None:
        self._browser, self._closed = browser, closed_at_the_end
        self._pages: dict[tuple[bool, bool], Page] = {}

    def at(self, address: str, size: tuple[int, int] = PHONE, scheme: str = "light", *, scripts: bool = True) -> Page:
        """Open an address as `opened` does."""
        kind = (size == PHONE, scripts)
        if kind not in self._pages:
            self._pages[kind] = self._closed.enter_context(opened(self._browser, "about:blank", size, scripts=scripts))
        page = self._pages[kind]
        page.context.clear_cookies()
        page.set_viewport_size({"width": size[0], "height": size[1]})
        page.emulate_media(media="screen", color_scheme="dark" if scheme == "dark" else "light")
        page.goto(address, wait_until="load")
        return page


def violations(page: Page) -> list[str]:
    """Return what axe holds against a page: the rule and the element, one line each."""
    found = Axe().run(page).response["violations"]
    return [f"{rule['id']}: {node['target']}" for rule in found for node in rule["nodes"]]


def beyond_the_right_edge(page: Page) -> int:
    """Return by how many pixels a page scrolls sideways."""
    return int(page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth"))


def too_small_to_touch(page: Page) -> list[str]:
    """Return what a finger would miss: buttons, fields, and links that stand by themselves."""
    return list(page.evaluate(_SMALL))
