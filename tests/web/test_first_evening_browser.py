"""The first evening on a phone: nothing is declared or heard; then one sensor, which becomes a box, and its beads."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest
from browsing import DESK, PHONE, beyond_the_right_edge, opened, too_small_to_touch, violations
from playwright.sync_api import Browser, Page, expect
from shelf_on_page import serving
from typer.testing import CliRunner

from monitor.cli.app import app
from monitor.presentation.clock import utc_now
from monitor.records import EntryKind, Reading
from monitor.settings import load_shelf
from monitor.store.opening import open_stores

pytestmark = pytest.mark.browser
PAGES = ("/", "/plan", "/desk", "/house")


def is_sound(page: Page) -> None:
    assert violations(page) == []
    assert beyond_the_right_edge(page) <= 0
    assert too_small_to_touch(page) == []


def test_from_an_empty_shelf_to_beads_in_a_box(browser: Browser, tmp_path: Path) -> None:
    shelf = load_shelf(tmp_path, {})
    with open_stores(shelf.database_path):
        pass
    with serving(shelf) as address, opened(browser, address, PHONE, "dark") as page:
        for path in PAGES:
            page.goto(address + path)
            is_sound(page)
            expect(page.get_by_text("proved")).to_have_count(0)  # of no plan at all, nothing has to be
            if path == "/desk":
                expect(page.locator("h1")).to_have_text("No beads are known yet.")
        page.goto(address)
        expect(page.locator(".steps")).to_contain_text("siccast/1/home/{box}/reading")
        with open_stores(shelf.database_path) as stores:
            stores.readings.add([Reading("left top", utc_now() - timedelta(minutes=3), 21.0, 0.17)])
        page.get_by_role("link", name="Make it a box").tap()  # the page heard of it by itself
        page.wait_for_url("**/box/**")
        is_sound(page)
        page.get_by_label("Inner volume, L").fill("9")
        page.get_by_label("Humidity limit, %").fill("150")
        page.get_by_role("button", name="Make it a box").tap()
        expect(page.get_by_text("'150' is not valid: a limit is from 1 to 95 %.")).to_be_visible()
        expect(page.get_by_label("Humidity limit, %")).to_be_focused()
        is_sound(page)
        page.get_by_label("Humidity limit, %").fill("15")
        page.get_by_role("button", name="Make it a box").tap()
        expect(page.get_by_text("left top is a box now.")).to_be_visible()
        is_sound(page)
        page.get_by_label("Weight when fully dry, g").fill("100")
        page.locator("#deeds").get_by_role("button", name="Save").first.tap()
        expect(page.locator(".told")).to_contain_text("Saved:")
        expect(page.get_by_role("link", name="Undo something")).to_be_visible()
    made = load_shelf(tmp_path, {}).box("left top")
    assert (made.volume_liter, made.humidity_limit) == (9.0, 0.15), "the volume was typed before the slip"
    with open_stores(shelf.database_path, read_only=True) as stores:
        (entry,) = stores.ledger.entries("left top")
    assert (entry.kind, entry.dry_mass_g) == (EntryKind.charge, 100.0)


def test_a_box_without_a_sensor_by_keyboard_alone_up_to_its_first_forecast(browser: Browser, tmp_path: Path) -> None:
    shelf = load_shelf(tmp_path, {})
    with open_stores(shelf.database_path):
        pass
    with serving(shelf) as address, opened(browser, address, DESK) as page:
        page.get_by_role("link", name="Add a box without a sensor").press("Enter")
        page.wait_for_url("**/house#without-sensor")
        page.get_by_label("Name").press_sequentially("pan/try")
        page.get_by_label("Name").press("Enter")
        expect(page.get_by_text("'pan/try' is not valid: a name is")).to_be_visible()
        expect(page.get_by_label("Name")).to_be_focused()
        is_sound(page)
        page.get_by_label("Name").fill("pantry")
        page.get_by_label("Name").press("Enter")
        page.wait_for_url("**/box/pantry?adopted=1")
        expect(page.get_by_text("pantry is a box now.")).to_be_visible()  # it was worked out first
        is_sound(page)
        page.locator("#deeds").get_by_label("Weight when fully dry, g").first.press_sequentially("100")
        page.keyboard.press("Enter")
        expect(page.locator(".told")).to_contain_text("Saved:")
        expect(page.get_by_text("No reading tells of these beads.").first).to_be_visible()
        expect(page.get_by_text("The listener has been silent")).to_have_count(0)
        is_sound(page)


def test_a_bookmark_with_an_old_name_leads_to_the_box_and_an_open_page_takes_the_new_one(
    browser: Browser, tmp_path: Path
) -> None:
    (tmp_path / "shelf.toml").write_text("[boxes.left]\nvolume_l = 12\n", encoding="utf-8")
    shelf = load_shelf(tmp_path, {})
    with open_stores(shelf.database_path) as stores:
        stores.readings.add([Reading("left", utc_now() - timedelta(minutes=3), 21.0, 0.17)])
    with serving(shelf) as address, opened(browser, address + "/box/left", PHONE) as page:
        expect(page.locator("h1")).to_have_text("left")
        done = CliRunner().invoke(app, ["--shelf", str(tmp_path), "box", "rename", "left", "by the window"])
        assert done.exit_code == 0, done.output
        expect(page.locator("h1")).to_have_text("by the window")
        page.goto(address + "/box/left")
        page.wait_for_url("**/box/by%20the%20window?was-called=left")
        expect(page.locator("h1")).to_have_text("by the window")
        expect(page.get_by_text("This box was called “left”.")).to_be_visible()
        is_sound(page)
        page.get_by_role("link", name="Labels").tap()
        page.wait_for_url("**/house/labels")
        expect(page.get_by_text("by the window").first).to_be_visible()
