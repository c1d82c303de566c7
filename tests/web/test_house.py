"""The house: what is heard, what was rejected, adoption in one tap, labels that open the page of a box."""

from __future__ import annotations

import html
import io
import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx
import pytest
import zxingcpp
from browsing import DESK, PHONE, opened
from matplotlib.image import imread
from playwright.sync_api import Browser
from shelf_on_page import HOSTILE, keeper_by_hand, make_shelf, serving

from monitor.presentation.clock import utc_now
from monitor.records import Reading, Rejection
from monitor.records.readings import ReadingSource
from monitor.settings import Shelf, load_shelf
from monitor.settings.shelf_edit import remove_box
from monitor.store.opening import open_stores

STRANGER = Rejection(
    datetime(2026, 3, 4, 11, tzinfo=UTC),
    "mqtt",
    "siccast/1/attic/<i>/reading",
    b'{"rh": "<b>wet</b>"}\x00',
    "rh is no number",
)
FEED = """
[[feeds]]
name = "workshop"
topic = "nodes/{box}"
temperature = { pointer = "/t", unit = "C" }
humidity = { pointer = "/h", unit = "%" }
"""


@pytest.fixture(scope="module")
def shelf(tmp_path_factory: pytest.TempPathFactory) -> Shelf:
    folder = tmp_path_factory.mktemp("shelf")
    made = make_shelf(folder)
    with (folder / "shelf.toml").open("a", encoding="utf-8") as file:
        file.write(FEED)
    with open_stores(made.database_path) as stores:
        heard = datetime(2026, 3, 4, 11, 58, tzinfo=UTC)
        stores.readings.add([Reading("newcomer", heard, 21.0, 0.3)], [STRANGER])
    return load_shelf(folder, {})


@pytest.fixture(scope="module")
def address(shelf: Shelf) -> Iterator[str]:
    with serving(shelf, keeper_by_hand(shelf)) as address:
        yield address


def plain(page: httpx.Response) -> str:
    return html.unescape(re.sub(r"<[^>]+>", "", page.text)).replace("\N{NARROW NO-BREAK SPACE}", " ")


def token_of(page: httpx.Response) -> str:
    found = re.search(r'name="token" value="([^"]+)"', page.text)
    assert found
    return found[1]


def test_what_is_heard_stands_there_with_its_last_word_and_what_it_is(address: str) -> None:
    page = httpx.get(f"{address}/house", timeout=None)
    rows = page.text.split("<tr>")
    newcomer = next(row for row in rows if ">newcomer <" in row)
    assert "2 minutes ago" in newcomer
    assert "Make it a box: newcomer" in plain(page)
    assert "room sensor" in next(row for row in rows if ">room <" in row)
    assert "Make it a box: soon" not in plain(page)


def test_a_rejected_message_stands_there_with_its_reason_and_harms_nobody(address: str) -> None:
    page = httpx.get(f"{address}/house", timeout=None)
    assert "rh is no number" in plain(page)
    assert "&lt;b&gt;wet&lt;/b&gt;" in page.text
    assert "\x00" not in page.text
    assert "nodes/{box}" in page.text


def test_a_box_is_adopted_in_one_tap_and_once(tmp_path: Path) -> None:
    shelf = make_shelf(tmp_path)
    with open_stores(shelf.database_path) as stores:
        stores.readings.add([Reading("newcomer", utc_now() - timedelta(minutes=3), 21.0, 0.3)])
    with serving(shelf, keeper_by_hand(shelf)) as address, httpx.Client(base_url=address, timeout=None) as client:
        form = {"token": token_of(client.get("/house")), "box": "newcomer"}
        done = client.post("/house/adopt", data=form)
        assert done.headers["location"] == "/box/newcomer?adopted=1"
        assert load_shelf(tmp_path, {}).box("newcomer").humidity_limit == 0.20
        assert "Make it a box: newcomer" not in plain(client.get("/house"))
        again = client.post("/house/adopt", data=form)
        assert again.status_code == 400
        assert "'newcomer' is already declared" in plain(again)


def test_a_box_that_was_taken_off_the_shelf_is_offered_as_it_was(tmp_path: Path) -> None:
    """What stands in the fields is sent along by everybody who changes nothing: once it made 10 L of any box."""
    shelf = make_shelf(tmp_path)
    path = tmp_path / "shelf.toml"
    path.write_text(path.read_text() + '[boxes.newcomer]\nvolume_l = 7.25\nlimit_rh_pct = 7\nstyle = "bag"\n')
    before = load_shelf(tmp_path, {}).box("newcomer")
    remove_box(tmp_path, "newcomer")
    with open_stores(shelf.database_path) as stores:
        stores.readings.add([Reading("newcomer", utc_now() - timedelta(minutes=3), 21.0, 0.3)])
    with serving(shelf, keeper_by_hand(shelf)) as address, httpx.Client(base_url=address, timeout=None) as client:
        page = client.get("/house")
        assert 'name="volume" value="7.25"' in page.text
        assert 'name="limit" value="7"' in page.text
        form = {"token": token_of(page), "box": "newcomer", "volume": "7.25", "limit": "7"}
        assert client.post("/house/adopt", data=form).headers["location"] == "/box/newcomer?adopted=1"
    assert load_shelf(tmp_path, {}).box("newcomer") == before


@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("room", "is the room sensor, not a box"),
        ("nobody", "never sent a reading"),
        (HOSTILE, "a name is"),
        ("", "never"),
    ],
)
def test_what_can_t_be_adopted_is_said(address: str, shelf: Shelf, name: str, told: str) -> None:
    before = (shelf.folder / "shelf.toml").read_bytes()
    with httpx.Client(base_url=address, timeout=None) as client:
        refused = client.post("/house/adopt", data={"token": token_of(client.get("/house")), "box": name})
    assert refused.status_code == 400
    assert told in plain(refused)
    assert (shelf.folder / "shelf.toml").read_bytes() == before


def test_volume_and_limit_are_told_where_a_box_is_made_and_the_way_leads_to_its_beads(tmp_path: Path) -> None:
    shelf = load_shelf(tmp_path, {})
    with open_stores(shelf.database_path) as stores:
        stores.readings.add([Reading("newcomer", utc_now() - timedelta(minutes=3), 21.0, 0.3)])
    with serving(shelf) as address:
        with httpx.Client(base_url=address, timeout=None, follow_redirects=True) as client:
            before = client.get("/box/newcomer")
            assert "Log what you did" not in before.text
            assert "siccast adopt" not in before.text, "a command, where a button does it"
            form = {"token": token_of(before), "box": "newcomer", "volume": "7,5", "limit": "300"}
            for action in ("/house/adopt", "/box/newcomer/adopt"):
                refused = client.post(action, data=form)
                assert refused.status_code == 400
                assert "'300' is not valid: a limit is from 1 to 95 %" in plain(refused)
                assert ('value="7,5"' in refused.text, 'value="300"' in refused.text) == (True, True), (
                    "typed for nothing"
                )
            assert client.get("/box/newcomer/adopt").url.path == "/box/newcomer"
            done = client.post("/box/newcomer/adopt", data=form | {"limit": "15"})
        assert done.url.path == "/box/newcomer"
        assert "newcomer is a box now." in plain(done)
        opened = r'<details class="deed" open>\s*<summary id="log-charge">(.*?)</summary>'
        (open_part,) = re.findall(opened, done.text, re.DOTALL)
        assert open_part.endswith("Put beads in")
    made = load_shelf(tmp_path, {}).box("newcomer")
    assert (made.volume_liter, made.humidity_limit) == (7.5, 0.15)


def test_a_box_without_a_sensor_is_added_and_its_page_comes_as_soon_as_it_is_worked_out(tmp_path: Path) -> None:
    shelf = load_shelf(tmp_path, {})
    with open_stores(shelf.database_path):
        pass
    with serving(shelf) as address, httpx.Client(base_url=address, timeout=None) as client:
        page = client.get("/house")
        assert 'id="without-sensor" open' in page.text, "nothing was heard, so it is what whoever is here looks for"
        form = {"token": token_of(page), "box": "pan/try", "volume": "7,5", "limit": "15"}
        refused = client.post("/house/add", data=form)
        assert refused.status_code == 400
        assert "'pan/try' is not valid: a name is" in plain(refused)
        assert ('value="pan/try"' in refused.text, 'value="7,5"' in refused.text) == (True, True)
        done = client.post("/house/add", data=form | {"box": "pantry", "style": "bag"})
        assert done.headers["location"] == "/box/pantry?adopted=1"
        assert client.get("/box/pantry").status_code == 200, "a box that is still worked out is no stranger"
        again = client.post("/house/add", data=form | {"box": "pantry"})
        assert "'pantry' is already declared" in plain(again)
    made = load_shelf(tmp_path, {}).box("pantry")
    assert (made.volume_liter, made.humidity_limit, made.style) == (7.5, 0.15, "bag")


def test_limit_and_volume_are_changed_on_the_page_of_the_box(tmp_path: Path) -> None:
    (tmp_path / "shelf.toml").write_text("[boxes.left]\nvolume_l = 12\nlimit_rh_pct = 7  # nylon\n")
    shelf = load_shelf(tmp_path, {})
    with open_stores(shelf.database_path) as stores:
        stores.readings.add([Reading("left", utc_now() - timedelta(minutes=3), 21.0, 0.05)])
    with serving(shelf) as address, httpx.Client(base_url=address, timeout=None, follow_redirects=True) as client:
        page = client.get("/box/left")
        assert ('name="volume" value="12"' in page.text, 'name="limit" value="7"' in page.text) == (True, True)
        form = {"token": token_of(page), "volume": "13", "limit": "0"}
        refused = client.post("/box/left/change", data=form)
        assert refused.status_code == 400
        assert "'0' is not valid: a limit is from 1 to 95 %" in plain(refused)
        assert 'name="volume" value="13"' in refused.text
        assert "'vase' is not a style" in plain(
            client.post("/box/left/change", data=form | {"limit": "9", "style": "vase"})
        )
        assert load_shelf(tmp_path, {}) == shelf
        done = client.post("/box/left/change", data=form | {"limit": "12,5", "style": "gasket"})
        assert "Saved in shelf.toml." in plain(done)
        assert 'name="limit" value="12.5"' in done.text
        assert '<option value="gasket" selected>' in done.text
        assert client.post("/box/nobody/change", data=form).status_code == 404
    assert (tmp_path / "shelf.toml").read_text() == (
        '[boxes.left]\nstyle = "gasket"\nvolume_l = 13\nlimit_rh_pct = 12.5  # nylon\n'
    )


def test_where_no_box_has_a_sensor_no_listener_is_missed(tmp_path: Path) -> None:
    (tmp_path / "shelf.toml").write_text("[boxes.left]\n")
    shelf = load_shelf(tmp_path, {})

    def is_missed_after(source: ReadingSource, minutes_ago: int) -> bool:
        with open_stores(shelf.database_path) as stores:
            at = utc_now() - timedelta(minutes=minutes_ago)
            stores.readings.add([Reading("left", at, 21.0, 0.3, source=source)])
        with serving(shelf) as address:
            return "none is running for this shelf" in plain(httpx.get(f"{address}/house", timeout=None))

    assert not is_missed_after(ReadingSource.hand, 9)
    assert not is_missed_after(ReadingSource.imported, 8)
    assert is_missed_after(ReadingSource.sensor, 7), "a listener brought it"


def test_a_form_from_elsewhere_is_refused(address: str) -> None:
    refused = httpx.post(f"{address}/house/adopt", data={"token": "guessed", "box": "newcomer"}, timeout=None)
    assert refused.status_code == 403


def test_messages_are_tried_again(address: str) -> None:
    with httpx.Client(base_url=address, timeout=None, follow_redirects=True) as client:
        done = client.post("/house/try-again", data={"token": token_of(client.get("/house"))})
    assert "Tried 1 messages again: 0 can be read now, 1 still can't." in plain(done)


def test_everything_is_asked_on_wish(address: str) -> None:
    assert "no damage found" in plain(httpx.get(f"{address}/house?check=all", timeout=None))


@pytest.mark.parametrize(
    ("address_given", "told"),
    [
        ("printroom", "is not the address of a page"),
        ("http://[::1", "is not the address"),
        ("http://a/" + 250 * "x", "too long"),
    ],
)
def test_an_address_that_won_t_do_is_said(address: str, address_given: str, told: str) -> None:
    page = httpx.get(f"{address}/house/labels", params={"address": address_given}, timeout=None)
    assert page.status_code == 400
    assert told in plain(page)


def test_the_code_of_a_label_is_read_back_by_another_program(browser: Browser, address: str) -> None:
    """Chromium paints the label; a reader that is not ours reads the address of the box from the picture."""
    with opened(browser, f"{address}/house/labels?address=http://room.local:8737", DESK) as page:
        picture = page.locator(".code").first.screenshot()
    seen = (255.0 * imread(io.BytesIO(picture), format="png")[:, :, :3]).astype("uint8")
    assert [code.text for code in zxingcpp.read_barcodes(seen)] == ["http://room.local:8737/box/over"]


def test_a_term_is_explained_by_the_keyboard_and_by_a_tap(browser: Browser, address: str) -> None:
    with opened(browser, f"{address}/house", PHONE) as page:
        page.get_by_role("button", name="Rejected?").focus()
        page.keyboard.press("Enter")
        assert page.locator("#term-rejected").is_visible()
        page.keyboard.press("Escape")
        assert not page.locator("#term-rejected").is_visible()


def test_a_box_that_needs_a_look_is_a_link_with_the_date_of_its_last_reading(address: str) -> None:
    page = httpx.get(f"{address}/house", timeout=None).text
    looked = re.findall(r'<b><a href="/box/([^"]+)">', page)
    assert looked
    assert 'class="asof"' in page
