"""The newest state as metric families: names carry the base unit, as OpenMetrics asks.

Nothing is worked out for a scrape. What is not known is left out, which a program sees as a gap.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from prometheus_client.core import (
    CounterMetricFamily,
    GaugeMetricFamily,
    InfoMetricFamily,
    Metric,
    StateSetMetricFamily,
)

from monitor import __version__
from monitor.presentation.wording import CHANCES_WITHIN_DAYS
from monitor.records import BoxState

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence
    from datetime import datetime

    from monitor.records import Assessment, DateQuantiles, ListenerCounts, Quantiles
    from monitor.web.snapshot import Snapshot

_POINTS = ("p05", "p50", "p95")

Labeled = tuple[tuple[str, ...], float]
"""Values of the labels beside the box's, and the number."""


@dataclass(frozen=True, slots=True)
class AtWork:
    """How the site itself is."""

    listener_is_at_work: bool
    rejected: int
    """Messages that could not be used, ever."""
    begun_at: datetime | None
    """Since when they are counted, where that is known."""
    listeners: Sequence[ListenerCounts]
    """What went through each, since it started."""
    stored: int
    """Readings held."""
    waiting: Mapping[str, int]
    """Readings that wait, by what for."""


@dataclass(frozen=True, slots=True)
class _BoxGauge:
    name: str
    unit: str
    says: str
    values: Callable[[Assessment, datetime], Iterator[Labeled]]
    labels: Sequence[str] = ()


def families(snapshot: Snapshot, at_work: AtWork, now: datetime) -> Iterator[Metric]:
    """Yield all families of one site at one instant."""
    build = InfoMetricFamily("siccast_build", "Which siccast answers.")
    build.add_metric([], {"version": __version__})
    yield build
    for gauge in _BOX_GAUGES:
        family = GaugeMetricFamily(
            f"siccast_box_{gauge.name}", gauge.says, labels=["box", *gauge.labels], unit=gauge.unit
        )
        for answer in snapshot.answers:
            for labels, value in gauge.values(answer, now):
                family.add_metric([answer.box.name, *labels], value)
        yield family
    yield _states(snapshot.answers)
    yield from _of_the_site(snapshot, at_work)


def _states(answers: Sequence[Assessment]) -> Metric:
    family = StateSetMetricFamily("siccast_box_state", "The state of a box; one of them is 1.", labels=["box"])
    for answer in answers:
        family.add_metric([answer.box.name], {_state(one): one is answer.state for one in BoxState})
    return family


def _state(state: BoxState) -> str:
    return state.value.replace(",", "").replace(" ", "_")


def _of_the_site(snapshot: Snapshot, at_work: AtWork) -> Iterator[Metric]:
    assessed_at = (snapshot.assessed_at or snapshot.as_of).timestamp()
    yield GaugeMetricFamily(
        "siccast_assessed_timestamp_seconds", "When all boxes were assessed last.", assessed_at, unit="seconds"
    )
    yield GaugeMetricFamily(
        "siccast_listener_up",
        "1 while a listener of this shelf is at work on this machine.",
        at_work.listener_is_at_work,
    )
    yield from _counted(at_work.listeners)
    begun_at = at_work.begun_at
    yield CounterMetricFamily(
        "siccast_rejected_messages",
        "Messages that could not be used, of all listeners and imports.",
        at_work.rejected,
        created=None if begun_at is None else begun_at.timestamp(),
    )
    yield GaugeMetricFamily("siccast_stored_readings", "Readings that are held.", at_work.stored)
    waiting = GaugeMetricFamily("siccast_waiting_readings", "Readings that wait, and what for.", labels=["waiting_for"])
    for what, count in at_work.waiting.items():
        waiting.add_metric([what], count)
    yield waiting


def _counted(listeners: Sequence[ListenerCounts]) -> Iterator[Metric]:
    """Yield what went through each listener since it started; a new one begins at 0."""
    for name, says, count in _LISTENER_COUNTERS:
        family = CounterMetricFamily(f"siccast_listener_{name}", says, labels=["part"])
        for one in listeners:
            family.add_metric([one.part], count(one), created=one.since.timestamp())
        yield family


# --- of each box ------------------------------------------------------------------------------------------------------


def _humidity(answer: Assessment, _now: datetime) -> Iterator[Labeled]:
    if answer.latest is not None:
        yield (), answer.latest.relative_humidity


def _temperature(answer: Assessment, _now: datetime) -> Iterator[Labeled]:
    if answer.latest is not None:
        yield (), answer.latest.temperature_degc


def _age(answer: Assessment, now: datetime) -> Iterator[Labeled]:
    if answer.latest is not None:
        yield (), (now - answer.latest.at).total_seconds()


def _limit(answer: Assessment, _now: datetime) -> Iterator[Labeled]:
    if answer.state is not BoxState.undeclared:
        yield (), answer.box.humidity_limit


def _capacity_used(answer: Assessment, _now: datetime) -> Iterator[Labeled]:
    if answer.forecast is not None:
        yield from _points(answer.forecast.capacity_used)


def _headroom(answer: Assessment, _now: datetime) -> Iterator[Labeled]:
    if answer.forecast is not None:
        yield from _points(answer.forecast.headroom_g)


def _leak(answer: Assessment, _now: datetime) -> Iterator[Labeled]:
    if answer.leak is not None:
        yield from _points(answer.leak.conductance_g_per_day_per_kpa)


def _chance(answer: Assessment, _now: datetime) -> Iterator[Labeled]:
    if answer.forecast is not None:
        for days in CHANCES_WITHIN_DAYS:
            yield (str(days),), answer.forecast.chance_within(days)


def _crossing(answer: Assessment, _now: datetime) -> Iterator[Labeled]:
    if answer.forecast is not None:
        yield from _instants(answer.forecast.cross_at)


def _due(answer: Assessment, _now: datetime) -> Iterator[Labeled]:
    if answer.due_at is not None:
        yield (), answer.due_at.timestamp()


def _points(values: Quantiles) -> Iterator[Labeled]:
    return (((name,), getattr(values, name)) for name in _POINTS)


def _instants(values: DateQuantiles) -> Iterator[Labeled]:
    """Yield the points that do not lie beyond the horizon."""
    known = ((name, getattr(values, name)) for name in _POINTS)
    return (((name,), at.timestamp()) for name, at in known if at is not None)


_LISTENER_COUNTERS: Sequence[tuple[str, str, Callable[[ListenerCounts], int]]] = (
    ("messages", "Messages that a listener took in since it started.", lambda one: one.messages),
    ("new_readings", "Readings of them that were not held before.", lambda one: one.new),
    ("rejections", "Messages or parts of them that could not be used.", lambda one: one.rejected),
)
_BOX_GAUGES = (
    _BoxGauge("humidity_ratio", "ratio", "Relative humidity, as last read.", _humidity),
    _BoxGauge("temperature_celsius", "celsius", "Temperature, as last read.", _temperature),
    _BoxGauge("reading_age_seconds", "seconds", "Age of the last reading.", _age),
    _BoxGauge("humidity_limit_ratio", "ratio", "Relative humidity that the box is to stay under.", _limit),
    _BoxGauge("capacity_used_ratio", "ratio", "Share of what the beads hold at the limit.", _capacity_used, ("point",)),
    _BoxGauge("headroom_grams", "grams", "Water that the beads still take up until the limit.", _headroom, ("point",)),
    _BoxGauge(
        "leak_grams_per_day_per_kilopascal",
        "grams_per_day_per_kilopascal",
        "Leak: water a day for each kilopascal between room and box.",
        _leak,
        ("point",),
    ),
    _BoxGauge(
        "over_limit_chance_ratio",
        "ratio",
        "Chance that the limit is passed in so many days.",
        _chance,
        ("within_days",),
    ),
    _BoxGauge("crossing_timestamp_seconds", "seconds", "When the limit is passed.", _crossing, ("point",)),
    _BoxGauge("due_timestamp_seconds", "seconds", "When the box is due.", _due),
)
