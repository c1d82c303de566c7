"""Speed of the physics, each group in one run with its reference; the table's brackets are the ratios.

pytest tests/bench/bench_physics.py --benchmark-only --benchmark-columns=min,median,ops
"""

from __future__ import annotations

import warnings
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from monitor.physics import psychrometrics as air
from monitor.physics.box_balance import Air, DrawnBox, advance
from monitor.physics.materials import desiccant
from monitor.physics.sorption.tabulated import SorptionTable

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import metpy.calc as metpy
    import psychrolib
    from CoolProp.CoolProp import PropsSI
    from metpy.units import units

psychrolib.SetUnitSystem(psychrolib.SI)
pytestmark = pytest.mark.filterwarnings("ignore")

N = 1_000_000
RANDOM = np.random.default_rng(1)
T, RH = RANDOM.uniform(0.5, 60.0, N), RANDOM.uniform(0.03, 0.99, N)
GEL, SIEVE = desiccant("silica_gel").isotherm, desiccant("molecular_sieve_13X").isotherm
LOADING = np.asarray(GEL.loading_g_per_g(RH, 25.0))
SIEVE_LOADING = np.asarray(SIEVE.loading_g_per_g(RH, 25.0))

COLUMNS: dict[str, dict[str, Callable[[], Any]]] = {
    "1 vapor pressure": {
        "siccast": lambda: air.vapor_pressure_pa(T, RH),
        "psychrolib with numba": lambda: psychrolib.GetVapPresFromRelHum(T, RH),
        "CoolProp array, saturation only": lambda: PropsSI("P", "T", T + 273.15, "Q", np.zeros(N), "Water") * RH,
    },
    "2 absolute humidity": {
        "siccast": lambda: air.absolute_humidity_g_per_m3(T, RH),
        "psychrolib with numba": lambda: 1e3 * psychrolib.GetVapPresFromRelHum(T, RH) / (461.526 * (T + 273.15)),
    },
    "3 dew point": {
        "siccast": lambda: air.dew_point_degc(T, RH),
        "MetPy": lambda: metpy.dewpoint_from_relative_humidity(T * units.degC, RH * units.dimensionless).magnitude,
        "psychrolib with numba": lambda: psychrolib.GetTDewPointFromRelHum(T, RH),
    },
    "4 isotherm of gel": {
        "numpy.exp, one pass": lambda: np.exp(RH),
        "loading": lambda: GEL.loading_g_per_g(RH, 25.0),
        "humidity from loading": lambda: GEL.relative_humidity(LOADING, 25.0),
        "slope": lambda: GEL.slope(RH, 25.0),
    },
    "5 isotherm of 13X": {
        "numpy.exp, one pass": lambda: np.exp(RH),
        "loading": lambda: SIEVE.loading_g_per_g(RH, 25.0),
        "humidity from loading": lambda: SIEVE.relative_humidity(SIEVE_LOADING, 25.0),
    },
}
SCALARS: dict[str, Callable[[], Any]] = {
    "vapor pressure": lambda: air.vapor_pressure_pa(25.0, 0.4),
    "absolute humidity": lambda: air.absolute_humidity_g_per_m3(25.0, 0.4),
    "mixing ratio": lambda: air.mixing_ratio_g_per_kg(25.0, 0.4),
    "dew point": lambda: air.dew_point_degc(25.0, 0.4),
    "gel: loading": lambda: GEL.loading_g_per_g(0.4, 25.0),
    "gel: humidity from loading": lambda: GEL.relative_humidity(0.2, 25.0),
    "MetPy: dew point": lambda: metpy.dewpoint_from_relative_humidity(25.0 * units.degC, 0.4 * units.dimensionless),
}
CASES = [(group, name, call) for group, calls in COLUMNS.items() for name, call in calls.items()]


@pytest.mark.parametrize(("group", "name", "call"), CASES, ids=[f"{name}" for _, name, _ in CASES])
def bench_a_million(benchmark: Any, group: str, name: str, call: Callable[[], Any]) -> None:
    benchmark.group = group
    benchmark(call)


@pytest.mark.parametrize(("name", "call"), SCALARS.items(), ids=list(SCALARS))
def bench_one_value(benchmark: Any, name: str, call: Callable[[], Any]) -> None:
    benchmark.group = "6 one value"
    benchmark(call)


@pytest.mark.parametrize("kind", ["silica_gel", "mol_sieve"])
def bench_balance_of_2000_draws_over_400_steps(benchmark: Any, kind: str) -> None:
    benchmark.group = "7 balance, 2000 draws x 400 steps"
    isotherm = desiccant(kind).isotherm
    many = np.ones(2000)
    table = SorptionTable(isotherm, isotherm, RANDOM.normal(0.0, 0.2, 2000))
    box = DrawnBox(table, 100.0 * np.exp(RANDOM.normal(0.0, 0.15, 2000)), 10.0 * many, 5.0 * many, 10.0)
    leaks = np.exp(RANDOM.normal(np.log(0.05), 1.0, 2000))
    air_states = [Air(1.2, 2.34, 20.0, 0.0173)] * 400

    def through() -> None:
        loading, slow = table.loading(0.03 * many, 20.0), 0.3 * many
        for air_of_step in air_states:
            moved = advance(box, loading, slow, leaks, air_of_step, days=1.0)
            loading, slow = table.keep_within(moved.loading_g_per_g), moved.slow_humidity

    benchmark(through)
