"""Imports by number, and what is set aside: withdrawn, put back, never lost, and never out of step with the roll-up."""

from __future__ import annotations

import contextlib
import sqlite3
import tempfile
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from monitor.errors import LedgerError, UnknownBoxError
from monitor.presentation.clock import utc_now
from monitor.records import ImportKind, InfluxAddress, Mark, Reading, ReadingSource, Rejection
from monitor.store.influx.outbox import Outbox
from monitor.store.opening import Stores, open_stores
from monitor.store.sqlite.connection import Database
from tests.store.influx_fake import InfluxFake

if TYPE_CHECKING:
    from collections.abc import Iterator

START = datetime(2026, 3, 1, 7, 30, tzinfo=UTC)
LATER = START + timedelta(days=1)


def made(minutes: float = 0.0, box: str = "box1", **values: object) -> Reading:
    reading = Reading(box, START + timedelta(minutes=minutes), 21.4, 0.172, source=ReadingSource.imported)
    return reading._replace(**values)  # type: ignore[arg-type]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "siccast.sqlite3"


@pytest.fixture
def stores(path: Path) -> Iterator[Stores]:
    with open_stores(path) as opened:
        yield opened


def imported(stores: Stores, readings: list[Reading], name: str = "x.csv") -> int:
    number = stores.imports.begin(name, LATER)
    stores.imports.add(number, readings)
    stores.imports.finish(number, LATER)
    return number


def test_what_became_of_the_rows_of_an_import_is_counted_and_listed(stores: Stores) -> None:
    stores.readings.add([made(0), made(1)])
    number = stores.imports.begin("x.csv", LATER)
    told = [made(0), made(1, temperature_degc=30.0), made(2), made(3)]
    counts = stores.imports.add(number, told, [Rejection(LATER, "import", "x.csv", b"?", "no number")])
    assert (counts.new, counts.held, counts.differing, counts.at_odds_with) == (2, 1, 1, {None})
    (unfinished,) = stores.imports.listed()
    assert (unfinished.number, unfinished.kind, unfinished.what) == (1, ImportKind.imported, "x.csv")
    assert unfinished.finished_at is None
    stores.imports.finish(number, LATER)
    (listed,) = stores.imports.listed()
    assert (listed.new, listed.held, listed.differing, listed.rejected, listed.set_aside) == (2, 1, 1, 1, 1)
    assert listed.finished_at == LATER
    assert [each.temperature_degc for each in stores.imports.set_aside(number)] == [30.0]
    assert stores.ledger.rejected_count() == 1, "what differs is set aside, no rejected message"


def test_a_wrong_import_is_withdrawn_and_a_right_one_takes_its_place(stores: Stores) -> None:
    """70 °F taken for 70 °C, and once more as 21.1 °C."""
    wrong = imported(stores, [made(m, temperature_degc=70.0) for m in range(10)])
    right = [made(m, temperature_degc=21.1) for m in range(10)]
    second = stores.imports.begin("x.csv", LATER)
    assert stores.imports.add(second, right).at_odds_with == {wrong}
    withdrawal = stores.imports.withdraw_import(wrong, LATER)
    assert (withdrawal.new, withdrawal.set_aside, withdrawal.what) == (10, 10, f"import {wrong}")
    assert stores.readings.count() == 0
    assert stores.readings.latest() == {}
    assert len(stores.readings.hourly("box1")) == 0
    assert stores.imports.restore(second) == (10, 0), "what differed can come in now without its file"
    assert set(stores.readings.series("box1").temperature_degc) == {21.1}
    assert [each.temperature_degc for each in stores.imports.set_aside(withdrawal.number)] == [70.0] * 10
    assert stores.imports.restore(withdrawal.number) == (0, 10), "their places are taken"


def test_an_import_again_after_a_withdrawal(stores: Stores) -> None:
    number = imported(stores, [made(m, temperature_degc=45.0) for m in range(10)])
    stores.imports.withdraw_import(number, LATER)
    again = stores.imports.begin("x.csv", LATER)
    assert stores.imports.add(again, [made(m) for m in range(10)]).new == 10
    assert stores.imports.add(again, [made(m) for m in range(10)]).held == 10


def test_withdrawing_an_import_leaves_what_others_brought(stores: Stores) -> None:
    stores.readings.add([made(0, source=ReadingSource.sensor)])
    one = imported(stores, [made(0), made(1), made(3)])
    two = imported(stores, [made(1), made(2), made(3)])
    assert stores.imports.withdraw_import(one, LATER).new == 2
    assert [reading.at.minute - 30 for reading in stores.readings.each("box1")] == [0, 2]
    assert stores.imports.withdraw_import(two, LATER).new == 1
    with pytest.raises(LedgerError, match="import 2 has no readings left that count"):
        stores.imports.withdraw_import(two, LATER)
    assert [each.number for each in stores.imports.listed()] == [1, 2, 3, 4], "a refused withdrawal takes no number"


def test_a_withdrawal_taken_back_leaves_no_trace(stores: Stores, path: Path) -> None:
    node = made(3, source=ReadingSource.sensor, seq=9, battery_v=2.98, floor_relative_humidity=0.1, marks=8)
    stores.readings.add([made(0), made(1, sent_at_known=False, source=ReadingSource.hand), made(2.0001), node])
    before = dump(path)
    withdrawal = stores.imports.withdraw_span("box1", START, None, LATER)
    assert stores.readings.latest() == {}
    assert stores.imports.restore(withdrawal.number) == (4, 0)
    assert dump(path) == before
    assert stores.readings.latest() == {"box1": node}
    with pytest.raises(LedgerError, match="nothing is set aside under 1"):
        stores.imports.restore(withdrawal.number)


def test_a_span_of_a_wrong_clock_is_withdrawn_and_the_newest_is_the_newest_again(stores: Stores) -> None:
    stores.readings.add(
        [made(0), made(1, marks=Mark.step.bit), Reading("box1", START + timedelta(days=3650), 21.0, 0.2)]
    )
    withdrawal = stores.imports.withdraw_span("box1", START + timedelta(days=3000), None, LATER)
    assert withdrawal.what == "box1 from 2034-05-18T07:30:00Z to the last"
    assert stores.readings.latest()["box1"].at == START + timedelta(minutes=1)
    assert stores.readings.series("box1").marks.tolist() == [0, Mark.step.bit]
    with pytest.raises(LedgerError, match="there is no reading of box1 from the first to 2026-03-01T07:30:00Z"):
        stores.imports.withdraw_span("box1", None, START, LATER)
    with pytest.raises(UnknownBoxError, match="'ghost' has no readings"):
        stores.imports.withdraw_span("ghost", None, START, LATER)


def test_a_node_that_tells_a_withdrawn_reading_again_does_not_bring_it_back(stores: Stores) -> None:
    told = made(source=ReadingSource.sensor)
    stores.readings.add([told])
    stores.imports.withdraw_span("box1", START, None, LATER)
    assert stores.readings.add([told]) == 0
    assert stores.readings.add([told._replace(relative_humidity=0.3)]) == 1, "other values are another reading"


def test_the_wrong_number_is_named(stores: Stores) -> None:
    imported(stores, [made()])
    stores.imports.withdraw_import(1, LATER)
    with pytest.raises(LedgerError, match=r"there is no import 9. `siccast readings imports` lists them"):
        stores.imports.restore(9)
    with pytest.raises(LedgerError, match=r"2 is a withdrawal, not an import. `siccast readings restore 2` undoes it"):
        stores.imports.withdraw_import(2, LATER)
    with pytest.raises(LedgerError, match="there is no import 9"):
        list(stores.imports.set_aside(9))


@pytest.mark.parametrize("of_each_hour", [1, 2])
def test_hourly_means_of_thinned_readings_go_and_come_back_whole(stores: Stores, path: Path, of_each_hour: int) -> None:
    number = imported(stores, [made(m, temperature_degc=20.0 + m % 7) for m in range(180)])
    stores.readings.add([made(m + 0.5, temperature_degc=10.0) for m in range(0, 180, 60)][: of_each_hour * 2])
    stores.readings.add([made(60 * 24)])
    stores.upkeep.thin(LATER, timedelta(minutes=30))
    before = dump(path)
    withdrawal = stores.imports.withdraw_import(number, LATER)
    assert all(row[2] > 0 for row in dump(path)["hourly"])
    stores.imports.restore(withdrawal.number)
    assert dump(path) == before


TABLES = ("readings", "latest", "hourly", "marks", "thinned", "outbox", "set_aside_hours", "thinned_hours")


def dump(path: Path) -> dict[str, list[Any]]:
    with contextlib.closing(sqlite3.connect(path)) as connection:
        return {name: connection.execute(f"SELECT * FROM {name} ORDER BY 1, 2").fetchall() for name in TABLES}


def reckoned(path: Path) -> dict[str, list[Any]]:
    """Return what the tables beside the readings have to be, reckoned from the readings alone."""
    with contextlib.closing(sqlite3.connect(path)) as connection:
        hourly = connection.execute(
            "SELECT box_id, at_ms / 3600000, count(*), sum(temperature), sum(humidity)"
            " FROM readings GROUP BY 1, 2 ORDER BY 1, 2"
        ).fetchall()
        latest = connection.execute(
            "SELECT box_id, max(at_ms), temperature, humidity, battery, seq, origin FROM readings GROUP BY 1 ORDER BY 1"
        ).fetchall()
        return {"hourly": hourly, "latest": latest}


@settings(max_examples=20, stateful_step_count=20, deadline=None, suppress_health_check=list(HealthCheck))
class Shelf(RuleBasedStateMachine):
    """Readings come in from nodes and files, are withdrawn and put back, in any order."""

    instants = st.integers(0, 11).map(lambda k: 17 * k)
    some = st.lists(
        st.tuples(instants, st.sampled_from(["a", "b"]), st.integers(2000, 2400), st.integers(0, 3)), max_size=12
    )

    def __init__(self) -> None:
        super().__init__()
        self.cleanup = contextlib.ExitStack()

    @initialize()
    def begin(self) -> None:
        self.path = Path(self.cleanup.enter_context(tempfile.TemporaryDirectory())) / "siccast.sqlite3"
        self.stores = self.cleanup.enter_context(open_stores(self.path))

    def teardown(self) -> None:
        self.cleanup.close()

    @rule(some=some)
    def hear(self, some: list[Any]) -> None:
        self.stores.readings.add(readings_of(some, ReadingSource.sensor))

    @rule(some=some)
    def take_in(self, some: list[Any]) -> None:
        readings = readings_of(some, ReadingSource.imported)
        counts = self.stores.imports.add(self.stores.imports.begin("x", LATER), readings)
        assert counts.new + counts.held + counts.differing == len(readings)

    @precondition(lambda self: self.numbers())
    @rule(data=st.data())
    def withdraw_import(self, data: st.DataObject) -> None:
        with contextlib.suppress(LedgerError):
            self.stores.imports.withdraw_import(data.draw(st.sampled_from(self.numbers())), LATER)

    @rule(box=st.sampled_from(["a", "b"]), first=instants, length=st.integers(1, 100))
    def withdraw_span(self, box: str, first: int, length: int) -> None:
        start = START + timedelta(minutes=first)
        with contextlib.suppress(LedgerError, UnknownBoxError):
            self.stores.imports.withdraw_span(box, start, start + timedelta(minutes=length), LATER)

    @precondition(lambda self: self.numbers())
    @rule(data=st.data())
    def restore(self, data: st.DataObject) -> None:
        number = data.draw(st.sampled_from(self.numbers()))
        before = self.stores.readings.count()
        with contextlib.suppress(LedgerError):
            restored, left = self.stores.imports.restore(number)
            assert self.stores.readings.count() == before + restored
            assert len(list(self.stores.imports.set_aside(number))) == left

    def numbers(self) -> list[int]:
        return [each.number for each in self.stores.imports.listed()]

    @invariant()
    def the_tables_beside_agree_with_the_readings(self) -> None:
        held, right = dump(self.path), reckoned(self.path)
        assert held["hourly"] == right["hourly"]
        assert [row[:7] for row in held["latest"]] == right["latest"]
        keys = {(row[0], round(row[1] * 1000)) for row in held["readings"]}
        assert {row[:2] for row in held["marks"]} <= keys

    @invariant()
    def nothing_is_lost(self) -> None:
        """What a withdrawal took is in force or aside; an import's readings are, too."""
        listed = self.stores.imports.listed()
        aside = sum(each.set_aside for each in listed)
        with contextlib.closing(sqlite3.connect(self.path)) as connection:
            (of_imports,) = connection.execute(
                "SELECT (SELECT count(*) FROM readings WHERE import_number > 0)"
                " + (SELECT count(*) FROM set_aside WHERE import_number > 0)"
            ).fetchone()
            assert connection.execute("SELECT count(*) FROM set_aside").fetchone() == (aside,)
        told = sum(each.new + each.differing for each in listed if each.kind is ImportKind.imported)
        assert of_imports == told


def readings_of(some: list[tuple[int, str, int, int]], source: ReadingSource) -> list[Reading]:
    return [
        Reading(box, START + timedelta(minutes=m), t / 100, 0.1, None, None, source=source, marks=marks)
        for m, box, t, marks in some
    ]


test_any_order_of_import_withdrawal_and_restoration = Shelf.TestCase


def test_a_killed_import_is_listed_as_not_finished_and_can_be_withdrawn(path: Path) -> None:
    with open_stores(path) as stores:
        number = stores.imports.begin("x.csv", LATER)
        stores.imports.add(number, [made(m) for m in range(5)])
    with open_stores(path) as stores:
        assert [each.finished_at for each in stores.imports.listed()] == [None]
        assert stores.imports.withdraw_import(number, LATER).new == 5


def test_what_waits_to_be_sent_goes_with_a_withdrawal(path: Path) -> None:
    with open_stores(path) as stores:
        number = imported(stores, [made(0), made(1)])
        database = Database(path)
        with database.transaction() as connection:
            connection.execute("INSERT INTO outbox SELECT box_id, at_ms FROM readings")
        database.close()
        stores.imports.withdraw_import(number, LATER)
    assert dump(path)["outbox"] == []


def test_what_is_withdrawn_is_no_answer_either_where_a_server_still_has_it(tmp_path: Path) -> None:
    """The server is told no deletions; a correction comes after, and is forwarded like any import."""
    path, said = tmp_path / "siccast.sqlite3", list[str]()
    with InfluxFake() as fake:
        address = InfluxAddress(fake.url, "org", "farm", fake.token)
        with open_stores(path, influx=address, report=said.append) as stores, contextlib.ExitStack() as stack:
            database = Database(path)
            stack.callback(database.close)
            outbox = Outbox(database, address, clock=utc_now)
            stack.callback(outbox.close)
            number = imported(stores, [made(m, temperature_degc=45.0) for m in range(0, 120, 10)])
            forward(outbox)
            stores.imports.withdraw_import(number, LATER)
            assert len(stores.readings.series("box1")) == len(stores.readings.hourly("box1")) == 0
            assert list(stores.readings.each("box1")) == []
            imported(stores, [made(m) for m in range(0, 60, 10)])
            for _ in range(2):  # before and after the server has them
                assert stores.readings.series("box1").temperature_degc.tolist() == [21.4] * 6
                assert stores.readings.hourly("box1").temperature_degc.tolist() == pytest.approx([21.4] * 2)
                forward(outbox)
    assert said == []


def forward(outbox: Outbox) -> None:
    while outbox.waiting():
        assert outbox.forward() == 0.0
