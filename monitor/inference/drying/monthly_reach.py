"""What an appliance leaves in beads in each month's room: by physics, and by what its earlier runs reached.

ln of what a run reached, less ln of what physics expects in the room of that run, is the appliance's own habit and
what differs from run to run; the habit is normal about none with the spread that physics leaves.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import numpy as np

from monitor.inference.drying.priors import LEAST_FLOOR
from monitor.inference.drying.reach import end_in_room, temperature_of
from monitor.inference.evidence.bin_grid import DAY_S
from monitor.inference.evidence.room_climate import WETTEST_ROOM, LearnedRoom
from monitor.inference.model.normal import lognormal_quantiles
from monitor.physics.saturation import saturation_vapor_pressure_pa
from monitor.records import NORMAL_P95, Quantiles, RoomClimate
from monitor.units import MONTHS_PER_YEAR, PA_PER_KPA

if TYPE_CHECKING:
    from monitor.physics.materials import Desiccant
    from monitor.records import Appliance

_RUN_LOG_SD = 0.3
"""How far runs of one appliance lie apart in one room. [ln(g/g)] Judgement: a deeper bed, an hour less; a third."""
_MID_MONTH = 15
"""A day of each month. [day of the month] Judgement: its middle."""


@dataclass(frozen=True, slots=True)
class EarlierEnd:
    """What a finished run of an appliance reached, and in which room."""

    loading_g_per_g: Quantiles
    """At its end. [g/g]"""
    temperature_degc: float | None
    """Of the appliance's air; None in a microwave. [°C]"""
    room: RoomClimate
    """Whose air it heated."""


def months_of(room: LearnedRoom, now_s: float) -> tuple[RoomClimate, ...]:
    """Return the room as it is expected to be in the middle of each of the next twelve months.

    Parameters
    ----------
    room : LearnedRoom
        As known now.
    now_s : float
        The present. [s since 1970 UTC]

    Returns
    -------
    tuple of RoomClimate
        January first.
    """
    now = datetime.fromtimestamp(now_s, UTC)
    middles = [
        datetime(now.year + (month < now.month), month, _MID_MONTH, tzinfo=UTC).timestamp() / DAY_S
        for month in range(1, MONTHS_PER_YEAR + 1)
    ]
    degc = room.temperature.course(np.array(middles))
    full_pa = np.asarray(saturation_vapor_pressure_pa(degc))
    humidity = np.minimum(PA_PER_KPA * room.expected_kpa(np.array(middles)) / full_pa, WETTEST_ROOM)
    return tuple(RoomClimate(*pair) for pair in zip(degc.tolist(), humidity.tolist(), strict=True))


def monthly_reach(
    appliance: Appliance, desiccant: Desiccant, months: Sequence[RoomClimate], earlier: Sequence[EarlierEnd] = ()
) -> tuple[Quantiles, ...]:
    """Return the loading that an appliance leaves in beads, month by month.

    Parameters
    ----------
    appliance : Appliance
        As declared.
    desiccant : Desiccant
        The beads.
    months : sequence of RoomClimate
        The room of each month.
    earlier : sequence of EarlierEnd
        Its earlier runs with such beads.

    Returns
    -------
    tuple of Quantiles
        A month each. [g/g]
    """
    degc = temperature_of(appliance)
    return tuple(_with_earlier(end_in_room(desiccant, room, degc), desiccant, earlier) for room in months)


def _with_earlier(expected: Quantiles, desiccant: Desiccant, earlier: Sequence[EarlierEnd]) -> Quantiles:
    if not earlier:
        return expected
    habit_sd = float(np.log(expected.p95 / expected.p50)) / NORMAL_P95
    apart, spread = np.array([_apart(run, desiccant) for run in earlier]).T
    weights = 1.0 / (_RUN_LOG_SD**2 + spread**2)
    precision = habit_sd**-2 + weights.sum()
    middle = float(np.log(expected.p50) + (weights * apart).sum() / precision)
    sd = float(np.sqrt(1.0 / precision + _RUN_LOG_SD**2))
    return lognormal_quantiles(middle, sd)


def _apart(run: EarlierEnd, desiccant: Desiccant) -> tuple[float, float]:
    """How far above what physics expects a run ended, and how well that is known. [ln(g/g)]"""
    expected = end_in_room(desiccant, run.room, run.temperature_degc)
    end = run.loading_g_per_g
    low, middle, high = (max(value, LEAST_FLOOR) for value in (end.p05, end.p50, end.p95))
    return float(np.log(middle / expected.p50)), float(np.log(high / low)) / (2.0 * NORMAL_P95)
