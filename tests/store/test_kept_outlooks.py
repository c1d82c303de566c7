"""Rows of kept outlooks: what comes back, what is forgotten, and a disk on which nothing can be kept."""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from monitor.records import KeptOutlook, Reading
from monitor.store.opening import Stores, open_stores
from tests.reliability.trouble import fill, remount, small_disk

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

AT = datetime(2026, 3, 1, 7, 30, 0, 123_000, tzinfo=UTC)
ONE = KeptOutlook("pla", AT, b"rests", b"answer", b"teaching", AT - timedelta(hours=3), b"fit rests")


@pytest.fixture
def stores(tmp_path: Path) -> Iterator[Stores]:
    """Give what a command has, which only reads."""
    path = tmp_path / "siccast.sqlite3"
    with open_stores(path, begin=True):
        pass
    with open_stores(path, read_only=True) as opened:
        yield opened


def test_what_is_kept_comes_back(stores: Stores) -> None:
    refused = KeptOutlook("new", AT, b"rests", b"refusal", b"")
    assert stores.outlooks.all() == {}
    assert stores.outlooks.heard() == b""
    assert stores.outlooks.keep([(ONE, b"fit"), (refused, None)], ["pla", "new"], b"heard")
    assert stores.outlooks.all() == {"pla": ONE, "new": refused}
    assert [stores.outlooks.all(box) for box in ("pla", "gone")] == [{"pla": ONE}, {}]
    assert stores.outlooks.fit("pla", b"fit rests") == b"fit"
    assert stores.outlooks.fit("pla", b"another") is None
    assert stores.outlooks.fit("new", b"") is None
    assert stores.outlooks.heard() == b"heard"


def test_a_fit_stays_while_its_answers_change(stores: Stores) -> None:
    stores.outlooks.keep([(ONE, b"fit")], ["pla"], b"heard")
    later = replace(ONE, as_of=AT + timedelta(hours=2), answer=b"later")
    assert stores.outlooks.keep([(later, None)], ["pla"])
    assert stores.outlooks.all() == {"pla": later}
    assert stores.outlooks.fit("pla", b"fit rests") == b"fit"
    assert stores.outlooks.heard() == b"heard"


def test_an_answer_from_a_fit_that_another_has_replaced_is_not_kept(stores: Stores) -> None:
    newer = replace(ONE, fit_rests_on=b"newer")
    stores.outlooks.keep([(newer, b"newer fit")], ["pla"])
    assert stores.outlooks.keep([(ONE, None)], ["pla"])
    assert stores.outlooks.all() == {"pla": newer}


def test_all_but_the_boxes_of_the_shelf_are_forgotten(stores: Stores) -> None:
    stores.outlooks.keep([(ONE, b"fit"), (replace(ONE, box="gone"), b"fit")], ["pla", "gone"])
    stores.outlooks.keep([], ["pla"])
    assert stores.outlooks.all().keys() == {"pla"}


def test_no_more_than_two_hundred_kilobytes_are_kept_of_a_box(stores: Stores) -> None:
    stores.outlooks.keep(
        [(ONE, os.urandom(199_000)), (replace(ONE, box="large"), os.urandom(201_000))], ["pla", "large"]
    )
    assert stores.outlooks.all().keys() == {"pla"}


def test_where_the_tables_are_gone_nothing_is_kept_and_nothing_said(stores: Stores, tmp_path: Path) -> None:
    with closing(sqlite3.connect(tmp_path / "siccast.sqlite3")) as other, other:
        for table in ("kept_outlooks", "kept_teachings"):
            other.execute(f"DROP TABLE {table}")
    assert not stores.outlooks.keep([(ONE, b"fit")], ["pla"], b"heard")
    assert stores.outlooks.all() == {}
    assert stores.outlooks.heard() == b""
    assert stores.outlooks.fit("pla", b"fit rests") is None


def test_on_a_full_disk_nothing_more_is_kept(tmp_path: Path) -> None:
    with small_disk(tmp_path / "disk", megabytes=4) as disk:
        path = begun(disk)
        with open_stores(path, read_only=True) as stores:
            filler = fill(disk)
            kept = [stores.outlooks.keep([(ONE, os.urandom(190_000))], ["pla"]) for _ in range(20)]
            assert not kept[-1]
            assert stores.outlooks.all() == {"pla": ONE}
        filler.unlink()
        with closing(sqlite3.connect(path)) as connection:
            assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)


def test_what_was_kept_is_read_where_nothing_can_be_written(tmp_path: Path) -> None:
    with small_disk(tmp_path / "disk", megabytes=4) as disk:
        path = begun(disk)
        remount(disk, "ro")
        with open_stores(path, read_only=True) as stores:
            assert not stores.outlooks.keep([(replace(ONE, answer=b"later"), b"fit")], ["pla"])
            assert stores.outlooks.all() == {"pla": ONE}
            assert stores.outlooks.fit("pla", b"fit rests") == b"fit"
        remount(disk, "rw")


def begun(folder: Path) -> Path:
    """Return a database in which one outlook is kept."""
    path = folder / "siccast.sqlite3"
    with open_stores(path, begin=True):
        pass
    with open_stores(path, read_only=True) as stores:
        assert stores.outlooks.keep([(ONE, b"fit")], ["pla"], b"heard")
    return path


@given(
    st.lists(st.tuples(st.sampled_from(["late", "withdraw", "sum", "remove hours"]), st.integers(0, 1999)), max_size=8)
)
@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_sums_of_hours_that_are_over_never_change_a_digest(
    tmp_path_factory: pytest.TempPathFactory, deeds: list[tuple[str, int]]
) -> None:
    """Of whatever is written meanwhile, a file that keeps no sums says just the same."""
    path = tmp_path_factory.mktemp("sums") / "siccast.sqlite3"
    end = AT + timedelta(hours=2000)
    with open_stores(path, begin=True, synchronous="OFF") as stores:
        stores.readings.add(Reading("pla", AT + timedelta(hours=hour), 20.0, 0.1) for hour in range(0, 2000, 7))
        stores.outlooks.keep([(ONE, b"fit")], ["pla"])
        for deed, hour in deeds:
            if deed == "late":
                stores.readings.add([Reading("pla", AT + timedelta(hours=hour, minutes=9), 21.0, 0.2)])
            elif deed == "sum":
                stores.outlooks.keep([(ONE, b"fit")], ["pla"])
            else:
                with closing(sqlite3.connect(path)) as other, other:
                    first = int(AT.timestamp()) // 3600 + hour
                    change = "DELETE FROM hourly" if deed == "remove hours" else "UPDATE hourly SET count = count + 1"
                    other.execute(f"{change} WHERE hour BETWEEN ? AND ? + 20", (first, first))
        spans = [(None, end), (AT + timedelta(hours=700), end), (None, AT + timedelta(hours=1300))]
        with_sums = [stores.readings.digest("pla", *span) for span in spans]
    with closing(sqlite3.connect(path)) as other, other:
        assert deeds or other.execute("SELECT count(*) FROM hours_summed").fetchone()[0] >= 3
        other.execute("DELETE FROM hours_summed")
    with open_stores(path, read_only=True) as stores:
        assert [stores.readings.digest("pla", *span) for span in spans] == with_sums
