"""What every store of readings promises, held against each kind of store."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from monitor.presentation.clock import utc_now
from monitor.records import HalfReading, InfluxAddress, Mark, Quantity, Reading, ReadingSource, Rejection
from monitor.store.influx.outbox import Outbox
from monitor.store.opening import Stores, open_stores
from monitor.store.sqlite import readings as readings_module
from monitor.store.sqlite.connection import Database
from tests.store.influx_fake import InfluxFake

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from monitor.store.contracts import Readings

START = datetime(2026, 3, 1, 7, 30, tzinfo=UTC)


def made(minutes: float = 0.0, box: str = "box1", **values: object) -> Reading:
    reading = Reading(box, START + timedelta(minutes=minutes), 21.4, 0.172)
    return reading._replace(**values)  # type: ignore[arg-type]


class Forwarded:
    """A store whose outbox is emptied after every write, so that what is read has been to the server and back."""

    def __init__(self, readings: Readings, outbox: Outbox) -> None:
        self._readings = readings
        self._outbox = outbox

    def add(self, *told: Any, **more: Any) -> int:
        new = self._readings.add(*told, **more)
        while self._outbox.waiting():
            assert self._outbox.forward() == 0.0
        return new

    def __getattr__(self, name: str) -> Any:
        return getattr(self._readings, name)


@pytest.fixture(params=["sqlite", "influx"])
def stores(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Stores]:
    path = tmp_path / "siccast.sqlite3"
    if request.param == "sqlite":
        with open_stores(path) as opened:
            yield opened
        return
    said: list[str] = []
    with InfluxFake() as fake:
        address = InfluxAddress(fake.url, "org", "farm", fake.token)
        with open_stores(path, influx=address, report=said.append) as opened:
            database = Database(path)
            outbox = Outbox(database, address, clock=utc_now)
            yield replace(opened, readings=Forwarded(opened.readings, outbox))  # type: ignore[arg-type]
            outbox.close()
            database.close()
    assert said == []


def test_a_reading_comes_back_as_it_was_told(stores: Stores) -> None:
    told = made(battery_v=2.98, seq=10234, sent_at_known=False, source=ReadingSource.hand, marks=Mark.step.bit)
    assert stores.readings.add([told]) == 1
    assert list(stores.readings.each("box1")) == [told]
    assert stores.readings.latest() == {"box1": told}


def test_adding_again_changes_nothing(stores: Stores) -> None:
    readings = [made(minutes) for minutes in range(10)]
    assert stores.readings.add(readings) == 10
    assert stores.readings.add(readings) == 0
    assert stores.readings.add([*readings, made(11), made(11)]) == 1
    assert stores.readings.count() == 11
    assert stores.ledger.rejected_count() == 0


def test_a_correction_does_not_overwrite_and_is_not_lost(stores: Stores) -> None:
    stores.readings.add([made()])
    assert stores.readings.add([made(relative_humidity=0.5)]) == 0
    assert stores.readings.series("box1").relative_humidity.tolist() == pytest.approx([0.172])
    (kept,) = stores.ledger.rejected()
    assert "box 'box1' already has 21.40 °C and 17.20%" in kept.reason


def test_late_readings_find_their_place(stores: Stores) -> None:
    for minutes in (20, 0, 10):
        stores.readings.add([made(minutes)])
    series = stores.readings.series("box1")
    assert np.diff(series.at_s).tolist() == [600.0, 600.0]
    assert stores.readings.latest()["box1"].at == START + timedelta(minutes=20)


def test_series_is_cut_at_its_ends(stores: Stores) -> None:
    stores.readings.add([made(minutes) for minutes in range(5)])
    cut = stores.readings.series("box1", START + timedelta(minutes=1), START + timedelta(minutes=3))
    assert cut.at_s.tolist() == [(START + timedelta(minutes=m)).timestamp() for m in (1, 2)]
    assert len(stores.readings.series("nobody")) == 0
    assert len(stores.readings.hourly("nobody")) == 0


def test_marks_stay_apart_and_come_along(stores: Stores) -> None:
    stores.readings.add([made(0), made(1, marks=Mark.at_floor.bit), made(2)])
    assert stores.readings.series("box1").marks.tolist() == [0, Mark.at_floor.bit, 0]


def test_rejections_land_with_the_readings(stores: Stores) -> None:
    rejection = Rejection(START, "mqtt", "some/topic", b"\x00junk", "not JSON")
    stores.readings.add([made()], [rejection])
    (kept,) = stores.ledger.rejected()
    assert (kept.topic, kept.payload, kept.reason, kept.arrived_at) == ("some/topic", b"\x00junk", "not JSON", START)
    assert stores.ledger.rejected_count() == 1


@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(
    told=st.lists(
        st.tuples(st.sampled_from(["a", "b"]), st.integers(0, 400), st.integers(-4000, 8500), st.integers(0, 10_000)),
        max_size=60,
    ),
    batch=st.integers(1, 20),
)
def test_rollup_and_latest_agree_with_the_rows(
    tmp_path_factory: pytest.TempPathFactory, told: list[tuple[str, int, int, int]], batch: int
) -> None:
    readings = [made(m, box, temperature_degc=t / 100, relative_humidity=h / 10_000) for box, m, t, h in told]
    with open_stores(tmp_path_factory.mktemp("shelf") / "siccast.sqlite3") as stores:
        for first in range(0, len(readings), batch):
            stores.readings.add(readings[first : first + batch])
        for box, newest in stores.readings.latest().items():
            series, hourly = stores.readings.series(box), stores.readings.hourly(box)
            assert newest.at.timestamp() == series.at_s[-1]
            hours = series.at_s // 3600 * 3600
            for at_s, temperature, humidity in zip(
                hourly.at_s, hourly.temperature_degc, hourly.relative_humidity, strict=True
            ):
                assert temperature == pytest.approx(series.temperature_degc[hours == at_s].mean())
                assert humidity == pytest.approx(series.relative_humidity[hours == at_s].mean())
            assert set(hourly.at_s) == set(hours)
        assert stores.readings.count() == len({(r.box, r.at) for r in readings})


@pytest.mark.parametrize("stands_at", [0, 3, 5])
def test_one_that_is_not_new_costs_its_batch_nothing(stores: Stores, stands_at: int) -> None:
    """Among them the first reading of a box, whose number is given in the same batch, and one told twice within it."""
    assert stores.readings.add([made(0)]) == 1
    batch = [made(1), made(1, "box2"), made(2), made(2, "box2"), made(2)]
    batch.insert(stands_at, made(0, relative_humidity=0.3))
    assert stores.readings.add(batch) == 4
    assert len(stores.readings.contested) == 1
    assert stores.readings.add([made(3, "box2"), made(3)]) == 2
    for box, minutes in (("box1", (0, 1, 2, 3)), ("box2", (1, 2, 3))):
        held = list(stores.readings.each(box))
        assert [(each.at, each.relative_humidity) for each in held] == [(made(m).at, 0.172) for m in minutes]
        assert stores.readings.latest()[box].at == made(3).at
        assert len(stores.readings.hourly(box)) == 1
    assert stores.readings.count() == 7


def test_a_repeat_without_a_time_is_known_by_its_sequence_number_for_a_day(stores: Stores) -> None:
    told = made(seq=7, sent_at_known=False)
    again = told._replace(at=told.at + timedelta(hours=5))
    assert [stores.readings.add([each]) for each in (told, again)] == [1, 0]
    restarted = again._replace(relative_humidity=0.2)
    assert stores.readings.add([restarted]) == 1, "same number, other values: the node counts from 0 again"
    assert stores.readings.add([restarted._replace(at=restarted.at + timedelta(days=1))]) == 1


@pytest.mark.parametrize("seq", [None, 0])
def test_readings_of_one_arrival_each_get_an_instant_in_their_order(stores: Stores, seq: int | None) -> None:
    """A thousand at once, and more that arrive while those still fill the milliseconds after their arrival."""
    told = [
        made(temperature_degc=20.0 + number / 100, seq=None if seq is None else seq + number, sent_at_known=False)
        for number in range(1_500)
    ]
    assert stores.readings.add(told[:1_000]) == 1_000
    later = [reading._replace(at=reading.at + timedelta(milliseconds=400)) for reading in told[1_000:]]
    assert stores.readings.add(later) == 500
    series = stores.readings.series("box1")
    assert len(series) == 1_500
    assert series.temperature_degc.tolist() == [pytest.approx(20.0 + number / 100) for number in range(1_500)]
    assert series.at_s[-1] - series.at_s[0] < 1.6
    assert stores.readings.latest()["box1"].temperature_degc == pytest.approx(34.99)
    assert stores.ledger.rejected_count() == 0
    assert stores.readings.add(told) == (1_500 if seq is None else 0)


def test_a_stand_in_makes_way_for_what_has_a_time(stores: Stores) -> None:
    assert stores.readings.add([made(), made(relative_humidity=0.3, sent_at_known=False)]) == 2
    (first, second) = stores.readings.each("box1")
    assert (first.at, second.at) == (START, START + timedelta(milliseconds=1))
    assert stores.readings.add([made()]) == 0


def test_a_node_that_counts_anew_is_not_taken_for_its_own_repeat(stores: Stores) -> None:
    """It restarts in steady air: from the first number on that says something else, all its numbers are new."""
    hour = timedelta(hours=1)
    before = [made(seq=number, sent_at_known=False) for number in range(10)]
    assert stores.readings.add(before) == 10
    warmer = before[0]._replace(at=START + hour, temperature_degc=21.5)
    after = [warmer, *(each._replace(at=START + hour) for each in before[1:])]
    assert stores.readings.add(after) == 10
    assert stores.readings.add(after) == 0, "and these are known from now on"


def test_a_clock_set_back_does_not_make_repeats_of_new_readings(stores: Stores) -> None:
    ahead = made(seq=7, sent_at_known=False, at=START + timedelta(days=3650))
    assert stores.readings.add([ahead]) == 1
    assert stores.readings.add([ahead._replace(at=START)]) == 1


def test_halves_are_kept_with_the_readings(stores: Stores) -> None:
    half = HalfReading("cellar", "box9", Quantity.humidity, START, 0.172)
    stores.readings.add([], halves=[half])
    stores.readings.add([made()])
    assert stores.readings.halves() == [half]
    stores.readings.add([], halves=[])
    assert stores.readings.halves() == []


def test_a_reading_that_comes_between_the_two_questions_for_values_and_marks(
    stores: Stores, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its mark is no mark of another reading."""
    stores.readings.add([made(0), made(1)])
    usual, left = readings_module.as_columns, [made(0.5, marks=Mark.step.bit), made(2, marks=Mark.step.bit)]

    def as_columns(rows: Any) -> Any:
        columns = usual(rows)
        if left:
            stores.readings.add([left.pop(), left.pop()])
        return columns

    monkeypatch.setattr(readings_module, "as_columns", as_columns)
    assert not stores.readings.series("box1").marks.any()
    assert stores.readings.series("box1").marks.tolist() == [0, Mark.step.bit, 0, Mark.step.bit]


def test_what_was_withdrawn_while_it_was_screened_is_not_marked(stores: Stores) -> None:
    stores.readings.add([made(0), made(1), made(2)])
    seen = stores.readings.series("box1")
    stores.imports.withdraw_span("box1", made(1).at, None, utc_now())
    stores.readings.mark(replace(seen, marks=np.full(3, Mark.stuck.bit, dtype=np.uint16)))
    assert stores.readings.series("box1").marks.tolist() == [Mark.stuck.bit]
    stores.imports.restore(1)
    assert stores.readings.series("box1").marks.tolist() == [Mark.stuck.bit, 0, 0]


def test_marks_can_be_replaced(stores: Stores) -> None:
    stores.readings.add([made(minutes, marks=Mark.stuck.bit) for minutes in range(4)])
    series = stores.readings.series("box1", START + timedelta(minutes=1), START + timedelta(minutes=3))
    marks = np.array([0, Mark.step.bit | Mark.spike.bit], dtype=np.uint16)
    stores.readings.mark(replace(series, marks=marks))
    assert stores.readings.series("box1").marks.tolist() == [Mark.stuck.bit, 0, marks[1], Mark.stuck.bit]


def test_what_was_marked_can_be_asked_for_by_itself(stores: Stores) -> None:
    marked = {1: Mark.spike.bit, 5: Mark.stuck.bit | Mark.at_floor.bit}
    stores.readings.add([made(minutes, marks=marked.get(minutes, 0)) for minutes in range(8)])
    stores.readings.add([made(2, box="box2", marks=Mark.step.bit)])
    found = stores.readings.marked("box1")
    whole = stores.readings.series("box1")
    assert found.marks.tolist() == list(marked.values())
    assert found.at_s.tolist() == whole.at_s[list(marked)].tolist()
    assert found.relative_humidity.tolist() == whole.relative_humidity[list(marked)].tolist()
    later = stores.readings.marked("box1", START + timedelta(minutes=2), START + timedelta(minutes=6))
    assert later.marks.tolist() == [marked[5]]
    assert len(stores.readings.marked("box1", START, START + timedelta(minutes=1))) == 0
    assert len(stores.readings.marked("nobody")) == 0


# --- digests ---------------------------------------------------------------------------------------------------------

END = START + timedelta(hours=5)


def test_a_digest_tells_whether_readings_of_a_span_changed(stores: Stores) -> None:
    stores.readings.add([made(minutes) for minutes in range(0, 300, 10)])
    seen = [stores.readings.digest("box1", None, END)]
    assert stores.readings.digest("box1", None, END) == seen[0]
    stores.readings.add([made(310), made(5, "box2")])
    assert stores.readings.digest("box1", None, END) == seen[0], "later, and of another box"
    for late in (15, 125, 299.999):  # in the first hour, in one between, and in the one that is not over
        stores.readings.add([made(late)])
        seen.append(stores.readings.digest("box1", None, END))
    series = stores.readings.series("box1", START, START + timedelta(hours=1))
    series.marks[2] = Mark.spike.bit
    stores.readings.mark(series)
    seen.append(stores.readings.digest("box1", None, END))
    assert len(set(seen)) == 5
    series.marks[2] = 0
    stores.readings.mark(series)
    assert stores.readings.digest("box1", None, END) == seen[-2]


def test_a_digest_tells_values_and_hours_apart(stores: Stores) -> None:
    values = [made(0), made(60), made(120)]
    others = [made(0), made(60, relative_humidity=0.18), made(120), made(60, temperature_degc=22.0), made(180)]
    stores.readings.add(values)
    for number, other in enumerate(others):
        stores.readings.add([one._replace(box=f"other {number}") for one in values if one.at != other.at])
        stores.readings.add([other._replace(box=f"other {number}")])
    digests = [stores.readings.digest(box, None, END) for box in ("box1", *(f"other {n}" for n in range(5)))]
    assert digests[0] == digests[1] == digests[3]
    assert len(set(digests)) == 4
    assert stores.readings.digest("nobody", None, END) == stores.readings.digest("no one", None, END)


def test_a_digest_begins_where_it_is_told_to(stores: Stores) -> None:
    stores.readings.add([made(minutes) for minutes in range(0, 300, 10)])
    start = START + timedelta(minutes=90)
    before = stores.readings.digest("box1", start, END)
    stores.readings.add([made(15)])
    assert stores.readings.digest("box1", start, END) == before
    stores.readings.add([made(95)])
    assert stores.readings.digest("box1", start, END) != before


def test_a_withdrawal_changes_the_digest_and_putting_back_changes_it_back(stores: Stores) -> None:
    stores.readings.add([made(minutes) for minutes in range(0, 300, 10)])
    before = stores.readings.digest("box1", None, END)
    withdrawal = stores.imports.withdraw_span("box1", START, START + timedelta(minutes=30), END)
    assert stores.readings.digest("box1", None, END) != before
    stores.imports.restore(withdrawal.number)
    again = stores.readings.digest("box1", None, END) == before
    assert again or isinstance(stores.readings, Forwarded), "a server's means may differ in the last digit"
