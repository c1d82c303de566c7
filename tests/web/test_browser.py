"""Both pages in a real browser: nothing breaks or leaves the machine, the keyboard is enough, text is readable."""

from __future__ import annotations

from collections.abc import Iterator
from urllib.parse import quote

import pytest
from browsing import DESK, opened
from playwright.sync_api import Browser, Page
from shelf_on_page import HOSTILE, keeper_by_hand, make_shelf, serving

pytestmark = pytest.mark.browser

WIDTHS = {"phone": (390, 844), "desk": (1280, 800)}
PATHS = ("/", "/box/soon", "/box/young", f"/box/{quote(HOSTILE)}")

# WCAG 2.2, success criterion 1.4.3 and its definitions of relative luminance and contrast ratio
CONTRASTS = """() => {
  const rgb = (text) => text.match(/[\\d.]+/g).map(Number);
  const luminance = ([r, g, b]) => {
    const line = (v) => (v /= 255) <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4;
    return 0.2126 * line(r) + 0.7152 * line(g) + 0.0722 * line(b);
  };
  const ground = (element) => {
    for (let e = element; e; e = e.parentElement) {
      const color = rgb(getComputedStyle(e).backgroundColor);
      if (color.length === 3 || color[3] > 0) return color;
    }
    return [255, 255, 255];
  };
  const poor = [];
  for (const e of document.querySelectorAll('h1,h2,h3,p,dt,dd,a,span,b,li,button,summary,time,th,td,code')) {
    if (!e.checkVisibility() || ![...e.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim())) continue;
    const [high, low] = [luminance(rgb(getComputedStyle(e).color)), luminance(ground(e))].sort((a, b) => b - a);
    const ratio = (high + 0.05) / (low + 0.05);
    if (ratio < 4.5) poor.push(`${e.textContent.trim().slice(0, 30)}: ${ratio.toFixed(2)}`);
  }
  return poor;
}"""


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    shelf = make_shelf(tmp_path_factory.mktemp("shelf"))
    with serving(shelf, keeper_by_hand(shelf)) as address:
        yield address


@pytest.fixture(params=[(width, scheme) for width in WIDTHS for scheme in ("light", "dark")], ids="-".join)
def page(request: pytest.FixtureRequest, browser: Browser) -> Iterator[Page]:
    width, scheme = request.param
    wide, high = WIDTHS[width]
    context = browser.new_context(viewport={"width": wide, "height": high}, color_scheme=scheme)
    yield context.new_page()
    context.close()


@pytest.fixture
def desk(browser: Browser) -> Iterator[Page]:
    context = browser.new_context(viewport={"width": 1280, "height": 800})
    yield context.new_page()
    context.close()


def test_pages_open_without_a_complaint_and_ask_nobody_else(page: Page, address: str) -> None:
    said: list[str] = []
    asked: list[str] = []
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on("request", lambda request: asked.append(request.url))
    for path in PATHS:
        page.goto(address + path, wait_until="networkidle")
        beyond = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
        assert beyond <= 0, f"{path} scrolls sideways by {beyond} px"
    assert said == []
    assert asked
    assert [url for url in asked if not url.startswith((address, "data:"))] == []


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_text_is_readable_in_both_schemes(browser: Browser, address: str, scheme: str) -> None:
    with opened(browser, address, DESK, scheme) as page:
        for path in PATHS:
            page.goto(address + path)
            assert page.evaluate(CONTRASTS) == []


def test_the_keyboard_is_enough(desk: Page, address: str) -> None:
    desk.goto(address, wait_until="networkidle")
    desk.keyboard.press("Tab")
    assert desk.evaluate("document.activeElement.className") == "skip"
    seen = []
    for _ in range(40):
        desk.keyboard.press("Tab")
        outline = desk.evaluate(
            "(e => [getComputedStyle(e).outlineStyle, parseFloat(getComputedStyle(e).outlineWidth), e.textContent])"
            "(document.activeElement)"
        )
        assert outline[0] == "solid", outline
        assert outline[1] >= 2, outline
        seen.append(outline[2].strip())
        if seen[-1] == "young":
            break
    assert seen[-1] == "young", seen
    desk.keyboard.press("Enter")
    desk.wait_for_url("**/box/young")


def test_arrow_keys_walk_along_the_chart(desk: Page, address: str) -> None:
    desk.goto(f"{address}/box/soon", wait_until="networkidle")
    desk.wait_for_selector("#humidity-chart canvas")
    desk.focus("#humidity-chart")
    desk.keyboard.press("ArrowLeft")
    past = desk.inner_text("#humidity-readout")
    assert "°C" in past
    for _ in range(20):
        desk.keyboard.press("ArrowRight")
    ahead = desk.inner_text("#humidity-readout")
    assert "expected" in ahead
    desk.click("button[data-days='30']")
    assert desk.get_attribute("button[data-days='30']", "aria-pressed") == "true"


def test_something_is_drawn(desk: Page, address: str) -> None:
    desk.goto(f"{address}/box/soon", wait_until="networkidle")
    desk.wait_for_selector("#temperature-chart canvas")
    colors = desk.evaluate(
        """() => { const c = document.querySelector('#humidity-chart canvas');
        const d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data;
        const seen = new Set();
        for (let i = 0; i < d.length; i += 4) if (d[i + 3]) seen.add([d[i], d[i + 1], d[i + 2]].join());
        return seen.size; }"""
    )
    assert colors > 10


def test_states_differ_by_shape_and_word_not_by_color_alone(desk: Page, address: str) -> None:
    desk.goto(address, wait_until="networkidle")
    states = desk.eval_on_selector_all(
        ".stand .state", "list => list.map((e) => [e.innerText.trim(), e.querySelector('svg').innerHTML.trim()])"
    )
    kinds = {words.split(" by ")[0]: shape for words, shape in states}
    assert len(set(kinds.values())) >= 5, kinds


def test_what_if_needs_a_keyboard_and_no_script(browser: Browser, address: str) -> None:
    context = browser.new_context(viewport={"width": 390, "height": 844}, java_script_enabled=False)
    page = context.new_page()
    page.goto(address + "/box/soon")
    page.get_by_role("region", name="What if").get_by_label("Humidity limit, %").focus()
    page.keyboard.press("Control+A")
    page.keyboard.type("30")
    page.keyboard.press("Enter")
    page.get_by_text("With the change").wait_for()
    assert "limit=30&dry-mass=100&leak-times=1&beads=" in page.url, (
        "Enter presses none of the buttons that change a leak"
    )
    assert page.get_by_role("region", name="What if").get_by_label("Humidity limit, %").input_value() == "30"
    context.close()


def test_a_wrong_number_is_named_beside_its_field(desk: Page, address: str) -> None:
    desk.goto(address + "/box/soon?limit=120", wait_until="networkidle")
    assert (
        desk.get_by_role("region", name="What if").get_by_label("Humidity limit, %").get_attribute("aria-invalid")
        == "true"
    )
    assert "a limit is from 1 to 95\N{NARROW NO-BREAK SPACE}%" in desk.get_by_role("alert").inner_text()
    assert desk.evaluate(CONTRASTS) == []
