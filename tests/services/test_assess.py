"""An assessment: what it asks, what it lets through, and that one bad box never hides the others."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from answers_by_hand import AS_OF, GOOD, StubInference, forecast_of, week_of_readings
from stores_in_memory import FakeStores

from monitor.errors import TooLittleEvidence
from monitor.planning.due import silent_for
from monitor.planning.urgency import worst_first
from monitor.presentation.clock import utc_now
from monitor.records import (
    Assessment,
    Box,
    BoxHistory,
    BoxState,
    EntryKind,
    LedgerEntry,
    Mark,
    Outlook,
    Reading,
    RoomClimate,
)
from monitor.services.assess import assess
from monitor.store.opening import Stores, open_stores

AnyStores = FakeStores | Stores
LEFT, RIGHT = Box("left", 10.0), Box("right", 5.0, humidity_limit=0.15)


@pytest.fixture(params=["fake", "sqlite"])
def stores(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[AnyStores]:
    if request.param == "fake":
        yield FakeStores()
        return
    with open_stores(tmp_path / "site.sqlite3", synchronous="OFF") as opened:
        yield opened


@pytest.fixture
def stub(monkeypatch: pytest.MonkeyPatch) -> StubInference:
    stub = StubInference()
    stub.stand_in(monkeypatch)
    return stub


def ask(stores: AnyStores, *boxes: Box, as_of: datetime = AS_OF, limit: float | None = None) -> list[Assessment]:
    return list(assess(stores.readings, stores.ledger, boxes, as_of, humidity_limit=limit))


def test_only_what_is_stamped_before_the_instant_is_seen(stub: StubInference, stores: AnyStores) -> None:
    readings, ledger = stores.readings, stores.ledger
    for box in ("left", "room"):
        readings.add(week_of_readings(box, AS_OF) + week_of_readings(box, AS_OF + timedelta(days=7)))
    for days in (-3.0, 0.0, 2.0):
        ledger.log(
            LedgerEntry(EntryKind.charge, "left", AS_OF + timedelta(days=days), dry_mass_g=100.0 + days), utc_now()
        )
    (left,) = ask(stores, LEFT)
    (history,) = stub.asked[0]
    assert len(history.readings) == 28
    assert history.room is not None
    assert max(history.readings.at_s.max(), history.room.at_s.max()) < AS_OF.timestamp()
    assert [entry.dry_mass_g for entry in history.entries] == [97.0]
    assert left.latest is not None
    assert left.latest.at == AS_OF - timedelta(hours=6)
    assert left.charge is not None
    assert left.charge.dry_mass_g == 97.0


@pytest.mark.parametrize(("every", "known"), [(24.0, 24.0), (7 * 24.0, 7 * 24.0), (0.5, 0.5)])
def test_how_often_readings_come_is_found_in_a_week_or_the_last_few(
    stub: StubInference, stores: AnyStores, every: float, known: float
) -> None:
    """Six weeks of a daily sensor, of a person who reads a display on Sundays, of a node that sends each half hour."""
    span = timedelta(days=42) if every >= 24.0 else timedelta(days=3)
    at = [AS_OF - timedelta(hours=hours) for hours in np.arange(1.0, span / timedelta(hours=1), every)]
    stores.readings.add([Reading("left", instant, 21.0, 0.1) for instant in at])
    (left, right) = ask(stores, LEFT, RIGHT)
    assert left.reads_every == timedelta(hours=known)
    assert right.reads_every is None
    assert silent_for(left) is None
    later = ask(stores, LEFT, as_of=at[0] + timedelta(hours=max(24.0, 3.0 * every) + 1.0))
    assert silent_for(later[0]) is not None


def test_an_answer_is_handed_on_whole(stub: StubInference, stores: AnyStores) -> None:
    stores.readings.add(week_of_readings("left"))
    (left,) = ask(stores, LEFT)
    assert (left.state, left.leak, left.forecast) == (BoxState.within_limit, GOOD.leak, GOOD.forecast)
    assert (left.evidence, left.sharpen, left.refusal) == (GOOD.evidence, GOOD.sharpen, "")
    assert left.due_at is not None


def test_a_limit_asked_for_takes_the_place_of_every_own(stub: StubInference, stores: AnyStores) -> None:
    stub.answer = lambda history, limit: Outlook(forecast=forecast_of(100.0, humidity_limit=limit))
    stores.readings.add(week_of_readings("left") + week_of_readings("right"))
    assert [a.box.humidity_limit for a in ask(stores, LEFT, RIGHT, limit=0.30)] == [0.30, 0.30]
    assert [history.box.humidity_limit for history in stub.asked[0]] == [0.20, 0.15]
    assert [a.forecast and a.forecast.humidity_limit for a in ask(stores, LEFT, RIGHT)] == [0.20, 0.15]


def test_a_room_that_has_no_sensor_leaves_the_declared_climate(stub: StubInference, stores: AnyStores) -> None:
    stores.readings.add(week_of_readings("left"))
    climate = RoomClimate(relative_humidity=0.4)
    assess(stores.readings, stores.ledger, [LEFT], AS_OF, room_climate=climate)
    (history,) = stub.asked[0]
    assert (history.room, history.room_climate) == (None, climate)


def test_each_box_is_given_its_own_room(stub: StubInference, stores: AnyStores) -> None:
    stores.readings.add(week_of_readings("cellar") + week_of_readings("left") + week_of_readings("right"))
    answers = ask(stores, replace(LEFT, room="cellar"), RIGHT)
    assert [history.room and history.room.box for history in stub.asked[0]] == ["cellar", None]
    assert [answer.box.name for answer in answers] == ["left", "right"]


@pytest.mark.parametrize(
    ("error", "state"),
    [
        (TooLittleEvidence("two flat days say nothing"), BoxState.not_enough_evidence),
        (ZeroDivisionError("by zero"), BoxState.estimate_failed),
    ],
)
def test_one_bad_box_never_hides_the_others(
    stub: StubInference, stores: AnyStores, error: Exception, state: BoxState, caplog: pytest.LogCaptureFixture
) -> None:
    """Asking for all at once failed: that is said of every box and logged, as is the trace of the one that broke it."""

    def answer(history: BoxHistory, limit: float) -> Outlook:
        if history.box.name == "left":
            raise error
        return GOOD

    stub.answer = answer
    stores.readings.add(week_of_readings("left") + week_of_readings("right"))
    left, right = ask(stores, LEFT, RIGHT)
    assert (left.state, left.forecast, left.failed) == (state, None, state is BoxState.estimate_failed)
    assert str(error) in left.refusal
    assert right.forecast is GOOD.forecast
    assert f"could not be looked at together ({type(error).__name__}: {error})" in right.apart
    assert right.evidence[-1] == left.evidence[-1] == right.apart
    logged = [record for record in caplog.records if record.levelname == "ERROR"]
    assert logged[0].exc_info is not None
    assert ["box left" in record.getMessage() and "Traceback" in record.getMessage() for record in logged[1:]] == (
        [True] if left.failed else []
    )


@pytest.mark.parametrize(
    "answer", [GOOD, Outlook(refusal="too little"), Outlook(refusal="the estimate failed", trace="Traceback …")]
)
def test_a_box_whose_last_good_reading_is_over_its_limit_is_over_it(
    stub: StubInference, stores: AnyStores, answer: Outlook
) -> None:
    stub.answer = lambda history, limit: answer
    stores.readings.add(week_of_readings("left", relative_humidity=0.21) + week_of_readings("right"))
    left, right = ask(stores, LEFT, RIGHT)
    assert (left.state, left.due_at) == (BoxState.over_limit, AS_OF)
    assert left.forecast is None or left.forecast.cross_at.p50 == AS_OF
    assert right.state is not BoxState.over_limit
    assert worst_first([right, left])[0] is left


@pytest.mark.parametrize(
    ("shown", "chance", "said"),
    [
        (
            0.21,
            0.06,
            "Its last reading is over the limit. By all readings together, the chance that it is over is 6 %.",
        ),
        (0.21, 0.001, "the chance that it is over is less than 1 %."),
        (0.21, 0.99, "It is over the limit even if the sensor shows a slightly wrong value."),
        (
            0.17,
            0.06,
            "The chance that it is over the limit already is 6 %: the sensor may show a slightly wrong value.",
        ),
        (0.17, 0.99, "By all that is known together, it is almost surely over the limit already."),
        (0.17, 0.001, ""),
    ],
)
def test_what_is_said_of_now_agrees_with_the_state(
    shown: float, chance: float, said: str, stub: StubInference, stores: AnyStores
) -> None:
    stub.answer = lambda history, limit: replace(GOOD, forecast=replace(forecast_of(20.0), chance_over_already=chance))
    stores.readings.add(week_of_readings("left", relative_humidity=shown))
    (left,) = ask(stores, LEFT)
    about_now = [sentence for sentence in left.evidence if "over the limit" in sentence]
    assert (len(about_now), said in "".join(about_now)) == (1 if said else 0, True)


def test_a_reading_from_before_these_beads_or_a_bad_one_is_not_the_last(stub: StubInference, tmp_path: Path) -> None:
    with open_stores(tmp_path / "site.sqlite3", synchronous="OFF") as stores:
        stores.readings.add(week_of_readings("left", relative_humidity=0.30) + week_of_readings("right"))
        stores.readings.add([Reading("right", AS_OF - timedelta(hours=1), 21.0, 0.90, marks=Mark.spike.bit)])
        stores.ledger.log(LedgerEntry(EntryKind.recharge, "left", AS_OF - timedelta(hours=2)), utc_now())
        assert [answer.state for answer in ask(stores, LEFT, RIGHT)] == [BoxState.within_limit] * 2


def test_a_refusal_is_an_answer(stub: StubInference, stores: AnyStores) -> None:
    refusal = Outlook(evidence=("Two days.",), refusal="left: two days can't carry a forecast")
    stub.answer = lambda history, limit: refusal
    stores.readings.add(week_of_readings("left"))
    (left,) = ask(stores, LEFT)
    assert (left.state, left.refusal) == (BoxState.not_enough_evidence, "two days can't carry a forecast")


def test_a_box_that_never_reported_is_answered_by_what_is_known_of_it(stub: StubInference, stores: AnyStores) -> None:
    stub.answer = lambda history, limit: GOOD
    (left,) = ask(stores, LEFT)
    assert (left.state, left.forecast, left.latest) == (BoxState.within_limit, GOOD.forecast, None)
    assert (left.refusal, left.due_at is not None) == ("", True)


def test_a_box_that_never_reported_and_of_which_nothing_is_known_has_no_forecast(
    stub: StubInference, stores: AnyStores
) -> None:
    (left,) = ask(stores, LEFT)
    assert (left.state, left.forecast, left.latest) == (BoxState.no_readings, None, None)
    assert left.refusal.startswith("no sensor has sent for this box yet. Log its beads")
    assert "`siccast log reading left" in left.refusal


def test_a_box_all_of_whose_readings_are_dated_later_is_told_of_the_clock(
    stub: StubInference, stores: AnyStores
) -> None:
    """As where this machine's clock was set back: they are there, so nobody is told to look for the sensor alone."""
    stores.readings.add([Reading("left", AS_OF + timedelta(days=30), 21.0, 0.12)])
    (left,) = ask(stores, LEFT)
    assert (left.state, left.latest, left.leak, left.forecast) == (BoxState.no_readings, None, None, None)
    assert left.only_later_until == AS_OF + timedelta(days=30)
    assert left.refusal == (
        f"all its readings are dated later, up to {AS_OF + timedelta(days=30):%Y-%m-%d %H:%M} UTC. Unless you ask "
        "about the past, a clock was wrong: set those of its sensor and of this machine by NTP"
    )


def test_one_reading_before_the_instant_is_not_only_later_ones(stub: StubInference, stores: AnyStores) -> None:
    stores.readings.add([Reading("left", AS_OF + timedelta(days=at), 21.0, 0.12) for at in (-1, 30)])
    (left,) = ask(stores, LEFT)
    assert left.only_later_until is None
    assert left.latest is not None
    assert left.latest.at == AS_OF - timedelta(days=1)


def test_a_box_nobody_declared_is_named_and_not_assessed(stub: StubInference, stores: AnyStores) -> None:
    for box in ("room", "left", "stray"):
        stores.readings.add(week_of_readings(box))
    stores.readings.add(week_of_readings("tomorrow", AS_OF + timedelta(days=30)))
    left, stray = ask(stores, LEFT)
    assert (stray.box.name, stray.state, stray.state.value) == ("stray", BoxState.undeclared, "seen, not declared")
    assert "`siccast adopt stray`" in stray.refusal
    assert len(stub.asked[0]) == 1
    assert left.state is BoxState.within_limit


def test_an_old_newest_reading_is_said(stub: StubInference, stores: AnyStores) -> None:
    stores.readings.add(week_of_readings("left"))
    (left,) = ask(stores, LEFT, as_of=AS_OF + timedelta(days=20))
    assert "The newest reading is 20 days old" in left.evidence[-1]


def test_a_hand_reading_stamped_later_does_not_hide_the_last_one_seen(stub: StubInference, stores: AnyStores) -> None:
    stores.readings.add(week_of_readings("left"))
    (left,) = ask(stores, LEFT, as_of=AS_OF - timedelta(days=2))
    assert left.latest is not None
    assert left.latest.at == AS_OF - timedelta(days=2, hours=6)
    assert left.latest.relative_humidity == pytest.approx(0.12)


@pytest.mark.parametrize(("chance", "ends"), [(0.99, True), (0.6, False)])
def test_dates_never_lie_ahead_of_a_box_that_is_over_already(
    stub: StubInference, stores: AnyStores, chance: float, ends: bool
) -> None:
    """Inference dates the crossing that is still to come; half the belief or more says that it is behind us."""
    ahead = replace(forecast_of(20.0), chance_over_already=chance)
    stub.answer = lambda history, limit: Outlook(forecast=ahead)
    stores.readings.add(week_of_readings("left"))
    (left,) = ask(stores, LEFT)
    assert left.state is BoxState.over_limit
    assert left.forecast is not None
    dates = left.forecast.cross_at
    assert (dates.p05, dates.p50, dates.p95) == (AS_OF, AS_OF, AS_OF if ends else ahead.cross_at.p95)


def test_worst_first(stub: StubInference, stores: AnyStores) -> None:
    medians = {"a": 300.0, "b": -5.0, "c": 25.0, "d": 10.0}
    stub.answer = lambda history, limit: Outlook(forecast=forecast_of(medians[history.box.name]))
    for box in medians:
        stores.readings.add(week_of_readings(box))
    answers = ask(stores, Box("e", 1.0), *(Box(name, 1.0) for name in medians))
    assert [a.box.name for a in worst_first(answers)] == ["b", "d", "c", "e", "a"]


def test_boxes_over_their_limit_are_ordered_by_how_far_over(stub: StubInference, stores: AnyStores) -> None:
    stub.answer = lambda history, limit: Outlook(forecast=forecast_of(-5.0))
    shown = {"a": 0.31, "b": 0.47, "c": 0.36}
    for box, humidity in shown.items():
        stores.readings.add([Reading(box, AS_OF - timedelta(minutes=5), 21.0, humidity)])
    answers = ask(stores, Box("a", 1.0, 0.15), Box("b", 1.0, 0.4), Box("c", 1.0, 0.3))
    assert [a.box.name for a in worst_first(answers)] == ["a", "b", "c"]


def test_cores_and_progress_are_handed_on(stub: StubInference, stores: AnyStores) -> None:
    shares: list[float] = []
    assess(stores.readings, stores.ledger, [LEFT], AS_OF, workers=3, progress=shares.append)
    assert stub.told["workers"] == 3
    report = stub.told["progress"]
    assert callable(report)
    report(0.25)
    assert shares == [0.25]
