"""A box that no sensor watches: answered by its kind, its beads and their day, and by a display that somebody reads."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from simulated_shelf import outlooks, simulated_shelf

from monitor.inference.model.box_prior import CONDUCTANCE_PER_AIR_CHANGE, style_prior
from monitor.records import NORMAL_P95, Box, BoxHistory, EntryKind, LedgerEntry, Outlook, ReadingSeries, RoomClimate

AS_OF = datetime(2026, 3, 1, 20, 0, tzinfo=UTC)
BOX = Box("pla", 10.0, 0.20, style="gasket")
CLIMATE = RoomClimate(20.0, 0.5)


def answered(
    days: float, seen_hours: tuple[float, ...] = (), *, box: Box = BOX, earlier_hours: tuple[float, ...] = ()
) -> Outlook:
    """Beads went in so many days ago; a display showed 6 % rising to 9 % at these hours since, and 5 % long before."""
    filled = AS_OF - timedelta(days=days)
    entry = LedgerEntry(
        EntryKind.charge, box.name, filled, desiccant="silica_gel", dry_mass_g=150.0, method="oven_120C_3h"
    )
    hours = np.array([*(-np.array(earlier_hours)[::-1]), *seen_hours])
    shown = np.where(hours < 0.0, 0.05, np.linspace(0.06, 0.09, len(hours))) if len(hours) else hours
    series = ReadingSeries(
        box.name, filled.timestamp() + 3600.0 * hours, 20.0 + 0.01 * np.arange(len(hours)), shown,
        np.zeros(len(hours), dtype=np.uint16),
    )  # fmt: skip
    [answer] = outlooks([BoxHistory(box, series, room_climate=CLIMATE, entries=(entry,))], AS_OF)
    return answer


def days_seen(answer: Outlook) -> int:
    return int(answer.evidence[0].removeprefix("Based on ").partition(" ")[0])


@pytest.mark.parametrize("style", ["gasket", "tote", "unknown"])
def test_its_leak_is_that_of_its_kind_with_the_whole_width_of_that(style: str) -> None:
    """The prior's own median and 90 % interval; draws and the leak's wandering widen it by less than a fifth."""
    box = replace(BOX, style=style)
    answer = answered(20.0, box=box)
    assert answer.leak is not None
    log_changes, spread = style_prior(box)
    median = np.exp(log_changes) * CONDUCTANCE_PER_AIR_CHANGE * box.volume_liter
    leak = answer.leak.conductance_g_per_day_per_kpa
    assert leak.p50 == pytest.approx(median, rel=0.25)
    ends = np.log(leak.p95 / leak.p05) / (2.0 * NORMAL_P95 * spread)
    assert 0.85 < ends < 1.2
    assert answer.leak.for_its_kind is None
    assert answer.leak.comparison.startswith("Nothing was measured of it")


def test_its_forecast_says_first_that_nothing_was_measured() -> None:
    answer = answered(20.0)
    assert answer.forecast is not None
    assert answer.forecast.cross_at.p05 is not None
    assert answer.evidence[0].startswith("No reading tells of these beads.")
    assert not any("readings since" in sentence for sentence in answer.evidence)
    assert answered(0.1).forecast is not None, "there is nothing to wait for"


def test_who_reads_a_display_once_a_week_keeps_a_forecast() -> None:
    """After the first reading as after the fourth, which together tell the leak far better than its kind does."""
    never, once, weekly = answered(30.0), answered(30.0, (168.0,)), answered(30.0, (168.0, 336.0, 504.0, 672.0))
    widths = []
    for answer in (never, once, weekly):
        assert answer.forecast is not None
        assert answer.leak is not None
        leak = answer.leak.conductance_g_per_day_per_kpa
        widths.append(float(np.log(leak.p95 / leak.p05)))
    assert widths[2] < 0.6 * widths[0]
    assert weekly.evidence[0] == "Based on 4 days of readings, out of 30 days since the beads went in."


@pytest.mark.parametrize(
    ("weekly", "by_the_hour"),
    [
        pytest.param((168.0, 336.0, 504.0, 672.0, 840.0, 1008.0), tuple(range(1100, 1180)), id="till a sensor came"),
        pytest.param((500.0, 668.0, 836.0, 1004.0, 1172.0), tuple(range(40, 120)), id="since the sensor died"),
    ],
)
def test_a_display_counts_beside_a_sensor_of_other_weeks(
    weekly: tuple[float, ...], by_the_hour: tuple[float, ...]
) -> None:
    """A day of which one hour was seen counts where that hour stands alone, whatever came before or since."""
    alone, both = answered(50.0, by_the_hour), answered(50.0, tuple(sorted((*weekly, *by_the_hour))))
    assert days_seen(both) >= days_seen(alone) + len(weekly)  # bins of long ago are longer than a day


def test_a_display_that_was_read_a_minute_ago_counts() -> None:
    assert days_seen(answered(30.0, (168.0, 336.0, 719.9))) == 3


def test_the_first_hour_of_a_sensor_that_is_back_waits_for_the_next_ones() -> None:
    """As fewer hours of a day may all be of its warm or its cold part, and more are to come."""
    till_it_fell_silent = tuple(range(40, 120))
    assert days_seen(answered(30.0, (*till_it_fell_silent, 719.0))) == days_seen(answered(30.0, till_it_fell_silent))


def test_a_sensor_that_sends_by_the_hour_is_waited_for() -> None:
    assert answered(0.5, tuple(range(12))).refusal.startswith("pla: too new")
    assert answered(1.0, (2.0,)).refusal.startswith("pla: too new")
    assert answered(3.5, (2.0,)).forecast is not None


def test_a_sensor_that_died_before_the_beads_went_in_does_not_keep_the_box_waiting() -> None:
    """Two hours of readings before them tell nothing of the leak; nor do those of a month ago."""
    assert answered(1.0, earlier_hours=(30.0, 31.0)).refusal.startswith("pla: too new")
    late = answered(4.0, earlier_hours=(30.0, 31.0))
    assert late.forecast is not None
    assert "hardly any readings" in late.evidence[0]
    assert answered(1.0, earlier_hours=(700.0, 701.0)).evidence[0].startswith("No reading tells")


def test_what_was_measured_of_others_of_its_style_informs_it() -> None:
    """Three boxes with a third of the usual leak, watched for forty days, beside one that nobody watches."""
    histories, as_of = simulated_shelf(4, 40)
    *others, last = histories
    none = np.empty(0)
    unwatched = replace(last, readings=ReadingSeries(last.box.name, none, none, none, none.astype(np.uint16)))
    [alone], beside = outlooks([unwatched], as_of), outlooks([*others, unwatched], as_of)[-1]
    assert alone.leak is not None
    assert beside.leak is not None
    assert beside.leak.conductance_g_per_day_per_kpa.p50 < 0.8 * alone.leak.conductance_g_per_day_per_kpa.p50
