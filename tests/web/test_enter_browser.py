"""Signing in and out in a real browser, by the keyboard alone, and with the cookie and headers that browsers send."""

from __future__ import annotations

from pathlib import Path

import httpx
import pytest
import shelf_on_page
from playwright.sync_api import Browser, expect
from shelf_on_page import keeper_by_hand, make_shelf, serving

from monitor.web.access.password import hashed
from monitor.web.access.secret import Secret
from monitor.web.access.who import Access

pytestmark = pytest.mark.browser


@pytest.mark.parametrize("scripts", [True, False], ids=["scripts", "no scripts"])
def test_one_signs_in_and_out_by_keys(
    browser: Browser, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, scripts: bool
) -> None:
    shelf, access = make_shelf(tmp_path), Access()
    access.file.keep(Secret(password_hash=hashed("four dry boxes"), asked_here=True))
    monkeypatch.setattr(shelf_on_page, "got", lambda at: httpx.get(at, timeout=None, follow_redirects=True))
    with serving(shelf, keeper_by_hand(shelf), wait_for='id="password"', access=access) as address:
        page = browser.new_context(java_script_enabled=scripts).new_page()
        page.goto(f"{address}/box/soon")
        page.get_by_label("Password").press_sequentially("wrong")
        page.keyboard.press("Enter")
        expect(page.get_by_role("alert")).to_have_text("That is not the password. Try again.")
        page.get_by_label("Password").press_sequentially("four dry boxes")
        page.keyboard.press("Enter")
        page.wait_for_url("**/box/soon")
        expect(page.get_by_role("heading", name="soon", level=1)).to_be_visible()
        page.goto(f"{address}/enter")
        page.get_by_role("button", name="Sign out").press("Enter")
        expect(page.get_by_label("Password")).to_be_visible()
        page.goto(address)
        expect(page.get_by_label("Password")).to_be_visible()
        code = access.pairing.begin()
        page.goto(f"{address}/enter?code={code}")
        page.get_by_role("button", name="Use this device").press("Enter")
        expect(page.locator("#headline")).to_be_visible()
        page.context.close()
