"""The page of all boxes in a real browser: it fits, it is found by keyboard, it narrows while one types, it prints."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from boxes_on_page import dozen, planned, shown
from browsing import DESK, PHONE, Looks, beyond_the_right_edge, opened, violations
from playwright.sync_api import Browser, Page, expect

pytestmark = pytest.mark.browser

THREE_SCREENS = 3 * PHONE[1]
A4_WIDE = 794
"""Pixels, of 210 mm at 96 to the inch (CSS Values and Units 4, section 6.2)."""
DENSITIES = ("columns", "rows")
VISIBLE = "[...document.querySelectorAll('[data-name]')].filter((e) => e.checkVisibility()).map((e) => e.dataset.name)"


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    plan = planned("pc-clear", "petg-printer", "asa-rack")
    with shown(tmp_path_factory.mktemp("dozen"), dozen(), plan, lines=True) as client:
        yield str(client.base_url)


def test_twelve_boxes_are_three_screens_of_a_phone(looks: Looks, address: str) -> None:
    page = looks.at(address)
    page.evaluate("document.fonts.ready")
    assert page.evaluate("document.documentElement.scrollHeight") <= THREE_SCREENS


@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
def test_no_button_is_cut_by_the_board_it_stands_on(looks: Looks, address: str, size: tuple[int, int]) -> None:
    page = looks.at(address, size)
    cut = page.eval_on_selector_all(
        ".stand .log > summary",
        """all => all.filter((e) => {
            const stand = e.closest('.stand'), board = parseFloat(getComputedStyle(stand, '::after').height);
            return e.getBoundingClientRect().bottom > stand.getBoundingClientRect().bottom - board;
        }).map((e) => e.innerText)""",
    )
    assert cut == []


@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_in_any_state_and_nothing_sticks_out(
    looks: Looks, address: str, size: tuple[int, int], scheme: str
) -> None:
    for density in DENSITIES:
        page = looks.at(f"{address}/?view={density}&by=room", size, scheme)
        assert beyond_the_right_edge(page) <= 0
        page.evaluate("for (const part of document.querySelectorAll('details')) part.open = true")
        assert violations(page) == []
        assert beyond_the_right_edge(page) <= 0


@pytest.mark.parametrize(("wide", "high"), [(320, 640), (640, 400)], ids=["320 px", "1280 px at 200 %"])
def test_narrow_and_enlarged_pages_do_not_scroll_sideways(looks: Looks, address: str, wide: int, high: int) -> None:
    for density in DENSITIES:
        page = looks.at(f"{address}/?view={density}&state=care", (wide, high))
        assert beyond_the_right_edge(page) <= 0
        broken = page.eval_on_selector_all(
            ".humid b, .humid .big",
            "all => all.filter((e) => e.getClientRects().length > 1).map((e) => e.innerText)",
        )
        assert broken == [], "a number is broken into two lines"


def test_what_is_touched_is_as_large_as_a_fingertip(looks: Looks, address: str) -> None:
    """44 px (WCAG 2.2, success criterion 2.5.5); a box is opened by its name, which may be wide instead."""
    page = looks.at(f"{address}/?q=tpu")
    small = page.eval_on_selector_all(
        ".tools :is(summary, button, a, select, [type=search]), .badge summary, .calm > summary",
        "all => all.filter((e) => e.checkVisibility() && e.getBoundingClientRect().height < 43.9)"
        ".map((e) => e.outerHTML.slice(0, 80))",
    )
    assert small == []


def test_boxes_are_found_while_one_types_and_the_address_keeps_it(browser: Browser, address: str) -> None:
    with opened(browser, address, DESK) as page:
        page.get_by_text("Find", exact=True).click()
        page.get_by_label("Part of a name").press_sequentially("PLA")
        assert page.evaluate(VISIBLE) == ["pla-colors", "pla-daily", "pla-white"], "the fold opens for what is found"
        expect(page.locator("#found")).to_have_text("3 of 12 boxes")
        page.get_by_label("State").select_option("within")
        assert page.evaluate(VISIBLE) == ["pla-daily", "pla-white"]
        assert page.url.endswith("/?q=PLA&state=within")
        page.reload()
        assert page.evaluate(VISIBLE) == ["pla-daily", "pla-white"]
        page.get_by_label("Part of a name").fill("nobody")
        expect(page.locator("#found")).to_have_text("No box is like that.")
        page.get_by_role("link", name="Show all").click()
        expect(page.locator("#found")).to_be_empty()


def test_boxes_are_grouped_in_place(browser: Browser, address: str) -> None:
    with opened(browser, address, DESK) as page:
        page.get_by_text("Find", exact=True).click()
        page.evaluate("document.body.dataset.stays = 'here'")
        page.get_by_label("Group by").select_option("material")
        expect(page.locator(".group-title").first).to_contain_text("no spools declared")
        assert page.url.endswith("/?view=columns&by=material")
        assert page.evaluate("document.body.dataset.stays") == "here", "the page was not loaded anew"
        page.get_by_label("Part of a name").fill("tpu")
        assert page.evaluate(VISIBLE) == ["tpu-soft", "tpu-bag"]


def test_all_of_it_works_by_keyboard_alone(browser: Browser, address: str) -> None:
    with opened(browser, address, DESK) as page:
        to_focus(page, "Find")
        page.keyboard.press("Enter")
        page.keyboard.press("Tab")
        page.keyboard.type("tpu")
        assert page.evaluate(VISIBLE) == ["tpu-soft", "tpu-bag"]
        to_focus(page, "leaks 6 times as much")
        page.keyboard.press("Enter")
        expect(page.locator(".badge p").first).to_be_visible()
    with opened(browser, address, DESK) as page:
        to_focus(page, "5 boxes hold until")
        page.keyboard.press("Enter")
        assert len(page.evaluate(VISIBLE)) == 12
        to_focus(page, "Rows")
        page.keyboard.press("Enter")
        page.wait_for_url("**/?view=rows")


def to_focus(page: Page, words: str) -> None:
    """Press Tab until something with these words has the focus, and is seen to have it."""
    for _ in range(40):
        page.keyboard.press("Tab")
        focused = page.evaluate("document.activeElement === document.body ? '' : document.activeElement.innerText")
        if words in focused:
            assert page.evaluate("getComputedStyle(document.activeElement).outlineStyle") == "solid"
            return
    raise AssertionError(f"Tab never reaches {words!r}")


def test_dates_stay_on_top_of_their_bars(browser: Browser, address: str) -> None:
    with opened(browser, f"{address}/?view=rows", (1280, 420)) as page:
        page.locator("[data-name=petg-new]").scroll_into_view_if_needed()
        assert page.evaluate("scrollY") > 0
        assert page.locator(".dates").bounding_box()["y"] >= 0  # type: ignore[index]
        bars, dates = (page.locator(at).first.bounding_box() for at in (".line .when", ".dates .when"))
        assert bars
        assert dates
        assert (bars["x"], bars["width"]) == pytest.approx((dates["x"], dates["width"]), abs=1.0)


@pytest.mark.parametrize("density", DENSITIES)
def test_without_scripts_nothing_is_missing_and_nothing_is_dead(looks: Looks, address: str, density: str) -> None:
    page = looks.at(f"{address}/?view={density}", scripts=False)
    page.get_by_text("Find", exact=True).click()
    page.get_by_label("State").select_option("care")
    page.get_by_role("button", name="Show", exact=True).click()
    page.wait_for_url("**state=care**")
    expect(page.locator("#found")).to_have_text("2 of 12 boxes")
    names = page.locator("[data-name]:visible")
    assert [one.get_attribute("data-name") for one in names.all()] == ["tpu-soft", "tpu-bag"]
    page.locator(".name a:visible").first.click()
    page.wait_for_url("**/box/tpu-soft")


@pytest.mark.parametrize("density", DENSITIES)
def test_paper_is_light_and_shows_every_box(looks: Looks, address: str, density: str, tmp_path: Path) -> None:
    page = looks.at(f"{address}/?view={density}", (A4_WIDE, 1123), "dark")
    page.emulate_media(media="print")
    assert len(page.evaluate(VISIBLE)) == 12, "calm boxes are unfolded"
    assert beyond_the_right_edge(page) <= 0
    paper = page.evaluate("getComputedStyle(document.body).backgroundColor")
    assert min(map(int, re.findall(r"\d+", paper))) > 200
    assert not page.locator(".tools").is_visible()
    table = page.locator(".table table")
    assert density == "rows" or table.is_visible(), "the table is open"
    assert page.pdf(format="A4").startswith(b"%PDF")
