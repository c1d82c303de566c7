"""Where hot room air ends: measured isotherms at a room's vapor pressure, against our floor and its stated spread."""

from __future__ import annotations

import pytest

from monitor.inference.drying.priors import end_of_hot_air, floor_sd_g_per_g
from monitor.physics.materials import desiccant
from monitor.physics.psychrometrics import relative_humidity_from_vapor_pressure

BEADS = desiccant("silica_gel")

LOT_A = "doi:10.1021/je400517c, table 3, read between its points in pressure"
LOT_C = "Sapienza et al. 2017, doi:10.1016/j.renene.2016.09.065, figure"
LOT_D = "Sakoda, Suzuki 1984, doi:10.1252/jcej.17.52, figure"

# source, vapor pressure of the room Pa, dryer °C: loading wt%
MEASURED = [
    *((LOT_A, 1169.0, t, q) for t, q in ((40, 8.3), (60, 3.26), (75, 1.80), (100, 0.86), (120, 0.40), (140, 0.23))),
    *((LOT_A, 1901.0, t, q) for t, q in ((40, 13.1), (60, 4.84), (75, 2.66), (100, 1.22), (120, 0.57), (140, 0.32))),
    *((LOT_C, 1000.0, t, q) for t, q in ((44, 7.4), (59, 3.8), (88, 1.1), (107, 0.42), (145, 0.13))),
    *((LOT_D, 1215.0, t, q) for t, q in ((50, 6.1), (60, 5.2))),
]
STRONGLY_BOUND = [(LOT_D, 1215.0, t, q) for t, q in ((80, 3.3), (100, 2.45), (120, 1.8))]
"""Lot D keeps 1.8 % at 120 °C where the others keep 0.1 to 0.6: an unclear dry reference. 2.45 stands for 1.8-3.1."""


def floor_pct(room_pa: float, dryer_degc: float) -> tuple[float, float]:
    """Return our floor and its standard deviation, wt%."""
    room = float(relative_humidity_from_vapor_pressure(20.0, room_pa))
    floor = end_of_hot_air(BEADS, dryer_degc, 20.0, room).mean_g_per_g
    return 100.0 * floor, 100.0 * floor_sd_g_per_g(floor, dryer_degc)


@pytest.mark.parametrize(("source", "room_pa", "dryer_degc", "loading_pct"), MEASURED)
def test_floor_within_its_stated_spread(source: str, room_pa: float, dryer_degc: float, loading_pct: float) -> None:
    floor, sd = floor_pct(room_pa, dryer_degc)
    assert abs(loading_pct - floor) < 1.645 * sd, source


@pytest.mark.parametrize(("source", "room_pa", "dryer_degc", "loading_pct"), STRONGLY_BOUND)
def test_lot_d_lies_above_the_floor(source: str, room_pa: float, dryer_degc: float, loading_pct: float) -> None:
    """A limit of ours, shown and not hidden: beads like these end up to 1.3 % wetter than the tool says."""
    floor, _ = floor_pct(room_pa, dryer_degc)
    assert 0.9 < loading_pct - floor < 1.4, source


@pytest.mark.parametrize(
    ("relative_humidity", "least_g_per_g", "source"),
    [
        (0.20, 0.08, "JIS Z 0701:1977, table 3, type A"),
        (0.50, 0.20, "JIS Z 0701:1977, table 3, type A"),
        (0.90, 0.30, "JIS Z 0701:1977, table 3, type A"),
        (0.10, 0.02, "JIS K 1464:1962, table 1, any industrial desiccant"),
        (0.50, 0.06, "JIS K 1464:1962, table 1, any industrial desiccant"),
        (0.90, 0.15, "JIS K 1464:1962, table 1, any industrial desiccant"),
        (
            0.20,
            3.0 / 26.0,
            "a unit (DIN 55473, MIL-D-3464: 3 g at 20 % RH; from memory) is 26 g of gel: PECM 31 (2018) p. 137",
        ),
        (
            0.40,
            6.0 / 26.0,
            "a unit (DIN 55473, MIL-D-3464: 6 g at 40 % RH; from memory) is 26 g of gel: PECM 31 (2018) p. 137",
        ),
    ],
)
def test_beads_hold_what_standards_ask_for(relative_humidity: float, least_g_per_g: float, source: str) -> None:
    assert BEADS.isotherm.loading_g_per_g(relative_humidity, 25.0) >= least_g_per_g, source


@pytest.mark.parametrize(("room_humidity", "floor_pct_least"), [(0.60, 10.0), (0.50, 6.5)])
def test_why_a_45_degree_dryer_fails_in_august(room_humidity: float, floor_pct_least: float) -> None:
    """Lots A to C: 10.0-11.8 wt% are left at 45 °C in a room of 25 °C / 60 % RH, 6.7-8.1 at 20 °C / 50 % RH."""
    room_degc = 25.0 if room_humidity == 0.60 else 20.0
    left = 100.0 * end_of_hot_air(BEADS, 45.0, room_degc, room_humidity).mean_g_per_g
    assert floor_pct_least < left < floor_pct_least + 2.0
