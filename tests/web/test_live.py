"""Open pages hear of what happens anywhere: readings, deeds, declarations, the listener; and streams end when asked."""

from __future__ import annotations

import asyncio
import sqlite3
import threading
from contextlib import ExitStack
from datetime import timedelta
from functools import partial
from pathlib import Path
from typing import Any

import httpx
import pytest
from living_shelf import add_elsewhere, listening, living_shelf, siccast
from shelf_on_page import got, keeper_by_hand, make_shelf, serving

from monitor.presentation.clock import utc_now
from monitor.records import EntryKind, LedgerEntry
from monitor.settings import load_shelf
from monitor.store.listener_lock import lock_shelf
from monitor.store.opening import Watch
from monitor.web import live
from monitor.web.app import create_app
from monitor.web.live import Subscribers
from monitor.web.site import ShelfFile, Site
from monitor.web.snapshot import Keeper, carry, read_stamp, take_snapshot


def plain(text: str) -> str:
    return text.replace("\N{NARROW NO-BREAK SPACE}", " ")


def test_a_reading_of_another_process_is_told_to_every_page_and_shown(tmp_path: Path) -> None:
    shelf = living_shelf(tmp_path)
    with serving(shelf) as address, listening(address) as one, listening(address) as other:
        assert "13.7 %" not in plain(got(address).text)
        add_elsewhere(shelf, "left", 0.137)
        one.of("readings")
        other.of("readings")
        assert "13.7 %" in plain(got(address).text)
        assert "13.7 %" in plain(got(f"{address}/box/left").text)
        assert "13.7 %" in plain(got(f"{address}/wall").text)


def test_a_reading_over_the_limit_changes_figure_and_state_together(tmp_path: Path) -> None:
    shelf = living_shelf(tmp_path)
    with serving(shelf) as address, listening(address) as told:
        add_elsewhere(shelf, "left", 0.30)
        while "30.0 %" not in plain(page := got(address).text):
            assert '<li class="stand over"' not in page
            told.of("outlook")
    assert '<li class="stand over"' in page


def test_a_deed_logged_at_the_command_line_is_told_shown_and_answered_anew(tmp_path: Path) -> None:
    shelf = living_shelf(tmp_path)
    with serving(shelf) as address, listening(address) as told:
        siccast(shelf, "log", "opening", "left", "--note", "a new spool")
        told.of("deed")
        assert "a new spool" in got(f"{address}/box/left").text
        told.of("outlook")


def test_what_another_process_does_at_the_desk_is_told_to_pages_of_runs_too(tmp_path: Path) -> None:
    shelf = living_shelf(tmp_path)
    with serving(shelf) as address, listening(address) as told:
        siccast(shelf, "lot", "buy", "autumn", "orange_gel", "1kg")
        told.of("deed")


def test_a_deed_of_this_page_is_in_the_snapshot_before_it_is_answered(tmp_path: Path) -> None:
    shelf = living_shelf(tmp_path)

    def log(site: Site) -> None:
        at = utc_now()
        with site.writing() as stores:
            stores.ledger.log(LedgerEntry(EntryKind.note, "left", at, note="seen at once"), at)
        assert site.keeper.newest is not None
        assert site.keeper.newest.as_of > at

    async def run() -> None:
        keeper = Keeper(partial(take_snapshot, shelf), partial(read_stamp, shelf), carry=partial(carry, shelf))
        await keeper.renew()
        async with keeper.running():
            await asyncio.to_thread(log, Site(ShelfFile(shelf), keeper))

    asyncio.run(run())


def test_a_box_that_speaks_for_the_first_time_gets_its_place(tmp_path: Path) -> None:
    shelf = living_shelf(tmp_path)
    with serving(shelf) as address, listening(address) as told:
        add_elsewhere(shelf, "stranger", 0.2)
        while "stranger" not in got(address).text:
            told.of("outlook")


def test_a_broken_shelf_file_is_said_until_it_is_mended(tmp_path: Path) -> None:
    shelf = living_shelf(tmp_path)
    path = shelf.folder / "shelf.toml"
    whole = path.read_text()
    with serving(shelf) as address, listening(address) as told:
        path.write_text(whole + "\n[boxes.left]\nlimit_rh_pct = 900\n")
        told.of("listener")
        assert "shelf.toml can&#39;t be used as it is." in got(address).text
        for undo in (path.unlink, lambda: path.write_text("")):
            undo()
            while "shelf.toml is gone or empty. Put back what it said" not in (page := plain(got(address).text)):
                told.of("listener")
            assert "20 %" in page, "the last one counts"
        path.write_text(whole.replace("limit_rh_pct = 20", "limit_rh_pct = 19"))
        while "19 %" not in plain(got(address).text):
            told.of("outlook")
        assert "be used as it is" not in got(address).text


def test_a_listener_that_ends_is_said_on_every_page_and_one_that_starts_takes_it_back(tmp_path: Path) -> None:
    shelf = living_shelf(tmp_path, last_ago=timedelta(hours=2))
    with serving(shelf) as address, listening(address) as told:
        for path in ("", "/box/left", "/wall"):
            while "The listener has been silent since" not in (page := got(address + path).text):
                told.of("listener")
            assert f"<code>siccast --shelf {tmp_path} listen</code>" in page
        with lock_shelf(tmp_path, utc_now()):
            told.of("listener")
            assert "The listener has been silent" not in got(address).text
        told.of("listener")
        assert "The listener has been silent" in got(address).text


def test_a_recording_expects_no_listener(tmp_path: Path) -> None:
    shelf = make_shelf(tmp_path)
    with serving(shelf, keeper_by_hand(shelf)) as address, listening(address):
        assert "listener" not in got(address).text


def test_a_vanished_database_is_said_and_taken_back_when_it_is_there_again(tmp_path: Path) -> None:
    shelf = living_shelf(tmp_path)
    with serving(shelf) as address, listening(address) as told:
        shelf.database_path.rename(tmp_path / "away")
        while "there is no database" not in got(address).text:
            told.of("outlook")
        (tmp_path / "away").rename(shelf.database_path)
        while "there is no database" in got(address).text:
            told.of("outlook")


def test_a_locked_database_is_said_and_the_boxes_are_shown_once_it_is_free(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("monitor.store.sqlite.connection.BUSY_TIMEOUT_S", 0.1)
    shelf = living_shelf(tmp_path)
    other = sqlite3.connect(shelf.database_path)
    other.execute("PRAGMA locking_mode = EXCLUSIVE")
    other.execute("BEGIN IMMEDIATE")
    with serving(shelf, wait_for="another process is using it") as address:
        other.close()
        while "10.0 %" not in plain(got(address).text):
            pass


def test_more_pages_than_are_told_get_503_and_when_to_try_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(live, "MOST_PAGES", 2)
    shelf = make_shelf(tmp_path)
    with serving(shelf, keeper_by_hand(shelf)) as address:
        with listening(address), listening(address):
            refused = got(f"{address}/live")
            assert refused.status_code == 503
            assert int(refused.headers["retry-after"]) > 0
        while True:  # both left: a place is free as soon as the server has noticed
            with httpx.stream("GET", f"{address}/live", timeout=None) as answer:
                if answer.status_code == 200:
                    break


def test_streams_end_with_the_server_and_leave_no_thread(tmp_path: Path) -> None:
    shelf = living_shelf(tmp_path)
    before = set(threading.enumerate())
    with ExitStack() as server:
        address = server.enter_context(serving(shelf))
        with listening(address) as told:
            thread = threading.Thread(target=told.to_the_end)
            thread.start()
            server.close()
            thread.join()
    with pytest.raises(httpx.TransportError):
        httpx.get(address)
    assert {one for one in threading.enumerate() if one.is_alive()} - before == set()


def test_the_watch_looks_while_the_server_runs_and_no_longer(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    looks = threading.Semaphore(0)
    look = Watch.look

    def counted(watch: Watch) -> object:
        looks.release()
        return look(watch)

    async def run() -> None:
        app = create_app(shelf, keeper=keeper_by_hand(shelf))
        async with app.router.lifespan_context(app):
            await asyncio.to_thread(looks.acquire)
            await asyncio.to_thread(looks.acquire)
        assert asyncio.all_tasks() == {asyncio.current_task()}

    shelf = make_shelf(tmp_path)
    monkeypatch.setattr(Watch, "look", counted)
    asyncio.run(run())


def test_a_page_that_leaves_is_counted_no_longer() -> None:
    subscribers = Subscribers()

    async def leave() -> None:
        left, sent = asyncio.Event(), asyncio.Event()

        async def receive() -> dict[str, str]:
            await left.wait()
            return {"type": "http.disconnect"}

        async def send(message: Any) -> None:
            if message.get("body"):
                sent.set()

        stream = await subscribers.listen(None)  # type: ignore[arg-type]
        task = asyncio.create_task(stream({"type": "http", "asgi": {"spec_version": "2.3"}}, receive, send))
        await sent.wait()
        assert len(subscribers) == 1
        left.set()
        await task
        assert len(subscribers) == 0

    asyncio.run(leave())


def test_a_slow_page_is_kept_no_more_than_the_kinds_that_changed() -> None:
    async def tell_often() -> set[str]:
        subscribers = Subscribers()
        with subscribers.subscribed() as slow:
            for _ in range(1000):
                subscribers.tell("readings")
                subscribers.tell("deed", "readings")
            return slow.take()

    assert asyncio.run(tell_often()) == {"readings", "deed"}


def test_a_page_that_connects_hears_of_what_happened_just_before() -> None:
    async def connect() -> set[str]:
        subscribers = Subscribers()
        subscribers.tell("deed")
        with subscribers.subscribed() as late:
            return late.take()

    assert asyncio.run(connect()) == {"deed"}


def test_what_did_not_change_is_not_sent_again(tmp_path: Path) -> None:
    shelf = living_shelf(tmp_path)
    with serving(shelf) as address, listening(address) as told:
        for path in ("/", "/wall", "/drying.ics", "/assets/live.js", "/manifest.webmanifest"):
            first = got(address + path)
            again = httpx.get(address + path, headers={"If-None-Match": first.headers["etag"]}, timeout=None)
            if again.status_code == 200:  # a minute passed, or something was assessed between the two
                again = httpx.get(address + path, headers={"If-None-Match": again.headers["etag"]}, timeout=None)
            assert (again.status_code, again.content) == (304, b""), path
            assert "no-cache" in first.headers["cache-control"]
        tag = got(address).headers["etag"]
        add_elsewhere(shelf, "right", 0.155)
        told.of("readings")
        changed = httpx.get(address, headers={"If-None-Match": tag}, timeout=None)
        assert changed.status_code == 200
        assert "15.5 %" in plain(changed.text)


def test_a_figure_is_never_from_before_what_was_shown_already(tmp_path: Path) -> None:
    """While all is assessed anew, which takes a while, readings come; none may be lost when that is done."""
    shelf = living_shelf(tmp_path, last_ago=timedelta(minutes=2))
    with serving(shelf) as address, listening(address) as told:
        (tmp_path / "shelf.toml").write_text((tmp_path / "shelf.toml").read_text() + "\n[boxes.third]\n")
        add_elsewhere(shelf, "left", 0.111)
        told.of("readings")
        while "third" not in got(address).text:
            told.of("outlook")
        assert "11.1 %" in plain(got(address).text)
    assert load_shelf(tmp_path, {}).box("third")
