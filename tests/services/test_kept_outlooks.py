"""Outlooks are kept from question to question, and whatever changed is answered as if nothing had been kept."""

from __future__ import annotations

import os
import pickle
import shutil
import sqlite3
import zlib
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing, contextmanager
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from kept_site import DAY, HOUR, LEAK_NOISE, NAMES, Site, Watched, ln_leak, made, with_fewer_draws

from monitor.presentation.clock import utc_now
from monitor.records import (
    Assessment,
    BoxState,
    EntryKind,
    LedgerEntry,
    Mark,
    Outlook,
    Reading,
    SensorSpec,
    WhatIf,
)
from monitor.services import kept_outlooks, packing
from monitor.services.assess import assess
from monitor.services.histories import Histories
from monitor.services.packing import packed, unpacked
from monitor.store.listener_lock import lock_shelf
from monitor.store.opening import Stores, open_stores
from monitor.store.sqlite import kept_outlooks as rows_kept
from monitor.store.sqlite.kept_outlooks import SqliteKeptOutlooks

NIGHT = made(60)[1] + timedelta(days=40)
LATER = NIGHT + 2 * HOUR
ALL, NONE = set(NAMES), set[str]()


@pytest.fixture(scope="module")
def asked_once(tmp_path_factory: pytest.TempPathFactory) -> Site:
    """A site that was asked once, whose middle box has a gap of a day that may come later."""
    site = Site.begun(tmp_path_factory.mktemp("asked"))
    site.arrive(NIGHT, lambda one: one.box == "middle" and NIGHT - 20 * DAY <= one.at < NIGHT - 19 * DAY)
    with pytest.MonkeyPatch.context() as patch:
        with_fewer_draws(patch)
        site.ask(NIGHT)
    return site


@pytest.fixture
def site(asked_once: Site, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Site:
    with_fewer_draws(monkeypatch)
    shutil.copytree(asked_once.folder, tmp_path / "site")
    return replace(asked_once, folder=tmp_path / "site", told={k: list(v) for k, v in asked_once.told.items()})


@pytest.fixture
def watched(monkeypatch: pytest.MonkeyPatch) -> Watched:
    watched = Watched()
    watched.stand_between(monkeypatch)
    return watched


def arrive_late(site: Site) -> None:
    with site.stores() as stores:
        stores.readings.add(site.late)


def log(site: Site, kind: EntryKind, at: datetime, box: str = "middle", **what: object) -> int:
    with site.stores() as stores:
        return stores.ledger.log(LedgerEntry(kind, box, at, **what), at)  # type: ignore[arg-type]


def rows(site: Site) -> dict[str, tuple[int, int]]:
    """Return size and instant of what is kept of each box."""
    with closing(sqlite3.connect(site.path)) as connection:
        found = connection.execute(
            "SELECT box, length(answer) + length(teaching) + coalesce(length(fit), 0), as_of_ms FROM kept_outlooks"
        )
        return {name: (size, as_of_ms) for name, size, as_of_ms in found}


def change(site: Site, statement: str, *values: object) -> None:
    with closing(sqlite3.connect(site.path)) as connection, connection:
        connection.execute(statement, values)


# --- what is answered from what ------------------------------------------------------------------------------------


def test_a_question_after_the_first_is_answered_as_it_was(site: Site, watched: Watched) -> None:
    before = site.ask(NIGHT)
    assert watched.since() == (NONE, NONE)
    assert site.ask(NIGHT + timedelta(minutes=59)).keys() == before.keys()
    assert watched.since() == (NONE, NONE)
    assert before == site.ask(NIGHT, fresh=True)


def test_hours_are_added_and_nothing_is_fitted_again(site: Site, watched: Watched) -> None:
    site.arrive(LATER)
    now = site.ask(LATER)
    assert watched.since() == (NONE, ALL)
    assert site.ask(LATER) == now
    assert watched.since() == (NONE, NONE)


def test_fresh_calculates_everything_anew_and_keeps_it(site: Site, watched: Watched) -> None:
    with site.stores(read_only=True) as stores:
        assess(stores.readings, stores.ledger, site.boxes, LATER, kept=stores.outlooks, fresh=True, workers=1)
    assert watched.since() == (ALL, NONE)
    assert {as_of_ms for _, as_of_ms in rows(site).values()} == {int(LATER.timestamp() * 1000)}


def test_an_estimate_is_kept_within_two_hundred_kilobytes(site: Site) -> None:
    assert rows(site).keys() == ALL
    assert max(size for size, _ in rows(site).values()) <= 200_000


def declared(site: Site) -> None:
    site.declare("middle", sensor=SensorSpec(0.01, 0.001))


def withdrawn(site: Site) -> None:
    with site.stores() as stores:
        stores.imports.withdraw_span("middle", NIGHT - 10 * DAY, NIGHT - 9 * DAY, NIGHT)


def marked(site: Site) -> None:
    with site.stores() as stores:
        series = stores.readings.series("middle", NIGHT - 6 * DAY, NIGHT - 5 * DAY)
        series.marks[:] = Mark.spike.bit
        stores.readings.mark(series)


CHANGES: dict[str, Callable[[Site], object]] = {
    "declared": declared,
    "another limit": lambda site: site.declare("middle", humidity_limit=0.25),
    "late": arrive_late,
    "withdrawn": withdrawn,
    "marked": marked,
    "opened": lambda site: log(site, EntryKind.opening, NIGHT - 3 * DAY),
    "opened since": lambda site: log(site, EntryKind.opening, NIGHT + HOUR),
    "weighed": lambda site: log(site, EntryKind.weighing, NIGHT - DAY, mass_g=104.0),
    "a note": lambda site: log(site, EntryKind.note, NIGHT - DAY, note="moved to the shelf above"),
}


@pytest.mark.parametrize("what", CHANGES)
@pytest.mark.parametrize("at", [NIGHT, LATER], ids=["at once", "hours later"])
def test_what_changed_is_fitted_again_and_nothing_else_has_to_be(
    what: str, at: datetime, site: Site, watched: Watched
) -> None:
    if what == "opened since" and at == NIGHT:
        pytest.skip("that is still to come")
    site.arrive(at)
    CHANGES[what](site)
    now = site.ask(at)
    fitted, _ = watched.since()
    assert "middle" in fitted
    if fitted == ALL:
        assert now == site.ask(at, fresh=True)
    else:
        anew = site.ask(at, fresh=True)
        assert abs(ln_leak(now["middle"]) - ln_leak(anew["middle"])) < LEAK_NOISE
    watched.since()
    assert site.ask(at) == now
    assert watched.since() == (NONE, NONE)


def test_what_was_taken_back_is_as_if_it_had_never_been(site: Site, watched: Watched) -> None:
    before = site.ask(NIGHT)
    number = log(site, EntryKind.opening, NIGHT - 3 * DAY)
    with site.stores() as stores:
        stores.ledger.undo(number, NIGHT)
    assert site.ask(NIGHT) == before
    assert watched.since() == (NONE, NONE)


def test_a_question_about_the_past_is_calculated_and_leaves_what_is_kept(site: Site, watched: Watched) -> None:
    kept, at = rows(site), NIGHT - 5 * DAY
    assert site.ask(at, of_the_past=True) == site.ask(at, fresh=True, of_the_past=True)
    assert watched.since()[0] == ALL
    assert rows(site) == kept


@pytest.mark.parametrize("readings_too", [False, True])
def test_what_a_wrong_clock_left_does_not_stay(site: Site, watched: Watched, readings_too: bool) -> None:
    """Readings that were dated ahead stay, and say that more is known; still the question is about now."""
    if readings_too:
        with site.stores() as stores:
            stores.readings.add([Reading("left", NIGHT + 1999 * DAY, 21.5, 0.09)])
    site.ask(NIGHT + 2000 * DAY)
    watched.since()
    site.ask(NIGHT)
    assert {as_of_ms for _, as_of_ms in rows(site).values()} == {int(NIGHT.timestamp() * 1000)}
    watched.since()
    site.ask(NIGHT)
    assert watched.since() == (NONE, NONE)


def test_a_box_with_too_little_evidence_is_looked_at_again_every_hour(
    tmp_path: Path, watched: Watched, monkeypatch: pytest.MonkeyPatch
) -> None:
    site, at = Site.begun(tmp_path, names=["left"]), made(60)[1] + 20 * HOUR
    site.arrive(at)
    for hours in range(2):
        assert site.ask(at + hours * HOUR)["left"].state is BoxState.not_enough_evidence
        assert watched.since() == ({"left"}, NONE)
        assert site.ask(at + (hours + 0.5) * HOUR)["left"].refusal
        assert watched.since() == (NONE, NONE)


def test_boxes_that_come_go_and_change_their_name(site: Site, watched: Watched) -> None:
    whole = site.boxes
    site.boxes = whole[:2]
    site.ask(NIGHT)
    assert rows(site).keys() == {"left", "middle"}
    with site.stores() as stores:
        stores.boxes.rename("left", "upper", NIGHT)
    site.boxes = [replace(whole[0], name="upper"), *whole[1:]]
    watched.since()
    assert site.ask(NIGHT).keys() == {"upper", "middle", "right"}
    assert watched.since()[0] >= {"upper", "right"}
    assert rows(site).keys() == {"upper", "middle", "right"}
    with site.stores() as stores:
        stores.boxes.remove("right", NIGHT)
    site.boxes = site.boxes[:2]
    assert site.ask(NIGHT).keys() == {"upper", "middle"}
    assert rows(site).keys() == {"upper", "middle"}


def test_a_name_that_another_box_had_before_is_not_answered_for_that_one(site: Site) -> None:
    with site.stores() as stores:
        for old, new in (("left", "spare"), ("right", "left"), ("spare", "right")):
            stores.boxes.rename(old, new, NIGHT)
    assert site.ask(NIGHT) == site.ask(NIGHT, fresh=True)


def test_what_if_and_another_limit_are_asked_of_what_is_kept(site: Site, watched: Watched) -> None:
    usual = site.ask(NIGHT)["left"].forecast
    asked = site.ask(NIGHT, change=WhatIf(conductance_factor=0.5), asked=["left"])
    assert watched.since() == (NONE, {"left"})
    assert asked["left"].forecast_if is not None
    assert asked["right"].forecast_if is None
    stricter = site.ask(NIGHT, humidity_limit=0.12, asked=["left"])
    assert stricter["left"].box.humidity_limit == 0.12
    assert stricter["right"].box.humidity_limit == 0.20
    assert sum(stricter["left"].forecast.chance_by_day) > sum(usual.chance_by_day)  # type: ignore[union-attr]
    assert site.ask(NIGHT)["left"].forecast == usual


@pytest.mark.parametrize("why", ["no fit", "a damaged one", "a week"])
def test_what_if_is_answered_also_where_the_fit_is_of_no_use(site: Site, why: str) -> None:
    at = NIGHT
    if why == "a week":
        for hours in (24 * 7 - 0.5, 24 * 7 + 0.25):
            at = NIGHT + hours * HOUR
            site.arrive(at)
            site.ask(NIGHT + (24 * 7 - 0.5) * HOUR)
    else:
        change(site, "UPDATE kept_outlooks SET fit = ?", None if why == "no fit" else b"\x00" * 300)
    asked = site.ask(at, change=WhatIf(conductance_factor=0.5), humidity_limit=0.15)
    for answer in asked.values():
        assert answer.forecast is not None
        assert answer.forecast_if is not None
        assert answer.forecast.humidity_limit == answer.box.humidity_limit == 0.15


def test_a_box_that_moves_the_others_is_heard_also_by_one_who_was_not_there(site: Site, watched: Watched) -> None:
    """As after a kill between two boxes: the row of the one that changed is new, those of the others are old."""
    with closing(sqlite3.connect(site.path)) as connection, connection:
        old = connection.execute("SELECT * FROM kept_outlooks WHERE box <> 'middle'").fetchall()
    for number in range(3):
        log(site, EntryKind.opening, NIGHT - (3 + number) * DAY)
    site.declare("middle", volume_liter=80.0)
    site.ask(NIGHT)
    assert watched.since()[0] == ALL, "so much air is heard by the others"
    with closing(sqlite3.connect(site.path)) as connection, connection:
        connection.executemany(f"INSERT OR REPLACE INTO kept_outlooks VALUES ({', '.join('?' * len(old[0]))})", old)
    now = site.ask(NIGHT)
    assert watched.since()[0] == {"left", "right"}
    assert now == site.ask(NIGHT, fresh=True)


# --- two at once ---------------------------------------------------------------------------------------------------


def test_two_threads_that_ask_at_once_get_the_same_answer(site: Site) -> None:
    site.arrive(NIGHT + DAY)
    with ThreadPoolExecutor(2) as threads:
        one, other = threads.map(lambda _: site.ask(NIGHT + DAY), range(2))
    assert one == other == site.ask(NIGHT + DAY)


def test_one_whose_fits_another_moved_on_meanwhile_gives_the_answer_of_that_one(
    site: Site, watched: Watched, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One has read which fits hold; before it reads them, the other has put newer ones in their place."""
    site.arrive(NIGHT + DAY)
    usual, others = SqliteKeptOutlooks.fit, []

    def overtaken(*told: Any) -> bytes | None:
        monkeypatch.setattr(SqliteKeptOutlooks, "fit", usual)
        others.append(site.ask(NIGHT + DAY))
        return usual(*told)

    monkeypatch.setattr(SqliteKeptOutlooks, "fit", overtaken)
    assert [site.ask(NIGHT + DAY)] == others
    assert watched.since() == (NONE, ALL)


@contextmanager
def held_by_another(site: Site) -> Iterator[None]:
    with closing(sqlite3.connect(site.path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        yield
        other.execute("ROLLBACK")


def test_while_another_writes_the_answer_comes_and_nothing_is_kept(site: Site, watched: Watched) -> None:
    site.arrive(NIGHT + DAY)
    kept = rows(site)
    with held_by_another(site):
        now = site.ask(NIGHT + DAY)
    assert all(answer.forecast for answer in now.values())
    assert rows(site) == kept
    watched.since()
    site.ask(NIGHT + DAY)
    assert watched.since() == (NONE, ALL)
    assert rows(site) != kept


def test_many_boxes_wait_once_for_another_who_writes(site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    tries: list[int] = []
    with site.stores(read_only=True) as stores:
        keep = SqliteKeptOutlooks.keep

        def counted(*told: Any) -> bool:
            tries.append(1)
            return keep(*told)

        monkeypatch.setattr(SqliteKeptOutlooks, "keep", counted)
        monkeypatch.setattr(kept_outlooks, "_AT_A_TIME", 1)
        with held_by_another(site):
            assess(stores.readings, stores.ledger, site.boxes, LATER, kept=stores.outlooks, workers=1)
    assert tries == [1]


def test_what_was_fitted_from_an_older_state_does_not_hide_a_newer_one(
    site: Site, watched: Watched, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One process has read what was kept, and writes after another has answered for another volume of one box."""
    usual = SqliteKeptOutlooks.keep
    site.declare("right", volume_liter=11.0)
    with site.stores(read_only=True) as slow:
        question = _question(slow, site)
        keep = slow.outlooks.keep

        def overtaken(*told: Any) -> bool:
            monkeypatch.setattr(SqliteKeptOutlooks, "keep", usual)
            site.declare("middle", volume_liter=80.0)
            site.ask(NIGHT)
            return keep(*told)

        monkeypatch.setattr(SqliteKeptOutlooks, "keep", lambda _self, *told: overtaken(*told))
        question.outlooks()
    watched.since()
    now = site.ask(NIGHT)
    assert watched.since()[0] >= {"right"}
    anew = site.ask(NIGHT, fresh=True)
    for name in NAMES:
        assert abs(ln_leak(now[name]) - ln_leak(anew[name])) < LEAK_NOISE


def _question(stores: Stores, site: Site) -> kept_outlooks.Round:
    histories = Histories.of(stores.readings, stores.ledger, site.boxes, NIGHT)
    return kept_outlooks.Round(histories, stores.outlooks, workers=1)


def test_where_the_log_of_a_listener_was_taken_away_nothing_is_kept(site: Site) -> None:
    site.arrive(LATER)
    kept = rows(site)
    with lock_shelf(site.folder, utc_now()), site.stores(read_only=True) as stores:
        Path(f"{site.path}-wal").unlink()
        assess(stores.readings, stores.ledger, site.boxes, LATER, kept=stores.outlooks, workers=1)
    assert rows(site) == kept


@pytest.mark.skipif(os.name != "posix" or os.getuid() == 0, reason="needs a user whom permissions bind")
def test_a_read_only_file_is_answered_from(site: Site) -> None:
    site.path.chmod(0o400)
    site.folder.chmod(0o500)
    try:
        assert all(answer.forecast for answer in site.ask(LATER).values())
    finally:
        site.folder.chmod(0o700)
        site.path.chmod(0o600)


def test_an_older_backup_that_is_put_back_answers_for_its_own_readings(site: Site, tmp_path: Path) -> None:
    with site.stores() as stores:
        stores.upkeep.back_up(tmp_path / "backup.sqlite3")
    old = site.ask(NIGHT)
    arrive_late(site)
    log(site, EntryKind.opening, NIGHT - 3 * DAY)
    site.ask(NIGHT)
    for file in site.folder.glob("siccast.sqlite3*"):
        file.unlink()
    shutil.copy(tmp_path / "backup.sqlite3", site.path)
    assert site.ask(NIGHT) == old == site.ask(NIGHT, fresh=True)


# --- what is damaged, foreign or made by other code ----------------------------------------------------------------


def poisoned(word: bytes) -> bytes:
    """A pickle that would call a function, if it were let."""
    return zlib.compress(b"cposix\nsystem\n(S'touch " + word + b"'\ntR.")


def ours_called() -> bytes:
    return zlib.compress(pickle.dumps(_Calls()))


class _Calls:
    def __reduce__(self) -> tuple[object, tuple[object, ...]]:
        return open_stores, (Path("made-by-a-pickle.sqlite3"),)


BLOBS: dict[str, bytes] = {
    "random": os.urandom(500),
    "empty": b"",
    "another class": packed(Reading("left", NIGHT, 21.0, 0.1)),
    "a function of the system": poisoned(b"made-by-a-pickle.sqlite3"),
    "a function of ours": ours_called(),
    "bits of a good one": packed(Outlook(refusal="too little"))[:-9],
}


@pytest.mark.parametrize(
    ("column", "blob"),
    [*((column, blob) for column in ("answer", "teaching", "fit") for blob in BLOBS), ("rests_on", "random"),
     ("fit_rests_on", "random")],
)  # fmt: skip
def test_damaged_and_foreign_rows_are_dropped_and_made_again(
    column: str,
    blob: str,
    site: Site,
    monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
) -> None:
    """Also where their checksum was mended: whoever can write to the file must not make us call anything."""
    monkeypatch.chdir(site.folder)
    before = site.ask(NIGHT)
    change(site, f"UPDATE kept_outlooks SET {column} = ? WHERE box = 'middle'", BLOBS[blob])
    mend_checksums(site)
    site.arrive(LATER)
    for at in (NIGHT, LATER):
        now = site.ask(at)
        assert {name: answer.state for name, answer in now.items()} == dict.fromkeys(NAMES, BoxState.within_limit)
        assert [*map(ln_leak, now.values())] == pytest.approx([*map(ln_leak, before.values())], abs=LEAK_NOISE)
    assert {as_of_ms for _, as_of_ms in rows(site).values()} == {int(LATER.timestamp() * 1000)}
    assert not (site.folder / "made-by-a-pickle.sqlite3").exists()
    assert capfd.readouterr() == ("", "")


def mend_checksums(site: Site) -> None:
    with closing(sqlite3.connect(site.path)) as connection, connection:
        for row in connection.execute(f"SELECT {rows_kept._KEPT} FROM kept_outlooks").fetchall():
            values = rows_kept._checksum(row), row[0]
            connection.execute("UPDATE kept_outlooks SET checksum = ? WHERE box = ?", values)


def test_a_row_with_one_bit_turned_is_passed_over(site: Site, watched: Watched) -> None:
    with closing(sqlite3.connect(site.path)) as connection:
        (answer,) = connection.execute("SELECT answer FROM kept_outlooks WHERE box = 'left'").fetchone()
    change(
        site,
        "UPDATE kept_outlooks SET answer = ? WHERE box = 'left'",
        answer[:40] + bytes([answer[40] ^ 1]) + answer[41:],
    )
    site.ask(NIGHT)
    assert watched.since() == ({"left"}, NONE)


def test_rows_of_other_code_are_made_again(site: Site, watched: Watched, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(kept_outlooks, "version_of_code", lambda: b"another")
    site.ask(NIGHT)
    assert watched.since() == (ALL, NONE)
    site.ask(NIGHT)
    assert watched.since() == (NONE, NONE)


def test_the_version_of_the_code_is_that_of_its_files(monkeypatch: pytest.MonkeyPatch) -> None:
    before = packing.version_of_code.__wrapped__()
    read = Path.read_bytes
    monkeypatch.setattr(Path, "read_bytes", lambda path: read(path) + (b"#" if path.name == "last_fit.py" else b""))
    assert before == packing.version_of_code()
    assert before != packing.version_of_code.__wrapped__()


def test_only_values_of_our_own_are_unpacked() -> None:
    assert unpacked(packed(Outlook(refusal="too little")), Outlook) == Outlook(refusal="too little")
    assert unpacked(packed(Outlook()), Assessment) is None
    for blob in BLOBS.values():
        assert unpacked(blob, Outlook) is None


def test_an_estimate_that_is_too_large_is_not_kept(
    site: Site, watched: Watched, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(rows_kept, "_LARGEST_BYTES", 1000)
    arrive_late(site)
    site.ask(NIGHT)
    watched.since()
    now = site.ask(NIGHT)
    assert "middle" in watched.since()[0]
    assert abs(ln_leak(now["middle"]) - ln_leak(site.ask(NIGHT, fresh=True)["middle"])) < LEAK_NOISE
