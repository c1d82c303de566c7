"""Make the icons that phones want as PNG from `icon.svg`: `python dashboards/make_icons.py`; needs chromium."""

from __future__ import annotations

from pathlib import Path

from playwright.sync_api import sync_playwright

ASSETS = Path(__file__).resolve().parent / "assets"
SIZES = (192, 512)
"""Pixels across: what a home screen asks for (W3C, Web Application Manifest, 2025, and its guides)."""


def main() -> None:
    """Write one icon of each size."""
    # a home screen cuts the corners itself, so the ground reaches them
    drawing = (ASSETS / "icon.svg").read_text(encoding="utf-8").replace(' rx="7"', "")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=["--no-sandbox"])
        for size in SIZES:
            page = browser.new_page(viewport={"width": size, "height": size})
            sized = drawing.replace("<svg ", f'<svg width="{size}" height="{size}" ', 1)
            page.set_content(f"<style>body{{margin:0}}svg{{display:block}}</style>{sized}")
            page.screenshot(path=ASSETS / f"icon-{size}.png")
        browser.close()


if __name__ == "__main__":
    main()
