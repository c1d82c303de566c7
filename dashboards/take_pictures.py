"""Take the pictures of the pages that README and help show: `python dashboards/take_pictures.py [FOLDER]`.

Plays the demo as quickly as this machine can, dries some invented beads at its desk, serves its shelf, and photographs
its pages in Debian's chromium. Needs the package with its `test` extra. With a folder, every page goes there too, at
two widths and in both color schemes.
"""

from __future__ import annotations

import re
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from playwright.sync_api import Browser, Page, sync_playwright

HERE = Path(__file__).resolve().parent
PICTURES = HERE / "assets" / "pictures"
SICCAST = [sys.executable, "-c", "from monitor.cli.app import main; main()"]
CHROMIUM = "/usr/bin/chromium"
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update"]
PHONE, DESK = 390, 1280
"""Pixels across. A judgement: a usual phone and a small laptop."""
WIDTHS = {PHONE: 844, DESK: 900}
"""Pixels across, and down. A judgement: as such screens are."""
_FIRST_OF_SECOND_BOARD = 5  # place of a box; judgement: in the demo, so that two boards are seen
_MARGIN = 24  # pixels; judgement: the board's edge with some air
_READY_MS = 120_000  # judgement: a first assessment on a slow machine
PAGES = {
    "shelf": "/",
    "rows": "/?view=rows",
    "box": "/box/tpu-soft",
    "plan": "/plan",
    "desk": "/desk",
    "run": "/desk/run/bowl-1",
    "house": "/house",
    "labels": "/house/labels?address=http://printroom.local:8737",
    "wall": "/wall",
    "help": "/help",
    "look": "/look",
}
TOPS = {
    "box": (DESK, 1000, "light"),
    "plan": (DESK, 900, "light"),
    "run": (PHONE, 1500, "light"),
    "wall": (DESK, 900, "dark"),
}
"""Of pictures for README and help: pixels across, pixels down from the top. A judgement: what tells the page."""
RUN = (
    ("lot", "buy", "autumn", "orange_gel", "1000g"),
    ("charge", "weigh-out", "bowl", "autumn", "180g", "--state", "room", "--holder", "glass", "--tare", "410g"),
    ("recharge", "start", "bowl", "oven", "--weight", "590.4g", "--step", "0.1g"),
    ("recharge", "weigh", "574.9g", "--after", "20"),
    ("recharge", "weigh", "568.2g", "--after", "20"),
    ("recharge", "weigh", "565.1g", "--after", "20"),
)
"""Invented: beads that lay in the room, an hour in the oven."""


def main() -> None:
    """Renew the pictures of README and help, and take all the others where a folder is named."""
    with tempfile.TemporaryDirectory() as site, sync_playwright() as playwright:
        subprocess.run([*SICCAST, "demo", "--fast", "--keep", site], check=True)
        for words in RUN:
            subprocess.run([*SICCAST, "--shelf", site, *words], check=True, stdout=subprocess.DEVNULL)
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        with _serving(site) as address:
            _take_two_boards(_open(browser, DESK, "light", address))
            for name, (wide, high, scheme) in TOPS.items():
                _take(browser, address, name, wide, scheme, high=high)
            if len(sys.argv) > 1:
                _take_all(browser, address, Path(sys.argv[1]))
        browser.close()


def _take_two_boards(page: Page) -> None:
    """Photograph the top of the shelf, down to its second board."""
    second_board = page.locator(".stand").nth(_FIRST_OF_SECOND_BOARD).bounding_box()
    assert second_board is not None
    height = second_board["y"] + second_board["height"] + _MARGIN
    page.screenshot(path=PICTURES / "shelf.png", full_page=True, clip={"x": 0, "y": 0, "width": DESK, "height": height})


def _take(browser: Browser, address: str, name: str, wide: int, scheme: str, *, high: int) -> None:
    """Photograph the top of a page, so many pixels of it."""
    page = _open(browser, wide, scheme, address.rstrip("/") + PAGES[name])
    clip = {"x": 0, "y": 0, "width": wide, "height": high}
    page.screenshot(path=PICTURES / f"{name}.png", full_page=high > WIDTHS[wide], clip=clip)  # type: ignore[arg-type]


def _take_all(browser: Browser, address: str, folder: Path) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    for width in WIDTHS:
        for scheme in ("light", "dark"):
            for name, path in PAGES.items():
                page = _open(browser, width, scheme, address.rstrip("/") + path)
                page.screenshot(path=folder / f"{name}-{width}-{scheme}.png", full_page=True)
                page.context.close()


def _open(browser: Browser, width: int, scheme: str, address: str) -> Page:
    context = browser.new_context(viewport={"width": width, "height": WIDTHS[width]}, color_scheme=scheme)
    page = context.new_page()
    page.goto(address)
    page.wait_for_selector("h1", timeout=_READY_MS)
    page.wait_for_load_state("load")
    page.evaluate("document.fonts.ready")
    return page


@contextmanager
def _serving(site: str) -> Iterator[str]:
    with subprocess.Popen(
        [*SICCAST, "--shelf", site, "serve", "--port", "0"], stdout=subprocess.PIPE, text=True
    ) as server:
        assert server.stdout is not None
        found = re.search(r"http://\S+/", server.stdout.readline())
        assert found, "siccast serve named no address"
        try:
            yield found[0]
        finally:
            server.terminate()


if __name__ == "__main__":
    main()
