"""What holds of every page: for axe, at 320 pixels, for a thumb, without scripts, and in print."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from browsing import DESK, PHONE, Looks, beyond_the_right_edge, opened, too_small_to_touch, violations
from playwright.sync_api import Browser
from shelf_on_page import keeper_by_hand, make_shelf, serving

pytestmark = pytest.mark.browser

PAGES = (
    "/",
    "/?view=rows",
    "/box/soon",
    "/box/young",
    "/box/soon?size-months=4",
    "/plan",
    "/desk",
    "/house",
    "/house/labels",
    "/help",
    "/look",
    "/nowhere",
)
A4 = (718, 1047)
"""CSS pixels of 190 by 277 mm: A4 less a centimeter on each side (ISO 216; CSS Values 3: 96 pixels an inch)."""

# Buttons that only a script would answer; one that opens a popover, or sends a form, works by itself.
DEAD = """() => [...document.querySelectorAll('button, [role=button], [tabindex="0"][role=application]')]
  .filter((e) => e.checkVisibility() && !e.hasAttribute('popovertarget') && !(e.type === 'submit' && e.form))
  .map((e) => e.outerHTML.slice(0, 80))"""
# Lines that moved while a page was loading: the sum of the browser's own scores (Layout Instability, W3C draft).
MOVED = """() => new Promise((done) => {
  let sum = 0;
  const seen = new PerformanceObserver((list) => { for (const one of list.getEntries()) sum += one.value; });
  seen.observe({ type: 'layout-shift', buffered: true });
  requestAnimationFrame(() => setTimeout(() => done(sum)));
})"""
# What can be worked, by what tells it apart; of the choices of one field the Tab key stops at one. A page that is live
# may put a new element in the place of one.
CONTROLS = """() => {
  window.told = (e) => {
    const form = [...document.forms].indexOf(e.closest('form'));
    if (e.type === 'radio') return `${form} ${e.name}`;
    return [form, e.tagName, e.id, e.name, e.value, e.getAttribute('href'), e.getAttribute('aria-label')].join(' ');
  };
  const all = 'a[href], button, select, textarea, summary, input:not([type=hidden]), [tabindex="0"]';
  return [...document.querySelectorAll(all)]
    .filter((e) => e.checkVisibility({ visibilityProperty: true }) && !e.disabled && e.tabIndex >= 0)
    .map(window.told);
}"""
STOP = "window.told(document.activeElement)"
ONLY_TOUCHED = """() => [...document.querySelectorAll('body *')]
  .filter((e) => e.checkVisibility() && getComputedStyle(e).cursor === 'pointer')
  .filter((e) => !e.closest('a[href], button, select, input, textarea, summary, label, [tabindex="0"]'))
  .map((e) => e.outerHTML.slice(0, 80))"""
GROUND = "getComputedStyle(document.body).backgroundColor.match(/\\d+/g).slice(0, 3).map(Number)"


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    shelf = make_shelf(tmp_path_factory.mktemp("shelf"))
    with serving(shelf, keeper_by_hand(shelf)) as address:
        yield address


@pytest.mark.parametrize(("place", "path"), tuple(enumerate(PAGES)))
def test_axe_finds_nothing_with_all_parts_open(looks: Looks, address: str, place: int, path: str) -> None:
    """On a phone in the dark and on a desk in the light, in turn; states of a page have tests of their own."""
    size, scheme = ((PHONE, "dark"), (DESK, "light"))[place % 2]
    page = looks.at(address + path, size, scheme)
    page.evaluate("document.querySelectorAll('details').forEach((part) => { part.open = true; })")
    assert violations(page) == []
    assert beyond_the_right_edge(page) <= 0


@pytest.mark.parametrize("path", PAGES)
def test_at_320_pixels_nothing_sticks_out_and_a_thumb_hits(looks: Looks, address: str, path: str) -> None:
    page = looks.at(address + path, (320, 640))
    assert beyond_the_right_edge(page) <= 0
    assert too_small_to_touch(page) == []


@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
def test_no_line_moves_while_a_page_loads(browser: Browser, address: str, size: tuple[int, int]) -> None:
    with opened(browser, "about:blank", size) as page:
        for path in PAGES:
            page.goto(address + path, wait_until="networkidle")
            assert page.evaluate(MOVED) < 0.01, path  # judgement: a tenth of what is called good


@pytest.mark.parametrize("path", PAGES)
def test_without_scripts_nothing_is_dead(looks: Looks, address: str, path: str) -> None:
    page = looks.at(address + path, PHONE, scripts=False)
    assert page.locator("h1").first.is_visible()
    assert page.evaluate(DEAD) == []


@pytest.mark.parametrize("path", [path for path in PAGES if path not in {"/look", "/box/soon?size-months=4"}])
def test_the_tab_key_reaches_whatever_can_be_done(looks: Looks, address: str, path: str) -> None:
    """What it reaches are links and controls of the browser's own, which Enter, Space and arrows work."""
    page = looks.at(address + path)
    page.evaluate("document.querySelectorAll('details').forEach((e) => { e.open = true; })")
    assert page.evaluate(ONLY_TOUCHED) == [], "a pointer alone works these"
    left = set(page.evaluate(CONTROLS))
    assert left
    for _ in range(2 * len(left)):
        page.keyboard.press("Tab")
        left.discard(page.evaluate(STOP))
        if not left:
            break
    assert not left


@pytest.mark.parametrize("path", PAGES)
def test_print_is_light_and_whole(looks: Looks, address: str, path: str) -> None:
    page = looks.at(address + path, A4, "dark")
    page.emulate_media(media="print", color_scheme="dark")
    assert min(page.evaluate(GROUND)) > 230  # of 255, sRGB; judgement: paper
    assert beyond_the_right_edge(page) <= 0


def test_a_table_that_is_wider_than_its_place_shows_it_and_is_moved_by_keys(browser: Browser, address: str) -> None:
    with opened(browser, f"{address}/box/soon", (320, 640)) as page:
        page.evaluate("document.querySelectorAll('details').forEach((part) => { part.open = true; })")
        wide = "[...document.querySelectorAll('.scroll')].filter((e) => e.scrollWidth > e.clientWidth + 1)"
        assert page.evaluate(f"{wide}.length") > 0
        assert page.evaluate(f"{wide}.every((e) => e.tabIndex === 0 && e.getAttribute('aria-label'))")
        shades = page.evaluate(f"{wide}.map((e) => getComputedStyle(e).backgroundAttachment)")
        assert set(shades) == {"local, local, scroll, scroll"}
        page.evaluate(f"{wide}[0].focus()")
        page.keyboard.press("ArrowRight")
        page.wait_for_function(f"() => {wide}[0].scrollLeft > 0")
