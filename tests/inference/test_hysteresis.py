"""What it costs that the model knows one branch of the isotherm: gel with a wetting and a drying one, in made-up boxes.

The two branches are those of Thu et al. (2013), doi:10.1016/j.applthermaleng.2011.09.038 (tables beside
``physics.materials``). Between them a bed moves on scanning curves after Rode Pedersen (1990), thesis, Technical
University of Denmark, from memory: just turned, humidity moves ten times as far for the same water.

Every box has a twin of the same history without a drying branch, so what differs is hysteresis alone. *regression*
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from simulated_boxes import CLOSED_AT, Truth, room_hours, simulated_box

from monitor.inference.answers.forecast import crossing_ahead, forecast_of
from monitor.inference.evidence.hours import Hours
from monitor.inference.fit.fit import estimate
from monitor.inference.fit.posterior import mean_conductance
from monitor.physics.materials import desiccant
from monitor.physics.numerics import FloatArray
from monitor.physics.psychrometrics import REFERENCE_DEGC
from monitor.physics.saturation import saturation_vapor_pressure_pa
from monitor.records.words import NOT_DRIED
from monitor.units import KELVIN_AT_0_DEGC

GEL = desiccant("silica_regular")
HUMIDITIES = np.linspace(0.001, 0.9, 900)
WETTING = np.asarray(GEL.isotherm.loading_g_per_g(HUMIDITIES, REFERENCE_DEGC))
assert GEL.hysteresis is not None
DRYING = np.maximum.accumulate(WETTING * np.asarray(GEL.hysteresis.factor(HUMIDITIES)))
TURNED, SHARPNESS = 0.1, 2.0
"""Slope of a scanning curve just turned, as a share of its branch's, and how fast it nears it. No unit. Source: Rode
Pedersen (1990), from memory."""


@dataclass(frozen=True)
class Bed:
    """What a bed has been through before it goes in."""

    start_humidity: float
    came_from_wetter: bool
    method: str


def course(bed: Bed, drying: FloatArray, vapor_kpa: FloatArray, degc: FloatArray, truth: Truth) -> FloatArray:
    """Humidity of a box hour by hour; the water in its air is left out."""
    slopes = [np.gradient(branch, HUMIDITIES) for branch in (WETTING, drying)]
    saturation_kpa = np.asarray(saturation_vapor_pressure_pa(degc)) / 1e3
    power = (REFERENCE_DEGC + KELVIN_AT_0_DEGC) / (degc + KELVIN_AT_0_DEGC)
    humidity = bed.start_humidity
    held = float(np.interp(humidity, HUMIDITIES, drying if bed.came_from_wetter else WETTING))
    shown = np.empty(len(degc))
    for i in range(len(degc)):
        shown[i] = humidity ** power[i]
        gained = truth.conductance * (vapor_kpa[i] - shown[i] * saturation_kpa[i]) / truth.dry_mass_g / 24.0
        low, high = (float(np.interp(humidity, HUMIDITIES, branch)) for branch in (WETTING, drying))
        wet, dry = (float(np.interp(humidity, HUMIDITIES, slope)) for slope in slopes)
        up = float(np.clip((held - low) / max(high - low, 1e-9), 0.0, 1.0))
        on_wetting, on_drying = (1.0, TURNED) if gained > 0.0 else (TURNED, 1.0)
        slope = on_drying * up**SHARPNESS * dry + on_wetting * (1.0 - up) ** SHARPNESS * wet
        held += gained
        humidity = float(np.clip(humidity + gained / max(slope, 0.02 * wet), *between(held, drying)))
    return shown


def between(held: float, drying: FloatArray) -> tuple[float, float]:
    """Humidities at which a bed that holds so much is on the drying branch, and on the wetting one."""
    return float(np.interp(held, drying, HUMIDITIES)), float(np.interp(held, WETTING, HUMIDITIES))


def told(bed: Bed, drying: FloatArray, days: int, truth: Truth, seed: int) -> tuple[float, float, float]:
    """Error of ln leak, its spread, and ln of the forecast's days over the true ones."""
    record, now_s, _ = simulated_box(truth, days, seed=seed, whole_days=days + 1)
    vapor_kpa, degc = room_hours(days + 90, seed)
    humidity = course(bed, drying, vapor_kpa, degc, truth)
    rng = np.random.default_rng(seed)
    shown = np.round((humidity + 0.002 * rng.standard_normal(len(humidity))) / truth.step) * truth.step
    seen, first = slice(0, 24 * days), int(CLOSED_AT.timestamp() // 3600)
    outside = vapor_kpa / (np.asarray(saturation_vapor_pressure_pa(degc)) / 1e3)
    record = replace(
        record,
        hours=Hours(first, degc[seen], shown[seen]),
        room=Hours(first, degc[seen], outside[seen]),
        entries=(replace(record.entries[0], method=bed.method),),
    )
    posterior = estimate(record, now_s, count=400)
    logs = np.log(mean_conductance(posterior) / truth.conductance)
    over = np.flatnonzero(humidity.reshape(-1, 24).mean(axis=1)[days:] > truth.limit)
    ahead = forecast_of(posterior, truth.limit, crossing_ahead(posterior, truth.limit, 400), 400)
    assert ahead.first_pass_at is not None
    assert ahead.first_pass_at.p50 is not None
    left_days = (ahead.first_pass_at.p50.timestamp() - now_s) / 86_400.0
    return float(np.median(logs)), float(logs.std()), float(np.log(left_days / over[0]))


def shift(bed: Bed, days: int, truth: Truth) -> tuple[float, float, float]:
    """What hysteresis adds to the error of ln leak and of ln days; and how far off the leak is, in its own spreads."""
    leak, sd, date = told(bed, DRYING, days, truth, 1)
    twin_leak, _, twin_date = told(bed, WETTING, days, truth, 1)
    return leak - twin_leak, date - twin_date, leak / sd


def test_beads_that_were_dried_stay_on_the_branch_the_model_knows() -> None:
    leak, date, _ = shift(Bed(0.04, False, "oven_120C_3h"), 40, Truth(conductance=0.15, limit=0.20))
    assert abs(leak) < 0.03
    assert abs(date) < 0.03


def test_beads_put_in_wet_make_the_leak_look_larger_by_less_than_its_interval() -> None:
    leak, date, off = shift(Bed(0.20, True, NOT_DRIED), 25, Truth(conductance=0.10, limit=0.28))
    assert 0.2 < leak < 0.7
    assert abs(date) < 0.4
    assert abs(off) < 1.3
