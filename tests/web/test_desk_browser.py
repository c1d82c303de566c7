"""A recharge in a real browser: by touch alone, by keyboard alone, without scripts, with a timer, on two devices."""

from __future__ import annotations

from collections.abc import Iterator

import httpx
import pytest
from browsing import beyond_the_right_edge, violations
from desk_on_page import Clock, Hand, desk_of, desk_served
from playwright.sync_api import Browser, BrowserContext, Page, Route

from monitor.desk.inventory import Run
from monitor.records.desk_events import ChargePortioned, DeskEvent, HeatTimed, LotBought
from monitor.settings import Shelf
from monitor.store.opening import open_stores

pytestmark = pytest.mark.browser

PHONE = {"width": 390, "height": 844}
LOT = LotBought("autumn", "silica_gel_orange_indicating", 5000.0)
CHARGES = ("touch", "keys", "plain", "timed", "slow", "point", "two", "seen")
BOWLS: tuple[DeskEvent, ...] = (
    LOT,
    *(ChargePortioned(name, "autumn", 262.0, "glass", 355.0, "room") for name in CHARGES),
)


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, Shelf, Clock]]:
    with desk_served(tmp_path_factory.mktemp("shelf"), *BOWLS) as served:
        yield served


@pytest.fixture
def phone(browser: Browser) -> Iterator[BrowserContext]:
    context = browser.new_context(viewport=PHONE, has_touch=True, is_mobile=True)
    yield context
    context.close()


def run_of(shelf: Shelf, name: str) -> Run:
    with open_stores(shelf.database_path, read_only=True) as stores:
        return desk_of(shelf, stores).inventory().run(name)


def going(desk: tuple[str, Shelf, Clock], charge: str, *weights: tuple[str, str]) -> str:
    """Start a run by hand and return its address."""
    address, shelf, clock = desk
    with httpx.Client(base_url=address, timeout=None) as client:
        hand = Hand(client, shelf, clock)
        hand.send(f"/desk/charge/{charge}/start", appliance="microwave")
        hand.weighed_before(*weights, run=f"{charge}-1")
    return f"{address}/desk/run/{charge}-1"


def tap(page: Page, keys: str, then: str = "#weigh-form .main") -> None:
    """Type a number on the keypad, and send it."""
    for key in keys:
        page.tap(f'[data-key="{key}"]')
    page.tap(then)


def test_a_whole_recharge_by_touch_alone(phone: BrowserContext, desk: tuple[str, Shelf, Clock]) -> None:
    address, shelf, clock = desk
    page = phone.new_page()
    page.goto(f"{address}/desk")
    page.tap("a.pick:has-text('touch')")
    page.tap("button:has-text('Start in the microwave')")
    page.wait_for_selector("#weigh-form")
    low = page.eval_on_selector_all(
        "[data-key], .broad", "all => all.map((e) => e.getBoundingClientRect().height).filter((high) => high < 64)"
    )
    assert low == []
    tap(page, "61")
    page.wait_for_selector("[role=alert]")
    tap(page, "617")
    page.wait_for_selector("#heat-form")
    clock.passes(minutes=6)
    page.tap("text=Heated already: weigh")
    tap(page, "4", "#minutes-form .main")
    page.wait_for_selector("text=After 4 min more heat")
    for key in ("5", "9", "7", "delete", "6"):
        page.tap(f'[data-key="{key}"]')
    assert page.input_value("#weight") == "596"
    page.tap("#weigh-form .main")
    page.wait_for_selector("text=Still losing water")
    assert page.locator(".run-curve > svg").is_visible()
    page.tap("text=Finish now")
    page.tap("text=Finish this run now")
    page.wait_for_selector("#put-form")
    page.select_option("[name=box]", "pla")
    clock.passes(minutes=1)
    page.tap("text=Put into the box")
    page.tap("text=Put them in all the same")  # they are half dry
    page.wait_for_selector("text=/With these beads pla holds until about/")
    assert [weighing.mass_g for weighing in run_of(shelf, "touch-1").weighings] == [262.0, 241.0]


def test_a_recharge_by_keyboard_alone(browser: Browser, desk: tuple[str, Shelf, Clock]) -> None:
    address, shelf, clock = desk
    page = browser.new_page()
    page.goto(f"{address}/desk/charge/keys")
    _tab_to(page, "Start in the microwave")
    page.keyboard.press("Enter")
    page.wait_for_selector("#weight:focus")
    page.keyboard.type("617")
    page.keyboard.press("Enter")
    page.wait_for_selector("#heat-form")
    clock.passes(minutes=6)
    _tab_to(page, "Heated already: weigh")
    page.keyboard.press("Enter")
    page.wait_for_selector("#after:focus")
    page.keyboard.type("4")
    page.keyboard.press("Enter")
    page.wait_for_selector("#weight:focus")
    page.keyboard.type("625")
    page.keyboard.press("Enter")
    page.wait_for_selector("text=Not saved yet. Is this right?")
    assert page.evaluate("document.activeElement.id") == "asked-title"
    _tab_to(page, "The beads stood open: save it")
    page.keyboard.press("Enter")
    page.wait_for_selector("text=The beads took up water in between")
    assert len(run_of(shelf, "keys-1").weighings) == 2
    _tab_to(page, "Undo")
    page.keyboard.press("Enter")
    page.wait_for_selector("text=The first weight is saved")
    assert len(run_of(shelf, "keys-1").weighings) == 1
    page.close()


def _tab_to(page: Page, words: str) -> None:
    for _ in range(60):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.textContent.trim()").startswith(words):
            return
    raise AssertionError(f"the keyboard does not reach {words!r}")


def test_a_run_without_scripts(browser: Browser, desk: tuple[str, Shelf, Clock]) -> None:
    address, shelf, clock = desk
    context = browser.new_context(viewport=PHONE, java_script_enabled=False)
    page = context.new_page()
    page.goto(f"{address}/desk/charge/plain")
    page.click("text=Start in the microwave")
    assert not page.locator(".keypad").is_visible()
    page.fill("#weight", "617")
    page.click("#weigh-form .main")
    page.fill("#minutes", "4")
    page.click("text=Start the timer")
    assert "Heating until" in page.inner_text("#step")
    clock.passes(minutes=4)
    page.click("text=Show how much time is left now")
    page.click("#weigh-now")
    page.fill("#weight", "590")
    page.click("#weigh-form .main")
    page.click("summary:has-text('Finish now')")
    page.click("text=Finish this run now")
    page.select_option("[name=box]", "pa-dry")
    page.click("text=Put into the box")
    if page.locator(".asked").count():
        page.click("text=Put them in all the same")
    clock.passes(minutes=1)
    for _ in range(50):
        if "With these beads pa-dry holds" in page.inner_text("#step"):
            break
        page.click("text=See whether the date is there")
    assert "With these beads pa-dry holds until about" in page.inner_text("#step")
    assert run_of(shelf, "plain-1").weighings[-1].heated_s == 240.0
    context.close()


def test_the_timer_rings_and_hands_over_its_minutes(phone: BrowserContext, desk: tuple[str, Shelf, Clock]) -> None:
    page = phone.new_page()
    page.clock.install()
    page.goto(going(desk, "timed", ("617", "0")))
    page.evaluate("navigator.vibrate = (pattern) => { document.body.dataset.shook = pattern; return true; }")
    page.fill("#minutes", "4")
    page.tap("text=Start the timer")
    page.wait_for_selector("#clock")
    page.clock.run_for(62_000)
    assert page.inner_text("#clock") in {"2:59", "2:58"}
    assert "Take the beads out" not in page.title()
    page.clock.run_for(180_000)
    assert page.locator(".rung").is_visible()
    assert not page.locator(".running").is_visible()
    assert page.title().startswith("Take the beads out!")
    assert page.get_attribute("body", "data-shook") == "300,150,300"
    page.tap(".rung .ask")
    assert not page.title().startswith("Take the beads out!")
    page.tap("#weigh-now")
    page.wait_for_selector("text=After 4 min more heat")
    timer = run_of(desk[1], "timed-1").timer
    assert isinstance(timer, HeatTimed)
    assert timer.planned_s == 240.0


def test_a_weighing_that_is_being_saved_says_so_at_once(phone: BrowserContext, desk: tuple[str, Shelf, Clock]) -> None:
    page = phone.new_page()
    page.goto(going(desk, "slow"))
    held: list[Route] = []

    def hold(route: Route) -> None:
        held.append(route)

    page.route("**/weigh", hold)
    tap(page, "617")
    button = page.locator("#weigh-form .main")
    page.wait_for_selector("#weigh-form[aria-busy=true] .main[data-busy]")
    assert button.evaluate("e => getComputedStyle(e, '::before').content") == '"Saving …"'
    assert button.evaluate("e => getComputedStyle(e, '::after').animationName") == "busy"
    page.emulate_media(reduced_motion="reduce")
    assert button.evaluate("e => getComputedStyle(e, '::after').animationName") == "none"
    held[0].continue_()
    page.wait_for_selector("#heat-form")
    assert page.locator("[data-busy].button").count() == 0


def test_a_decimal_point_is_a_key(phone: BrowserContext, desk: tuple[str, Shelf, Clock]) -> None:
    _, shelf, _ = desk
    page = phone.new_page()
    page.goto(going(desk, "point"))
    tap(page, "617.4")
    page.wait_for_selector("#heat-form")
    assert run_of(shelf, "point-1").weighings[-1].mass_g == pytest.approx(262.4)


def test_two_browsers_on_one_run(browser: Browser, phone: BrowserContext, desk: tuple[str, Shelf, Clock]) -> None:
    where = going(desk, "two", ("617", "0"))
    here, there = phone.new_page(), browser.new_page()
    here.goto(where)
    there.goto(f"{where}?after=4")
    there.fill("#weight", "59")
    desk[2].passes(minutes=6)
    here.goto(f"{where}?after=4")
    tap(here, "596")
    here.wait_for_selector("text=Still losing water")
    there.wait_for_selector("text=Still losing water", timeout=30_000)
    there.keyboard.press("6")  # typing goes on where it was
    assert there.input_value("#weight") == "596"
    there.click("#weigh-form .main")
    there.wait_for_selector("text=The weighings have changed since this page was shown")
    assert len(run_of(desk[1], "two-1").weighings) == 2
    there.close()


def test_no_state_of_a_run_has_an_accessibility_fault_or_scrolls_sideways(
    browser: Browser, desk: tuple[str, Shelf, Clock]
) -> None:
    where = going(desk, "seen", ("617", "0"), ("596", "4"))
    address = desk[0]
    context = browser.new_context(viewport=PHONE, bypass_csp=True, reduced_motion="reduce")
    page = context.new_page()
    found: dict[str, object] = {}

    def look(state: str) -> None:
        faults, beyond = violations(page), beyond_the_right_edge(page)
        if faults or beyond > 0:
            found[state] = faults, beyond

    for state, path in (("desk", "/desk"), ("new", "/desk/new?box=pa-dry"), ("begin", "/desk/charge/seen")):
        page.goto(address + path)
        look(state)
    for state, query in (("heat", ""), ("minutes", "?step=minutes"), ("weigh", "?after=4"), ("wrong", "?after=x")):
        page.goto(where + query)
        look(state)
    page.goto(f"{where}?after=4")
    page.fill("#weight", "604")
    page.click("#weigh-form .main")
    page.wait_for_selector(".asked")
    look("asked")
    page.goto(where)
    page.click("text=Start the timer")
    page.wait_for_selector("#clock")
    look("timer")
    desk[2].passes(minutes=90)
    page.goto(where)
    look("rung")
    with httpx.Client(base_url=address, timeout=None) as client:
        Hand(client, desk[1], desk[2]).send("/desk/run/seen-1/timer", timer="clear")
    page.goto(where)
    page.wait_for_selector("text=Where were the beads?")
    look("rested")
    page.emulate_media(media="print")
    assert not page.locator(".more-deeds").is_visible()
    assert page.locator(".weighings").is_visible()
    assert page.evaluate("document.querySelector('.stands dl').getBoundingClientRect().height") > 100
    page.emulate_media(media="screen")
    page.click("text=Finish now")
    page.click("text=Finish this run now")
    page.wait_for_selector("#put-form")
    look("finished")
    assert found == {}
    context.close()
