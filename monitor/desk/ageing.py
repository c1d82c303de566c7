"""Is the gel as good as new? What the log of runs says of each lot, run by run against its first.

A run's loss says how full the beads were as much as what they can hold. So its start is held against the air the
beads were at rest with: a room, air that was told, or the box they came out of. Where none is known, all that is left
is to take them for equally full each time, and to say so.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np

from monitor.desk.inventory import Charge, Inventory, Run
from monitor.desk.methods import beads_of
from monitor.desk.run_fit import BOOKS_SHARE
from monitor.inference.drying.ageing import Uptake, UptakeTrend, uptake_trend
from monitor.inference.drying.priors import LEAST_INFORMATIVE_AIR, ROOM_HUMIDITY_SD
from monitor.records.desk_events import BOX
from monitor.texts import to_say

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from datetime import datetime

    from monitor.records import Quantiles
    from monitor.store.contracts import Readings

WORN_SHARE = 0.75
"""Share of the first uptake below which new beads are worth buying. A judgement: a box is then dried a third more
often."""
_WORN_CHANCE, _FALLING_CHANCE = 0.90, 0.975
"""How sure a lot is worn out, or takes up less from run to run, before either is said. Judgements: nine in ten, as
everywhere; and a sound lot is suspected once in forty."""
_SOUND_SHARE, _SOUND_COMPARED = 0.90, 2
"""A lot is as good as new if more than this share is left [share], with so many runs beside the first [runs].
Judgements: one more run in ten, and one run beside the first repeats what was believed before it."""
_BOX_HUMIDITY_SD = 0.03
"""How far the beads may be from the air of their box. [fraction of saturation] A judgement: a bed lags by a day."""
_BOX_AIR_OF, _ENOUGH_READINGS = timedelta(days=1), 6
"""The last day in the box is read, where it has a reading every four hours. Judgements: day and night even out."""
_ASSUMED_LOG_SD = 0.10
"""How far beads that are taken for equally full differ. [ln loading] A judgement: boxes are emptied near one limit."""
_WEIGHED_LOG_SD = 0.02
"""What scale, mixing and a bed that was not quite at rest add to every uptake. [ln loading] A judgement."""
_LEAST_TAKEN_UP = 0.05
"""Loading above that of the last end from which on beads have taken up water that says something. [g/g] A judgement:
twice what new beads hold."""


class Against(StrEnum):
    """What the uptake of a run is held against."""

    air = "air"
    """Air of a room or as told, that the beads were at rest with."""
    box = "box"
    """Air of the box they came out of."""
    assumed = "assumed"
    """Nothing: they are taken for equally full each time."""


class Wear(StrEnum):
    """What is said of a lot."""

    unknown = to_say("can't tell yet")
    sound = to_say("as good as new")
    falling = to_say("takes up less")
    worn = to_say("worn out")


@dataclass(frozen=True, slots=True)
class SeenUptake:
    """What a charge had taken up before a run, or when it was weighed saturated."""

    at: datetime
    charge: str
    run: str | None
    """None where it was weighed saturated, and no run followed."""
    cycles: int
    dry_g: float
    loading_g_per_g: float
    lost_g: float | None
    """What the run took off it."""
    against: Against
    box: str
    relative_humidity: float | None
    temperature_degc: float | None
    capacity_factor: float | None
    """Loading over what the isotherm says at that air; None where the air is not known."""
    uptake: Uptake


@dataclass(frozen=True, slots=True)
class LotAgeing:
    """What is known of a lot: each uptake, the trend, and what follows."""

    lot: str
    seen: tuple[SeenUptake, ...]
    trend: UptakeTrend | None
    wear: Wear
    cycles: int
    """Runs before the newest uptake of the charge that was dried most often."""
    share_left: Quantiles | None
    """Uptake at that run over the first."""
    runs_left: Quantiles | None
    """More runs until new beads are worth buying: infinite where uptake may not fall at all."""
    days_a_run: float | None
    """From one run of a charge to its next, so far."""

    @property
    def rests_on(self) -> tuple[Against, ...]:
        """What the trend rests on."""
        compared = [one.uptake.series for one in self.seen]
        return tuple(
            kind
            for kind in Against
            if any(s.against is kind and compared.count(s.uptake.series) > 1 for s in self.seen)
        )


def ageing_of(inventory: Inventory, readings: Readings | None = None) -> dict[str, LotAgeing]:
    """Return what is known of each lot; without readings, the air of boxes counts as unknown."""
    seen = [one for name in inventory.charges for one in _seen(inventory, name, readings)]
    return {
        lot: _judged(lot, [one for one in seen if inventory.charge(one.charge).lot == lot]) for lot in inventory.lots
    }


def share_left_of(ageing: LotAgeing, charge: Charge) -> Quantiles | None:
    """Return what a charge takes up over what it did at first; None where that is not known."""
    if ageing.trend is None or charge.cycles < 1:
        return None
    return ageing.trend.share_left(charge.cycles - 1)


def _judged(lot: str, seen: Sequence[SeenUptake]) -> LotAgeing:
    trend = uptake_trend([one.uptake for one in seen])
    cycles = max((one.cycles for one in seen), default=0)
    ordered = tuple(sorted(seen, key=lambda one: one.at))
    if trend is None:
        return LotAgeing(lot, ordered, None, Wear.unknown, cycles, None, None, None)
    until = trend.runs_until(WORN_SHARE)
    left = type(until)(*(max(runs - cycles, 0.0) for runs in (until.p05, until.p50, until.p95)))
    wear = _wear(trend, cycles)
    return LotAgeing(lot, ordered, trend, wear, cycles, trend.share_left(cycles), left, _days_a_run(seen))


def _wear(trend: UptakeTrend, cycles: int) -> Wear:
    if trend.chance_below(WORN_SHARE, cycles) >= _WORN_CHANCE:
        return Wear.worn
    if trend.chance_falling() >= _FALLING_CHANCE:
        return Wear.falling
    enough = trend.compared >= _SOUND_COMPARED
    return Wear.sound if enough and trend.share_left(cycles).p05 >= _SOUND_SHARE else Wear.unknown


def _days_a_run(seen: Sequence[SeenUptake]) -> float | None:
    most = max(seen, key=lambda one: one.cycles)
    first = min((one for one in seen if one.charge == most.charge), key=lambda one: one.cycles)
    if most.cycles == first.cycles:
        return None
    return (most.at - first.at) / timedelta(days=1) / (most.cycles - first.cycles)


@dataclass(frozen=True, slots=True)
class _Start:
    """Beads of a charge on a scale, full: before a run, or saturated."""

    at: datetime
    charge: Charge
    mass_g: float
    run: Run | None
    """The run that took it off again; None where none followed."""
    weighed_in_run: bool


def _seen(inventory: Inventory, charge: str, readings: Readings | None) -> Iterator[SeenUptake]:
    ended_g_per_g, taken = 0.0, set[tuple[int, int]]()
    for batch, starts in enumerate(_batches(_starts(inventory, charge))):
        dry_share = _dry_share(starts)
        for start in starts if dry_share is not None else ():
            dry_g = (dry_share or 0.0) * start.charge.portioned_g
            loading = start.mass_g / dry_g - 1.0
            place = (batch, start.charge.cycles)
            if loading >= ended_g_per_g + _LEAST_TAKEN_UP and place not in taken and not _spoilt(start):
                taken.add(place)
                yield _uptake(inventory, start, batch, dry_g, readings)
            if start.weighed_in_run and start.run is not None and start.run.finished is not None:
                ended_g_per_g = start.run.finished.loading_g_per_g[1]


def _starts(inventory: Inventory, charge: str) -> list[_Start]:
    runs = [
        run
        for run in inventory.runs.values()
        if run.start.charge == charge and run.finished is not None and run.weighings
    ]
    starts = [
        _Start(run.started_at, run.charge_before.as_it_lies(run.started_at), run.weighings[0].mass_g, run, True)
        for run in runs
    ]
    for one in inventory.saturated:
        if one.event.charge == charge and one.event.mass_g is not None:
            then = next((run for run in runs if run.charge_before.saturated_in is one.event), None)
            starts.append(_Start(one.at, one.charge, one.event.mass_g, then, False))
    return sorted(starts, key=lambda start: start.at)


def _batches(starts: Sequence[_Start]) -> list[list[_Start]]:
    """Return starts of the same beads together: what was topped up or poured together is not what it was."""
    batches: list[list[_Start]] = []
    held_g = 0.0
    for start in starts:
        if not batches or start.charge.portioned_g > held_g * (1.0 + BOOKS_SHARE):
            batches.append([])
        batches[-1].append(start)
        finished = start.run.finished if start.run is not None and start.weighed_in_run else None
        held_g = start.charge.portioned_g * (1.0 if finished is None else finished.kept_share)
    return batches


def _dry_share(starts: Sequence[_Start]) -> float | None:
    """Return the dry mass over what was weighed out, by the run that knows it best: so its error cancels."""
    known = [
        (
            run.finished.dry_mass_relative_sd,
            run.finished.dry_mass_g / (run.charge_before.portioned_g * run.finished.kept_share),
        )
        for run in (start.run for start in starts)
        if run is not None and run.finished is not None and run.finished.fits
    ]
    return min(known)[1] if known else None


def _spoilt(start: _Start) -> bool:
    run = start.run
    if run is None or run.finished is None or not start.weighed_in_run:
        return False
    return not run.finished.fits or bool(run.spills) or run.weighings[0].heated_s > 0.0


def _uptake(inventory: Inventory, start: _Start, batch: int, dry_g: float, readings: Readings | None) -> SeenUptake:
    charge, loading = start.charge, start.mass_g / dry_g - 1.0
    against, box, air, humidity_sd = _air(start, readings)
    factor, log_sd = None, _ASSUMED_LOG_SD
    if air is not None:
        isotherm = beads_of(inventory, charge.name).isotherm
        held = float(isotherm.loading_g_per_g(*air))
        factor, log_sd = loading / held, float(isotherm.slope(*air)) * humidity_sd / held
    series = "/".join(filter(None, (charge.name, str(batch), against.value, box)))
    sd = float(np.hypot(log_sd, _WEIGHED_LOG_SD))
    run = start.run
    return SeenUptake(
        at=start.at,
        charge=charge.name,
        run=None if run is None else run.name,
        cycles=charge.cycles,
        dry_g=dry_g,
        loading_g_per_g=loading,
        lost_g=None if run is None or run.finished is None or run.spills else start.mass_g - run.finished.end_mass_g,
        against=against,
        box=box,
        relative_humidity=air[0] if air else None,
        temperature_degc=air[1] if air else None,
        capacity_factor=factor,
        uptake=Uptake(series, charge.cycles, loading if factor is None else factor, sd),
    )


def _air(start: _Start, readings: Readings | None) -> tuple[Against, str, tuple[float, float] | None, float]:
    """Return what a start is held against, the box, its humidity and temperature, and how sure that humidity is."""
    charge, run = start.charge, start.run
    box = charge.place.removeprefix(BOX) if charge.place.startswith(BOX) else charge.left_box
    if charge.was_in_box:
        left_at = start.at if charge.place.startswith(BOX) else charge.left_box_at
        air = None if readings is None or left_at is None else _air_of_box(readings, box, left_at)
        return (Against.assumed, "", None, 0.0) if air is None else (Against.box, box, air, _BOX_HUMIDITY_SD)
    told = charge.saturated_in
    if told is not None:
        return Against.air, "", (told.relative_humidity, told.temperature_degc), ROOM_HUMIDITY_SD
    if charge.state == "room" and run is not None and run.start.room_from != "assumed":
        return (
            Against.air,
            "",
            (run.start.room_relative_humidity, run.start.room_temperature_degc),
            ROOM_HUMIDITY_SD,
        )
    return Against.assumed, "", None, 0.0


def _air_of_box(readings: Readings, box: str, until: datetime) -> tuple[float, float] | None:
    series = readings.evidence(box, until, start=until - _BOX_AIR_OF)
    if len(series) < _ENOUGH_READINGS:
        return None
    air = float(np.median(series.relative_humidity)), float(np.median(series.temperature_degc))
    return air if air[0] > LEAST_INFORMATIVE_AIR else None
