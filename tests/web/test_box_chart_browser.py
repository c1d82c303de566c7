"""The charts of a box in a real browser: fingers, keys, views, marks, new numbers, dark, narrow, printed."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from browsing import violations
from chart_on_page import BOX, serving_charts
from playwright.sync_api import Browser, BrowserContext, Page, Route, expect

pytestmark = pytest.mark.browser

READOUT = "#humidity-readout"
CHART = "#humidity-chart"


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    with serving_charts(tmp_path_factory.mktemp("shelf")) as address:
        yield f"{address}/box/{BOX}"


@pytest.fixture(scope="module")
def at_a_desk(browser: Browser) -> Iterator[Page]:
    context = browser.new_context(
        viewport={"width": 1280, "height": 900}, accept_downloads=True, service_workers="block"
    )  # what is kept for offline would answer in a later test
    yield context.new_page()
    context.close()


@pytest.fixture
def page(at_a_desk: Page, address: str) -> Page:
    """Open the page anew; what one chose on it is kept nowhere."""
    at_a_desk.unroute_all()
    at_a_desk.emulate_media(media="screen", color_scheme="light")
    return shown_on(at_a_desk, address)


def opened(context: BrowserContext, address: str) -> Page:
    return shown_on(context.new_page(), address)


def shown_on(page: Page, address: str) -> Page:
    page.goto(address)
    page.wait_for_selector(f"{CHART} canvas")
    return page


def press(page: Page, *keys: str) -> str:
    page.focus(CHART)
    for key in keys:
        page.keyboard.press(key)
    return page.inner_text(READOUT)


def chosen(page: Page, which: str) -> None:
    page.click(f"[{which}]")
    expect(page.locator(f"[{which}]")).to_have_attribute("aria-pressed", "true")


def test_keys_go_to_the_ends_by_weeks_and_by_steps(page: Page) -> None:
    assert press(page, "Home").startswith("3 Jan")  # 60 days before the fourth of March
    assert press(page, "PageDown").startswith("10 Jan")
    assert press(page, "PageUp").startswith("3 Jan")
    last = press(page, "End")
    assert "expected" in last
    assert "1 in 2" in last
    assert press(page, "ArrowLeft") != last
    expect(page.locator("#humidity-said")).to_contain_text("expected")


def test_walking_is_spoken_once_it_rests(page: Page) -> None:
    page.evaluate(
        "window.spoken = []; new MutationObserver(() => window.spoken.push(1))"
        ".observe(document.getElementById('humidity-said'), { childList: true })"
    )
    press(page, *["ArrowLeft"] * 12)
    expect(page.locator("#humidity-said")).not_to_be_empty()
    assert len(page.evaluate("window.spoken")) <= 3
    assert page.get_attribute("#humidity-said", "aria-live") == "polite"
    assert page.get_attribute(READOUT, "aria-live") is None


def test_views_bring_their_own_numbers(page: Page) -> None:
    humidity = press(page, "Home")
    assert "\N{NARROW NO-BREAK SPACE}%, " in humidity
    chosen(page, "data-view=vapor")
    assert page.is_visible("[data-about=vapor]")
    assert " kPa, " in press(page, "Home")
    chosen(page, "data-view=absolute")
    assert " g/m³, " in press(page, "Home")
    assert page.get_attribute("#take-drawing", "href") == f"/box/{BOX}/humidity.svg?view=absolute&days=90"
    chosen(page, "data-view=humidity")
    assert press(page, "Home") == humidity


def test_the_room_is_laid_over_where_it_is_asked_for(page: Page) -> None:
    assert not page.is_visible(".of-room")
    chosen(page, "data-room")
    assert "room " in press(page, "Home")
    assert page.is_visible(".of-room")


def test_a_choice_is_shown_with_its_numbers_also_where_the_page_renews_meanwhile(page: Page) -> None:
    asked: list[Route] = []

    def hold(route: Route) -> None:
        asked.append(route)

    page.route("**/*room=1*", hold)
    with page.expect_request("**/*room=1*"):
        page.click("[data-room]")
    page.evaluate("() => document.dispatchEvent(new Event('siccast:shown'))")
    expect(page.locator("[data-room]")).to_have_attribute("aria-pressed", "false")
    asked[0].continue_()
    expect(page.locator("[data-room]")).to_have_attribute("aria-pressed", "true")
    assert "room " in press(page, "Home")


def test_a_marked_reading_says_why(page: Page) -> None:
    chosen(page, "data-days='30'")
    press(page, "End", *["PageUp"] * 5)  # from 3 April to the morning of 26 February
    heard = [press(page, "Shift+ArrowRight") for _ in range(4)]
    marked = "26 Feb, 13:20: 62.0\N{NARROW NO-BREAK SPACE}%, marked: it jumped away and back within hours"
    assert any(words.startswith(marked) for words in heard), heard


def test_an_entry_is_said_where_one_walks_past(page: Page) -> None:
    chosen(page, "data-days='30'")
    heard = [press(page, "Home", "PageDown", "PageDown"), *(press(page, "ArrowRight") for _ in range(30))]
    assert any("spool swapped: black reel in" in words for words in heard)
    assert any("color seen: orange" in words for words in heard)


def test_a_finger_reads_the_chart_and_the_page_still_scrolls(browser: Browser, address: str) -> None:
    context = browser.new_context(viewport={"width": 390, "height": 844}, has_touch=True, is_mobile=True)
    page = opened(context, address)
    page.locator(CHART).scroll_into_view_if_needed()
    readout, before = page.locator(READOUT), page.inner_text(READOUT)
    box = page.locator(f"{CHART} .u-over").bounding_box()
    assert box is not None
    devtools = context.new_cdp_session(page)

    def touch(kind: str, *at: float) -> None:
        points = [{"x": at[0], "y": at[1]}] if at else []
        devtools.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

    y = box["y"] + box["height"] / 2
    touch("touchStart", box["x"] + 40, y)
    expect(readout).not_to_have_text(before)
    first = page.inner_text(READOUT)
    for step in range(1, 8):
        touch("touchMove", box["x"] + 40 + 25 * step, y)
    expect(readout).not_to_have_text(first)
    touch("touchEnd")
    scrolled = page.evaluate("scrollY")
    touch("touchStart", box["x"] + 60, y)
    for step in range(1, 9):
        touch("touchMove", box["x"] + 60, y - 25 * step)
    touch("touchEnd")
    assert page.evaluate(
        "new Promise((done) => { const look = () => "
        f"scrollY === {scrolled} ? requestAnimationFrame(look) : done(true); look(); }})"
    )
    context.close()


def test_new_numbers_are_drawn_and_the_choice_stays(page: Page) -> None:
    chosen(page, "data-days='30'")
    page.evaluate(
        """() => { const held = document.getElementById("chart-numbers");
        const numbers = JSON.parse(held.textContent);
        numbers.values = numbers.values.map((_, i) => (i ? 0 : 77)); // tenths, each less the one before
        held.textContent = JSON.stringify(numbers);
        document.dispatchEvent(new Event("siccast:shown")); }"""
    )
    press(page, "Home")
    expect(page.locator(READOUT)).to_contain_text(": 7.7 %")
    assert page.get_attribute("[data-days='30']", "aria-pressed") == "true"


def test_a_renewal_leaves_charts_and_buttons_as_they_are(page: Page) -> None:
    chosen(page, "data-room")
    page.evaluate(
        "new Promise((shown) => { document.addEventListener('siccast:shown', shown, { once: true });"
        "document.dispatchEvent(new Event('siccast:renew')); })"
    )
    assert page.is_visible(f"{CHART} canvas")
    assert page.is_visible("[data-take]")
    assert page.is_visible(".of-room")


def test_numbers_that_do_not_come_are_said_and_the_chart_stays(page: Page) -> None:
    page.route("**/numbers?*", lambda route: route.abort())
    page.click("[data-view=vapor]")
    expect(page.locator(READOUT)).to_contain_text("could not be loaded")
    assert page.get_attribute("[data-view=humidity]", "aria-pressed") == "true"
    assert page.is_visible(f"{CHART} canvas")


@pytest.mark.parametrize("which", ["humidity", "leak"])
def test_a_picture_is_saved(page: Page, which: str) -> None:
    with page.expect_download() as waiting:
        page.click(f"[data-take*='{which}.svg']")
    assert waiting.value.suggested_filename == f"{BOX}-{which}.png"
    data = waiting.value.path().read_bytes()
    assert data.startswith(b"\x89PNG")
    assert int.from_bytes(data[16:20]) >= 960  # PNG, section 11.2.2: the width


def test_in_print_a_drawing_stands_for_the_canvas(page: Page) -> None:
    chosen(page, "data-view=vapor")
    page.emulate_media(media="print", color_scheme="dark")
    assert not page.is_visible(f"{CHART} canvas")
    assert page.is_visible("#print-picture")
    assert "view=vapor" in (page.get_attribute("#print-picture", "src") or "")
    assert page.evaluate("document.getElementById('print-picture').decode().then(() => true)")
    assert page.is_visible(".leak-line")
    assert not page.is_visible(".takes")


def test_without_scripts_there_is_a_drawing_and_no_dead_button(browser: Browser, address: str) -> None:
    context = browser.new_context(viewport={"width": 390, "height": 844}, java_script_enabled=False)
    page = context.new_page()
    page.goto(address)
    picture = page.locator("noscript img, img.picture:not(.for-print)").first
    assert picture.is_visible()
    assert page.locator(".leak-line").is_visible()
    for dead in (".spans button", "[data-take]", CHART):
        assert not page.locator(dead).first.is_visible(), dead
    assert page.locator("a[href$='readings.csv']").is_visible()
    context.close()


@pytest.mark.parametrize(("width", "zoom", "scheme"), [(320, 1, "light"), (640, 2, "dark")], ids=["narrow", "zoomed"])
def test_narrow_and_zoomed_nothing_is_cut(browser: Browser, address: str, width: int, zoom: int, scheme: Any) -> None:
    context = browser.new_context(
        viewport={"width": width // zoom, "height": 600}, device_scale_factor=zoom, color_scheme=scheme
    )
    said: list[str] = []
    page = context.new_page()
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.goto(address)
    chosen(page, "data-view=vapor")
    assert said == []
    assert page.evaluate("document.documentElement.scrollWidth") <= width // zoom
    plot = page.locator(f"{CHART} .u-over").bounding_box()
    assert plot is not None
    assert plot["width"] > 0.6 * width // zoom  # the axes leave room for what they are of
    small = page.evaluate(
        "[...document.querySelectorAll('.spans button, .takes a, .takes button')].filter((e) => e.checkVisibility() && "
        "e.getBoundingClientRect().height < 44).map((e) => e.textContent)"
    )
    assert small == []
    context.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_nothing_stands_in_anyones_way(browser: Browser, address: str, scheme: Any) -> None:
    context = browser.new_context(viewport={"width": 390, "height": 844}, color_scheme=scheme)
    page = opened(context, address)
    page.evaluate("document.querySelectorAll('details').forEach((part) => { part.open = true; })")
    assert violations(page) == []
    context.close()
