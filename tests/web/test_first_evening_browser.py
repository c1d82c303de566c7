"""The first evening on a phone: nothing is declared or heard; then one sensor, which becomes a box, and its beads."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest
from browsing import PHONE, beyond_the_right_edge, opened, too_small_to_touch, violations
from playwright.sync_api import Browser, Page, expect
from shelf_on_page import serving

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
        page.get_by_label("Humidity limit, %").fill("15")
        page.get_by_role("button", name="Make it a box").tap()
        expect(page.get_by_text("left top is a box now.")).to_be_visible()
        is_sound(page)
        page.get_by_label("Weight when fully dry, g").fill("100")
        page.locator("#deeds").get_by_role("button", name="Save").first.tap()
        expect(page.locator(".told")).to_contain_text("Saved:")
        expect(page.get_by_role("link", name="Undo something")).to_be_visible()
    assert load_shelf(tmp_path, {}).box("left top").humidity_limit == 0.15
    with open_stores(shelf.database_path, read_only=True) as stores:
        (entry,) = stores.ledger.entries("left top")
    assert (entry.kind, entry.dry_mass_g) == (EntryKind.charge, 100.0)
