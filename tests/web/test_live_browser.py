"""Open pages in a real browser: renewed where they stand, plain about a lost connection, kept for offline; the wall."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path
from urllib.parse import urlsplit

import browsing
import pytest
from browsing import AWAITED_MS, DESK, violations
from living_shelf import add_elsewhere, living_shelf, siccast
from playwright.sync_api import Browser, Page, expect
from shelf_on_page import assessments, keeper_by_hand, make_shelf, serving

from monitor.settings import Shelf

pytestmark = pytest.mark.browser

SCREENS = ((1920, 1080), (1280, 800), (800, 480))


@pytest.fixture
def page(browser: Browser) -> Iterator[Page]:
    context = browser.new_context(viewport={"width": 1280, "height": 800})
    context.set_default_timeout(AWAITED_MS)
    yield context.new_page()
    context.close()


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    return living_shelf(tmp_path)


def opened(page: Page, address: str) -> None:
    """Open a page, and wait until it hears of changes."""
    with page.expect_response("**/live"):
        page.goto(address)


def test_a_reading_arrives_without_a_reload_and_leaves_focus_and_typing_alone(page: Page, shelf: Shelf) -> None:
    with serving(shelf) as address:
        opened(page, f"{address}/box/left")
        page.evaluate("window.same = true")
        page.locator("#size-limit").fill("18")
        page.locator("#size-beads").select_option(index=1)
        months = page.locator("#size-months")
        months.fill("")
        months.press_sequentially("0.")
        add_elsewhere(shelf, "left", 0.137)
        expect(page.locator(".box-lead .big")).to_have_text("13.7\u202f%")
        assert page.evaluate("window.same")
        months.press_sequentially("5")
        assert months.input_value() == "0.5"
        assert page.locator("#size-limit").input_value() == "18"
        assert page.locator("#size-beads").evaluate("e => e.selectedIndex") == 1
        siccast(shelf, "log", "note", "left", "moved to the cellar")
        page.get_by_text("moved to the cellar").wait_for()
        assert months.input_value() == "0.5"
        assert page.evaluate("document.activeElement === document.getElementById('size-months')")


def test_a_hidden_page_asks_for_nothing_and_catches_up_when_it_is_seen(page: Page, shelf: Shelf) -> None:
    hide = """hidden => {
        Object.defineProperty(document, 'hidden', {value: hidden, configurable: true});
        document.dispatchEvent(new Event('visibilitychange'));
    }"""
    asked: list[str] = []
    with serving(shelf) as address:
        opened(page, address)
        page.evaluate(hide, True)
        page.on("request", lambda request: asked.append(request.url))
        add_elsewhere(shelf, "left", 0.137)
        assert asked == []
        page.evaluate(hide, False)
        expect(page.locator("#main")).to_contain_text("13.7\u202f%")


def test_a_lost_connection_is_said_with_its_time_and_taken_back(page: Page, shelf: Shelf) -> None:
    notice = page.locator("#connection")
    with ExitStack() as stack:
        address = stack.enter_context(serving(shelf))
        opened(page, address)
        expect(notice).to_be_hidden()
        wall = page.context.new_page()
        opened(wall, f"{address}/wall")
        stack.close()
        for each in (page, wall):
            expect(each.locator("#connection")).to_be_visible()
        said = notice.inner_text()
        assert said.startswith("Not connected since ")
        assert "grayscale" in wall.locator(".tiles").evaluate("e => getComputedStyle(e).filter")
    with serving(shelf, port=urlsplit(address).port or 0):
        add_elsewhere(shelf, "left", 0.137)
        expect(notice).to_be_hidden()
        expect(page.locator("#main")).to_contain_text("13.7\u202f%")


def test_ages_tick_in_the_words_of_the_server(page: Page, shelf: Shelf) -> None:
    with serving(shelf) as address:
        page.clock.install()
        opened(page, f"{address}/box/left")
        age = page.locator(".box-lead time[data-age]")
        words = age.inner_text()
        page.clock.run_for("02:00")
        expect(age).not_to_have_text(words)
        assert age.inner_text().endswith(" minutes ago")
        page.clock.fast_forward("50:00:00")
        page.clock.run_for("00:30")
        expect(age).to_have_text("2 days ago")


def wait_until_kept(page: Page, path: str) -> None:
    """Wait until the worker has something under a path; ``wait_for_function`` would take the promise for the answer."""
    page.evaluate(
        """async (path) => {
            while (!(await caches.match(path, { ignoreSearch: true }))) await new Promise(requestAnimationFrame);
        }""",
        path,
    )


def test_pages_are_there_offline_as_they_stood_and_forms_say_that_nothing_was_saved(page: Page, shelf: Shelf) -> None:
    with ExitStack() as stack:
        address = stack.enter_context(serving(shelf))
        opened(page, address + "/")
        wait_until_kept(page, "/")
        page.goto(f"{address}/box/left")
        for path in ("/box/left", "/assets/live.js", "/assets/box.css"):
            wait_until_kept(page, path)
        stack.close()
        page.reload()
        expect(page.locator("#connection")).to_contain_text("No connection: this is how it stood at ")
        assert page.get_by_role("heading", level=1).inner_text() == "left"
        assert page.evaluate("getComputedStyle(document.querySelector('.box-lead')).display") == "grid"
        page.goto(f"{address}/box/right")
        expect(page.locator("h1")).to_have_text("siccast can't be reached, and this page was not opened here before.")
        page.goto(address + "/")
        page.evaluate("""() => {
            const form = document.createElement('form');
            form.method = 'post'; form.action = '/box/left/log';
            document.body.append(form); form.submit();
        }""")
        expect(page.locator("h1")).to_contain_text("Nothing was saved")
    with serving(shelf, port=urlsplit(address).port or 0):
        page.goto(f"{address}/box/left")
        page.wait_for_function("() => !document.documentElement.dataset.keptAt")
        expect(page.locator("#connection")).to_be_hidden()


def test_no_more_than_thirty_pages_are_kept_and_none_of_what_is_not_a_page(page: Page, shelf: Shelf) -> None:
    names = "() => caches.open('siccast-pages').then(c => c.keys()).then(k => k.map(r => r.url))"
    with serving(shelf) as address:
        opened(page, address + "/")
        page.evaluate("navigator.serviceWorker.ready")
        page.reload()
        page.evaluate("""async () => {
            for (let n = 0; n < 33; n++) await (await fetch('/?n=' + n, {headers: {Accept: 'text/html'}})).text();
            await (await fetch('/drying.ics')).text();
        }""")
        wait_until_kept(page, "/?n=32")
        kept = page.evaluate(names)
    assert len(kept) == 30
    assert address + "/?n=2" not in kept
    assert not [url for url in kept if url.endswith((".ics", "/live"))]


@pytest.mark.parametrize("boxes", [1, 12, 26])
def test_the_wall_needs_no_scrolling(page: Page, tmp_path: Path, boxes: int) -> None:
    cut = """() => [...document.querySelectorAll('.tile')].filter((tile) => {
        const [figure, doing] = [tile.querySelector('.figure'), tile.querySelector('.to-do')];
        return tile.scrollHeight > tile.clientHeight + 1 || figure.scrollWidth > figure.clientWidth
            || doing.getBoundingClientRect().bottom > tile.getBoundingClientRect().bottom;
    }).map((tile) => tile.innerText)"""
    with wall_of(tmp_path, boxes) as address:
        page.goto(f"{address}/wall")
        for wide, high in SCREENS:
            page.set_viewport_size({"width": wide, "height": high})
            assert page.evaluate("[document.body.scrollWidth, document.body.scrollHeight]") == [wide, high]
            assert page.evaluate(cut) == []
            assert page.locator(".tile").count() == min(boxes, 12)
            foot = page.locator(".wall-foot")
            assert ("and 14 more" in foot.inner_text()) is (boxes == 26)
            assert foot.evaluate("e => e.getBoundingClientRect().bottom") <= high


def test_the_wall_is_without_a_violation(browser: Browser, tmp_path: Path) -> None:
    with wall_of(tmp_path, 12) as address:
        for scheme in ("light", "dark"):
            with browsing.opened(browser, f"{address}/wall", DESK, scheme) as page:
                assert violations(page) == []


def test_the_wall_moves_a_little_and_renews_without_scripts(browser: Browser, page: Page, tmp_path: Path) -> None:
    with wall_of(tmp_path, 12) as address:
        page.clock.install()
        page.goto(f"{address}/wall")
        seen = set()
        for _ in range(4):
            page.clock.run_for("01:00")
            seen.add(page.evaluate("document.body.style.translate"))
        assert len(seen) >= 3
        context = browser.new_context(java_script_enabled=False)
        plain = context.new_page()
        plain.goto(f"{address}/wall")
        assert plain.locator("noscript meta[http-equiv=refresh]").count() == 1
        context.close()


def wall_of(folder: Path, boxes: int):  # type: ignore[no-untyped-def]
    """Serve a wall of so many boxes, in every state."""
    shelf = make_shelf(folder)
    keeper, states = keeper_by_hand(shelf), assessments()
    taken = keeper._take

    def take(clock):  # type: ignore[no-untyped-def]
        answers = [states[place % len(states)] for place in range(boxes)]
        named = [replace(a, box=replace(a.box, name=f"{a.box.name[:9]}-{place}")) for place, a in enumerate(answers)]
        return replace(taken(clock), answers=tuple(named))

    keeper._take = take
    return serving(shelf, keeper)
