"""The plan in a real browser: boxes are moved by mouse, finger and keys, it fits, it prints, and needs no script."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from functools import partial

import pytest
from browsing import DESK, PHONE, Looks, beyond_the_right_edge, opened, violations
from full_plan_by_hand import shelf_with_two_appliances, snapshot_with_full_plan
from playwright.sync_api import Browser, Page, expect
from shelf_on_page import keeper_by_hand, make_shelf, serving

from monitor.presentation.clock import utc_now
from monitor.records import DecisionKind, PlanDecision
from monitor.settings import Shelf
from monitor.store.opening import open_stores
from monitor.web.snapshot import Keeper

pytestmark = pytest.mark.browser

SIZES = pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
A4_WIDE = 794
"""Pixels, of 210 mm at 96 to the inch (CSS Values and Units 4, section 6.2)."""
LEAST_TARGET_PX = 43.9  # 44 by WCAG 2.2, success criterion 2.5.5, less rounding


@dataclass(frozen=True)
class Site:
    shelf: Shelf
    plan: str

    def decide(self, kind: DecisionKind, on: str, box: str = "") -> None:
        """Decide something elsewhere."""
        with open_stores(self.shelf.database_path) as stores:
            stores.plan_decisions.keep(PlanDecision(kind, date.fromisoformat(on), box), utc_now())

    @property
    def decided(self) -> list[tuple[DecisionKind, str, str]]:
        with open_stores(self.shelf.database_path, read_only=True) as stores:
            return [(one.kind, one.box, one.on.isoformat()) for one in stores.plan_decisions.counting()]


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    shelf = make_shelf(tmp_path_factory.mktemp("shelf"))
    with serving(shelf, keeper_by_hand(shelf)) as address:
        yield Site(shelf, f"{address}/plan")


@pytest.fixture
def site(served: Site) -> Iterator[Site]:
    """Give the site; whatever a test decides is undone after it."""
    yield served
    with open_stores(served.shelf.database_path) as stores:
        for one in stores.plan_decisions.counting():
            stores.plan_decisions.undo(one.decision_id or 0, utc_now())


def grip(page: Page, box: str = "soon") -> tuple[float, float]:
    """Return the middle of the dots by which a box is moved, scrolled into the middle of the window."""
    dots = page.locator(f"#weeks .chip[data-box={box}] .grip")
    dots.evaluate("e => e.scrollIntoView({block: 'center'})")
    return middle(dots.bounding_box())


def cell(page: Page, on: str) -> tuple[float, float]:
    return middle(page.locator(f"#weeks [data-day='{on}']").bounding_box())


def middle(area: object) -> tuple[float, float]:
    assert isinstance(area, dict)
    return area["x"] + area["width"] / 2, area["y"] + area["height"] / 2


def day_of(page: Page, box: str = "soon") -> str | None:
    return page.locator(f"#weeks [data-day]:has(.chip[data-box={box}])").get_attribute("data-day")


def settled(page: Page, words: str) -> None:
    expect(page.locator(".told")).to_contain_text(words)


def test_a_box_is_dragged_with_the_mouse_and_its_chance_shows_meanwhile(browser: Browser, site: Site) -> None:
    with opened(browser, site.plan, DESK) as page:
        start, saturday = grip(page), cell(page, "2026-03-14")
        page.mouse.move(*start)
        page.mouse.down()
        page.mouse.move(start[0], start[1] + 20, steps=2)
        page.mouse.move(*saturday, steps=4)
        expect(page.locator("#moving")).to_contain_text("soon on Saturday 14 March: the chance that it is over 20")
        expect(page.locator("[data-day='2026-03-16'] .risk")).to_have_text("50\N{NARROW NO-BREAK SPACE}%")
        page.mouse.up()
        settled(page, "soon is moved to Sat 14 Mar")
        assert day_of(page) == "2026-03-14"
        assert page.locator(".risk").count() == 0
        page.get_by_role("button", name="Undo").last.click()
        settled(page, "Undone.")
        assert site.decided == []


def test_a_box_is_dragged_with_a_finger_on_a_phone(browser: Browser, site: Site) -> None:
    with opened(browser, site.plan, PHONE) as page:
        page.locator("#weeks-fold > summary").click()
        start, sunday = grip(page), cell(page, "2026-03-15")
        touch = page.context.new_cdp_session(page)

        def send(kind: str, *at: tuple[float, float]) -> None:
            touch.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": [{"x": x, "y": y} for x, y in at]})

        send("touchStart", start)
        for share in (0.2, 0.6, 1.0):
            send("touchMove", (start[0], start[1] + share * (sunday[1] - start[1])))
        expect(page.locator("#moving")).to_contain_text("soon on Sunday 15 March")
        send("touchEnd")
        settled(page, "soon is moved to Sun 15 Mar")
        assert site.decided == [(DecisionKind.moved, "soon", "2026-03-15")]


@SIZES
def test_keys_alone_move_a_box_and_leave_one_where_it_was(browser: Browser, site: Site, size: tuple[int, int]) -> None:
    with opened(browser, site.plan, size) as page:
        if size == PHONE:
            page.locator("#weeks-fold > summary").press("Enter")
        page.locator("#weeks .chip[data-box=over] .grip").focus()
        page.keyboard.press("Tab")  # over soon's name to its dots
        page.keyboard.press("Tab")
        dots = page.locator("#weeks .chip[data-box=soon] .grip")
        expect(dots).to_be_focused()
        before = day_of(page)
        page.keyboard.press("Enter")
        expect(dots).to_have_attribute("aria-pressed", "true")
        page.keyboard.press("ArrowDown")
        page.keyboard.press("Escape")
        expect(page.locator("#moving")).to_have_text("soon stays where it was.")
        assert (day_of(page), site.decided) == (before, [])
        expect(dots).to_be_focused()
        page.keyboard.press("Space")
        page.keyboard.press("ArrowDown")  # a week on in the grid, one more day in the list
        expect(page.locator("#moving")).to_contain_text("14 March" if size == DESK else "8 March")
        page.keyboard.press("Enter")
        settled(page, "soon is moved to")
        expect(page.locator("#weeks .chip[data-box=soon] .grip")).to_be_focused()
        assert day_of(page) == ("2026-03-14" if size == DESK else "2026-03-08")


def test_nobody_has_to_drag(browser: Browser, site: Site) -> None:
    """Two presses do what a drag does (WCAG 2.2, success criterion 2.5.7)."""
    with opened(browser, site.plan, DESK) as page:
        page.mouse.click(*grip(page))
        page.mouse.click(*cell(page, "2026-03-12"))
        settled(page, "soon is moved to Thu 12 Mar")
        assert day_of(page) == "2026-03-12"


def test_a_renewal_leaves_a_box_in_the_hand_alone(browser: Browser, site: Site) -> None:
    with opened(browser, site.plan, DESK) as page:
        page.mouse.click(*grip(page))
        site.decide(DecisionKind.not_that_day, "2026-03-07")
        with page.expect_event("console", lambda message: message.text == "shown"):
            page.evaluate(
                """() => { document.addEventListener("siccast:shown", () => console.log("shown"), { once: true });
                document.dispatchEvent(new Event("siccast:renew")); }"""
            )
        assert day_of(page) == "2026-03-07", "what is in the hand stays"
        expect(page.locator("#weeks .chip[data-box=soon] .grip")).to_have_attribute("aria-pressed", "true")
        expect(page.locator(".decided")).to_contain_text("Nothing is dried on Sat 7 Mar")
        page.keyboard.press("Escape")
        expect(page.locator("[data-day='2026-03-07'] .chip")).to_have_count(0)


OVERTAKEN = """async (asked) => {
  const real = fetch, renewal = () => document.dispatchEvent(new Event("siccast:renew"));
  const next = (name) => new Promise((done) => document.addEventListener(name, done, { once: true }));
  const moved = next("siccast:shown");
  window.renewed = next("siccast:renewed");
  let old;
  const read = new Promise((done) => { old = done; });
  window.fetch = async (address, how) => {
    const answer = await real(address, how);
    if (how?.method === "POST" && asked === "meanwhile") { renewal(); await window.renewed; }
    if (how?.method !== "POST" && asked === "before") { old(); await moved; }
    return answer;
  };
  if (asked === "before") { renewal(); await read; }
}"""
"""A renewal was asked for before the move and comes after it, or comes between the move and its answer."""


@pytest.mark.parametrize("asked", ["before", "meanwhile"])
def test_a_renewal_neither_undoes_a_move_nor_takes_its_focus(browser: Browser, site: Site, asked: str) -> None:
    with opened(browser, site.plan, DESK) as page:
        page.evaluate(OVERTAKEN, asked)
        dots = page.locator("#weeks .chip[data-box=soon] .grip")
        dots.focus()
        for key in ("Enter", "ArrowDown", "Enter"):
            page.keyboard.press(key)
        settled(page, "soon is moved to Sat 14 Mar")
        page.evaluate("window.renewed")
        assert day_of(page) == "2026-03-14"
        expect(dots).to_be_focused()
        site.decide(DecisionKind.moved, "2026-03-15", "soon")
        page.evaluate("document.dispatchEvent(new Event('siccast:renew'))")
        expect(page.locator("[data-day='2026-03-15'] .chip[data-box=soon]")).to_be_visible()
        expect(dots).to_be_focused()


@SIZES
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_in_any_state(looks: Looks, site: Site, size: tuple[int, int], scheme: str) -> None:
    site.decide(DecisionKind.moved, "2026-03-14", "soon")
    site.decide(DecisionKind.not_that_day, "2026-03-21")
    site.decide(DecisionKind.done, "2026-03-04", "over")
    page = looks.at(f"{site.plan}?did=1", size, scheme)
    page.evaluate("for (const part of document.querySelectorAll('details')) part.open = true")
    page.locator("#weeks .grip").first.click()
    assert violations(page) == []
    assert beyond_the_right_edge(page) <= 0
    page.goto(f"{site.plan}/done?box=over&on=2026-03-04")
    page.get_by_text("Another time").click()
    page.locator("[name=at]").fill("soonish")
    page.get_by_role("button", name="Save it").click()
    expect(page.get_by_role("alert")).to_contain_text("'soonish' is not a time")
    assert violations(page) == []
    expect(page.locator("[name=at]")).to_be_focused()


@pytest.mark.parametrize(("wide", "high"), [(320, 640), (640, 400)], ids=["320 px", "1280 px at 200 %"])
def test_a_narrow_page_does_not_scroll_sideways(looks: Looks, site: Site, wide: int, high: int) -> None:
    page = looks.at(site.plan, (wide, high))
    page.evaluate("for (const part of document.querySelectorAll('details')) part.open = true")
    assert beyond_the_right_edge(page) <= 0


@SIZES
def test_what_is_touched_is_as_large_as_a_fingertip(looks: Looks, site: Site, size: tuple[int, int]) -> None:
    page = looks.at(site.plan, size)
    page.evaluate("for (const part of document.querySelectorAll('details')) part.open = true")
    small = page.eval_on_selector_all(
        "#main button:not(.term), #main select, #main summary, #main .button",
        f"all => all.filter((e) => e.checkVisibility() && e.getBoundingClientRect().height < {LEAST_TARGET_PX})"
        ".map((e) => e.outerHTML.slice(0, 80))",
    )
    assert small == []


def test_without_scripts_a_list_and_a_button_do_the_same(browser: Browser, site: Site) -> None:
    with opened(browser, site.plan, PHONE, scripts=False) as page:
        assert page.locator(".grip:visible").count() == 0, "no dead buttons"
        row = page.locator(".plan-boxes > li", has=page.get_by_role("link", name="soon", exact=True))
        row.locator("summary").click()
        row.locator("select[name=on]").first.select_option("2026-03-15")
        row.get_by_role("button", name="Move it there").click()
        assert "soon is moved to Sun 15 Mar" in page.inner_text(".told")
        page.locator(".told").get_by_role("button", name="Undo").click()
        assert "Undone." in page.inner_text(".told")
        page.get_by_role("button", name="Not that day").first.click()
        assert "Nothing is dried on Sat 7 Mar" in page.inner_text(".told")


@pytest.mark.parametrize("scripts", [True, False])
def test_who_goes_away_leaves_out_all_days_with_two_dates(browser: Browser, site: Site, scripts: bool) -> None:
    with opened(browser, site.plan, PHONE, scripts=scripts) as page:
        if scripts:
            page.get_by_role("link", name="away?").click()
        else:
            page.locator("#away summary").click()
        page.get_by_label("First day").fill("2026-03-27")
        page.get_by_label("Last day").fill("2026-03-07")
        page.get_by_role("button", name="Plan around it").click()
        expect(page.get_by_role("alert")).to_contain_text("is before the first")
        assert page.get_by_label("First day").input_value() == "2026-03-27"
        page.get_by_label("First day").fill("2026-03-07")
        page.get_by_label("Last day").fill("2026-03-27")
        page.get_by_role("button", name="Plan around it").click()
        settled(page, "Nothing is dried from Sat 7 Mar to Fri 27 Mar")
        page.locator(".told").get_by_role("button", name="Undo").click()
        settled(page, "Undone.")
        assert site.decided == []


def test_the_printed_page_is_a_list_to_tick_off(looks: Looks, site: Site) -> None:
    page = looks.at(site.plan, (A4_WIDE, 1123), "dark")
    page.emulate_media(media="print")
    dead = "#main button:visible, #main select:visible, #main summary:visible:not(.folded > *)"
    assert page.locator(dead).count() == 0, "a summary that is a heading stays"
    assert not page.locator("#weeks").is_visible()
    assert page.locator(".tick:visible").count() == page.locator(".plan-boxes > li").count() > 0
    assert beyond_the_right_edge(page) <= 0
    cut = page.eval_on_selector_all(
        "#main *", "all => all.filter((e) => e.checkVisibility() && e.scrollWidth > e.clientWidth + 1"
        " && getComputedStyle(e).overflowX !== 'visible').length"
    )  # fmt: skip
    assert cut == 0


@pytest.fixture(scope="module")
def full(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    """Give a site with two appliances on a day, a spare charge, and a box that is visited again."""
    shelf = shelf_with_two_appliances(tmp_path_factory.mktemp("shelf"))
    with serving(shelf, Keeper(partial(snapshot_with_full_plan, shelf), lambda _: 1)) as address:
        yield Site(shelf, f"{address}/plan")


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_plan_with_all_it_can_have_fits_a_narrow_page_and_axe_finds_nothing(
    looks: Looks, full: Site, scheme: str
) -> None:
    page = looks.at(full.plan, (320, 640), scheme)
    page.evaluate("for (const part of document.querySelectorAll('details')) part.open = true")
    assert beyond_the_right_edge(page) <= 0
    assert violations(page) == []
    page.emulate_media(media="print")
    page.set_viewport_size({"width": A4_WIDE, "height": 1123})
    assert page.locator(".tick:visible").count() == page.locator(".plan-boxes > li").count() == 5
    assert page.locator(".beside li:visible").count() == 3
    assert beyond_the_right_edge(page) <= 0


def test_the_next_visit_is_moved_by_keys_and_a_later_one_stays(browser: Browser, full: Site) -> None:
    with opened(browser, full.plan, DESK) as page:
        again = page.locator("#weeks .chip.again")
        expect(again).to_have_text("over (again)")
        assert again.locator(".grip").count() == 0
        x, y = middle(again.bounding_box())
        page.mouse.move(x, y)
        page.mouse.down()
        page.mouse.move(x, y - 60, steps=3)
        page.mouse.up()
        assert page.locator(".choosing").count() == 0, "a later visit is not picked up"
        page.locator("#weeks .chip[data-box=far] .grip").focus()
        page.keyboard.press("Enter")
        page.keyboard.press("ArrowDown")
        expect(page.locator("#moving")).to_contain_text("far on Sunday 15 March")
        page.keyboard.press("Enter")
        settled(page, "far is moved to Sun 15 Mar")
        assert full.decided == [(DecisionKind.moved, "far", "2026-03-15")]


def test_undoing_leaves_the_page_where_it_is_read(browser: Browser, site: Site) -> None:
    site.decide(DecisionKind.not_that_day, "2026-04-04")
    with opened(browser, site.plan, PHONE) as page:
        undo = page.locator(".decided button").first
        undo.scroll_into_view_if_needed()
        assert page.evaluate("scrollY") > 200
        undo.press("Enter")
        expect(page.locator(".told")).to_contain_text("Undone.")
        assert page.evaluate("scrollY") > 200
        assert page.evaluate("document.activeElement.matches('.told')")


def test_done_is_logged_by_a_quick_choice_and_told_at_the_head_of_the_plan(browser: Browser, site: Site) -> None:
    with opened(browser, f"{site.plan}/done?box=soon&on=2026-03-04", PHONE) as page:
        page.get_by_role("radio", name="yesterday evening, 20:00").check()
        page.get_by_role("button", name="Save it").click()
        told = page.locator("#notices .told")
        expect(told).to_contain_text("Saved: beads dried or swapped, soon, 3 Mar 2026, 20:00")
        assert page.evaluate("scrollY") == 0
        told.get_by_role("button", name="Undo").click()
        expect(told).to_contain_text("Undone: beads dried or swapped, soon")
        assert page.evaluate("location.pathname") == "/plan"
