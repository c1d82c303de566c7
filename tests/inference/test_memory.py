"""A memory of the last fits: what only grew by some hours is updated, and all else is fitted again."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import pytest
from made_boxes import Truth, entry, made_box
from made_shelf import history_of, series_of

from monitor.inference import Memory, outlooks
from monitor.inference.shelf import memory as remembering
from monitor.inference.shelf.memory import RefitReason
from monitor.records import BoxHistory, EntryKind, Outlook, ReadingSeries, SensorSpec

DAYS = 40
RECORD, END_S, _ = made_box(Truth(conductance=0.2), DAYS + 10)
WHOLE = history_of(RECORD, "made", series_of("room", RECORD.room))
NIGHT = datetime.fromtimestamp(END_S, WHOLE.entries[0].at.tzinfo) - timedelta(days=10)


def until(at: datetime, history: BoxHistory = WHOLE) -> BoxHistory:
    """The history as it was known then."""
    assert history.room is not None
    return replace(history, readings=cut(history.readings, at), room=cut(history.room, at))


def cut(series: ReadingSeries, at: datetime, above: float = 0.0) -> ReadingSeries:
    before = series.at_s < at.timestamp()
    return ReadingSeries(
        series.box, series.at_s[before], series.temperature_degc[before], series.relative_humidity[before] + above,
        series.marks[before],
    )  # fmt: skip


def ask(memory: Memory | None, at: datetime, history: BoxHistory = WHOLE) -> Outlook:
    return outlooks([until(at, history)], at, memory=memory)[0]


def ask_daily(memory: Memory, count: int) -> Outlook:
    """Ask in the first night, and in so many after it."""
    for night in range(count + 1):
        answer = ask(memory, NIGHT + timedelta(days=night))
        assert memory.refits == ({} if night else {"made": RefitReason.first})
    return answer


def days_left(answer: Outlook, at: datetime) -> np.ndarray:
    assert answer.forecast is not None
    dates = answer.forecast.cross_at
    return np.log([(q - at).total_seconds() / 86_400.0 for q in (dates.p05, dates.p50, dates.p95) if q])


def test_five_updates_answer_as_a_whole_new_fit_does() -> None:
    """Monte Carlo error of a thousand draws: 1.5 % of a median, 3 to 6 % of an end of the interval (*regression*)."""
    at = NIGHT + timedelta(days=5)
    updated, refitted = ask_daily(Memory(), 5), ask(None, at)
    assert np.abs(days_left(updated, at) - days_left(refitted, at)) == pytest.approx(np.zeros(3), abs=0.12)
    assert updated.leak is not None
    assert refitted.leak is not None
    one, other = updated.leak.conductance_g_per_day_per_kpa, refitted.leak.conductance_g_per_day_per_kpa
    assert np.log([one.p05 / other.p05, one.p50 / other.p50, one.p95 / other.p95]) == pytest.approx(0.0, abs=0.08)


def test_asking_every_hour_is_no_more_evidence_than_asking_once() -> None:
    at, hourly, once = NIGHT + timedelta(hours=20), Memory(), Memory()
    for hours in range(0, 21, 2):
        often = ask(hourly, NIGHT + timedelta(hours=hours))
    ask(once, NIGHT)
    assert often == ask(once, at)


LATE = replace(WHOLE.readings, relative_humidity=np.r_[WHOLE.readings.relative_humidity[:-480] + 0.001, np.zeros(480)])
CHANGED: dict[RefitReason, Callable[[], BoxHistory]] = {
    RefitReason.declared: lambda: replace(WHOLE, box=replace(WHOLE.box, sensor=SensorSpec(0.01, 0.001))),
    RefitReason.readings: lambda: replace(WHOLE, readings=LATE),
    RefitReason.step: lambda: replace(WHOLE, readings=stepped(NIGHT + timedelta(hours=4))),
}


def stepped(at: datetime) -> ReadingSeries:
    """Humidity three points higher from then on: somebody put something wet in and said nothing."""
    readings = WHOLE.readings
    return replace(readings, relative_humidity=readings.relative_humidity + 0.03 * (readings.at_s > at.timestamp()))


@pytest.mark.parametrize("reason", CHANGED)
def test_what_changed_is_fitted_again_and_answers_as_without_a_memory(reason: RefitReason) -> None:
    memory, at = Memory(), NIGHT + timedelta(days=1)
    ask_daily(memory, 0)
    changed = CHANGED[reason]()
    answer = ask(memory, at, changed)
    assert memory.refits == {"made": reason}
    assert answer == ask(None, at, changed)
    assert ask(memory, at + timedelta(hours=1), changed).forecast
    assert memory.refits == {}


def test_an_entry_logged_since_is_fitted_again() -> None:
    memory, at = Memory(), NIGHT + timedelta(days=1)
    ask_daily(memory, 0)
    opened = replace(entry(EntryKind.opening, DAYS + 0.5), box="made")
    ask(memory, at, replace(WHOLE, entries=(*WHOLE.entries, opened)))
    assert memory.refits == {"made": RefitReason.declared}


def test_after_a_week_all_is_fitted_again() -> None:
    memory = Memory()
    ask_daily(memory, 7)
    ask(memory, NIGHT + timedelta(days=8))
    assert memory.refits == {"made": RefitReason.week}


def test_an_earlier_instant_is_fitted_again() -> None:
    memory = Memory()
    ask_daily(memory, 0)
    ask(memory, NIGHT - timedelta(days=3))
    assert memory.refits == {"made": RefitReason.backward}


@pytest.mark.parametrize(
    ("name", "value", "reason"),
    [("LEAST_EFFECTIVE_DRAWS", 990.0, RefitReason.draws), ("_MOST_WANDER", 0.0, RefitReason.wandered)],
)
def test_too_few_draws_and_another_leak_are_fitted_again(
    monkeypatch: pytest.MonkeyPatch, name: str, value: float, reason: RefitReason
) -> None:
    memory = Memory()
    ask_daily(memory, 0)
    monkeypatch.setattr(remembering, name, value)
    ask(memory, NIGHT + timedelta(days=1))
    assert memory.refits == {"made": reason}


def test_a_box_with_too_little_evidence_is_fitted_again_each_time() -> None:
    memory = Memory()
    for _ in range(2):
        assert ask(memory, WHOLE.entries[0].at + timedelta(hours=20)).refusal
        assert memory.refits == {"made": RefitReason.first}


def test_two_threads_with_one_memory_get_the_same_answer() -> None:
    memory, at = Memory(), NIGHT + timedelta(days=1)
    ask_daily(memory, 0)
    with ThreadPoolExecutor(2) as threads:
        one, other = threads.map(lambda _: ask(memory, at), range(2))
    assert one.forecast is not None
    assert one.forecast.cross_at.p50 == other.forecast.cross_at.p50  # type: ignore[union-attr]
