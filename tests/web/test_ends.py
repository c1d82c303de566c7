"""A server that is stopped ends at once, whatever is open or being worked out, and says nothing about it."""

from __future__ import annotations

import asyncio
import socket
import threading
from collections.abc import Callable
from contextlib import ExitStack
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
from living_shelf import listening, living_shelf
from shelf_on_page import got, serving

from monitor.services import assess
from monitor.web.snapshot import Keeper, Snapshot

LATER = datetime(2026, 3, 5, tzinfo=UTC)
_HANGS_AFTER_S = 30


@pytest.mark.parametrize("steps", range(8))
def test_a_keeper_that_was_just_asked_to_look_ends_all_the_same(steps: int) -> None:
    """Between being asked and being told to end lie some steps of the loop; none of them may swallow the end."""

    async def run() -> None:
        keeper = Keeper(lambda clock: Snapshot(clock, ()), lambda _: 1, clock=lambda: LATER)
        async with keeper.running():
            await asyncio.sleep(0.01)
            keeper.look_soon()
            for _ in range(steps):
                await asyncio.sleep(0)

    async def still_there() -> set[asyncio.Task[None]]:
        _, pending = await asyncio.wait({asyncio.create_task(run())}, timeout=_HANGS_AFTER_S)
        return pending

    assert asyncio.run(still_there()) == set()


def test_a_server_ends_with_a_stream_a_half_sent_form_and_an_assessment(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture, capfd: pytest.CaptureFixture[str]
) -> None:
    shelf = living_shelf(tmp_path)
    before, begun, usual = set(threading.enumerate()), threading.Event(), assess.assess

    def assessed_for_ever(*stores: Any, progress: Callable[[float], None], **settings: Any) -> object:
        while True:
            usual(*stores, progress=progress, fresh=True, **settings)
            begun.set()

    with ExitStack() as server:
        address = server.enter_context(serving(shelf))
        with listening(address) as told, half_sent_form(address):
            monkeypatch.setattr(assess, "assess", assessed_for_ever)
            (tmp_path / "shelf.toml").touch()
            told.of("listener")
            assert begun.wait(_HANGS_AFTER_S)
            assert got(address).status_code == 200
            server.close()
    assert {one for one in threading.enumerate() if one.is_alive()} <= before
    assert [record.getMessage() for record in caplog.records] == []
    assert capfd.readouterr().err == ""


def half_sent_form(address: str) -> socket.socket:
    place = urlsplit(address)
    connection = socket.create_connection((place.hostname or "", place.port or 0))
    connection.sendall(b"POST /enter HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 100\r\n\r\ntoken=")
    return connection
