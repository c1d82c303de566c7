"""Readings that share a commit: how long they wait, and what makes them wait no longer."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING

import pytest

from monitor.errors import SettingsError
from monitor.feed.batches import (
    MOST_BYTES,
    MOST_MESSAGES,
    Batches,
)
from monitor.records import RawMessage
from monitor.settings import load_shelf

if TYPE_CHECKING:
    from pathlib import Path


class Scripted:
    """A feed that brings what it is told to, and a clock beside it."""

    def __init__(self) -> None:
        self.now = 1000.0
        self.is_connected = True
        self.connections = 1
        self.waiting: list[RawMessage] = []
        self.acknowledged = 0

    def brings(self, count: int, payload: bytes = b"{}") -> None:
        self.waiting += [RawMessage("made", "t", payload, datetime(2026, 3, 2, tzinfo=UTC))] * count

    def receive(self, wait_s: float) -> list[RawMessage]:
        batch, self.waiting = self.waiting, []
        return batch

    def acknowledge(self, messages: list[RawMessage]) -> None:
        self.acknowledged += len(messages)


@pytest.fixture
def feed() -> Scripted:
    return Scripted()


def portions_of(feed: Scripted, every_s: float) -> Batches:
    return Batches(feed, every_s, lambda: feed.now)  # type: ignore[arg-type]


def test_at_nought_everything_is_handed_on_at_once(feed: Scripted) -> None:
    portions = portions_of(feed, 0.0)
    for count in (1, 3):
        feed.brings(count)
        assert len(portions.receive(1.0)) == count
    assert portions.receive(1.0) == []


def test_what_comes_within_a_minute_is_one_portion(feed: Scripted) -> None:
    portions = portions_of(feed, 60.0)
    handed = []
    for _ in range(61):
        feed.brings(1)
        handed.append(len(portions.receive(1.0)))
        feed.now += 1.0
    assert handed == [0] * 60 + [61]
    assert feed.acknowledged == 0, "before its commit nothing is"


@pytest.mark.parametrize("reason", ["many", "large", "lost", "again"])
def test_some_things_make_it_wait_no_longer(feed: Scripted, reason: str) -> None:
    portions = portions_of(feed, 60.0)
    feed.brings(2)
    assert portions.receive(1.0) == []
    if reason == "many":
        feed.brings(MOST_MESSAGES - 2)
    elif reason == "large":
        feed.brings(1, b" " * MOST_BYTES)
    elif reason == "lost":
        feed.is_connected = False
    else:
        feed.connections = 2
    assert len(portions.receive(1.0)) >= 2


def test_a_window_that_was_full_is_emptied_without_waiting(feed: Scripted) -> None:
    """Twenty on their way at most, and thirty a minute: the ten that had to wait come right after the answer."""
    portions = portions_of(feed, 60.0)
    feed.brings(20)
    assert portions.receive(1.0) == []
    feed.now += 60.0
    portions.acknowledge(portions.receive(1.0))
    feed.brings(10)
    assert len(portions.receive(1.0)) == 10
    feed.now += 5.0
    feed.brings(1)
    assert portions.receive(1.0) == [], "what comes later by itself waits for its minute again"


def test_the_broker_inside_can_not_wait(tmp_path: Path) -> None:
    (tmp_path / "shelf.toml").write_text("[store]\ncommit_every_s = 30\n")
    with pytest.raises(SettingsError, match=r"\[store\]: commit_every_s = 30.0 is not valid; it must be 0 without a"):
        load_shelf(tmp_path, {})
