"""The invented print room: its boxes as they truly are, which is more than their owner knows."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

SITE = "printroom"
START = datetime(2026, 4, 1, 6, tzinfo=UTC)
END = datetime(2026, 9, 30, 18, tzinfo=UTC)
HOLIDAY = datetime(2026, 9, 11, tzinfo=UTC)
"""From here on nobody is in the print room, so nothing is opened, weighed or dried any more."""


@dataclass(frozen=True)
class Beads:
    """A lot of beads by points of its curve at 25 °C: relative humidity in per cent against g of water per g."""

    kind: str
    rh_pct: tuple[float, ...]
    loading: tuple[float, ...]
    dried_to: float
    """Loading at which the oven leaves them."""


_RH_PCT = (0.01, 1, 3, 5, 10, 15, 20, 25, 30, 40, 50, 60, 80, 99)
ORANGE_GEL = Beads(
    "silica_gel_orange_indicating",
    _RH_PCT,
    (0.0, 0.018, 0.034, 0.046, 0.074, 0.103, 0.132, 0.158, 0.183, 0.228, 0.262, 0.287, 0.318, 0.338),
    dried_to=0.012,
)
SIEVE = Beads(
    "molecular_sieve_4A",
    _RH_PCT,
    (0.0, 0.150, 0.172, 0.178, 0.186, 0.190, 0.194, 0.197, 0.199, 0.203, 0.206, 0.209, 0.216, 0.224),
    dried_to=0.035,
)


@dataclass(frozen=True)
class Sorbent:
    """Filament or cardboard: water in balance with air at half saturation, and how slowly it gets there."""

    dry_g: float
    at_half_saturation: float
    days: float
    begins_at_rh: float


@dataclass(frozen=True)
class TrueBox:
    """One box of the room, with what nobody can see."""

    name: str
    liter: float
    conductance: float
    """Walls, seals and lid together, on the first day. [g/day/kPa]"""
    beads: Beads
    dry_g: float
    """True dry mass; the owner knows the nominal one."""
    nominal_g: float
    limit_pct: float
    begins: float = 0.012
    """Loading on the first day."""
    method: str = "oven_120C_3h"
    contents: tuple[Sorbent, ...] = ()
    bias_pct: float = 0.0
    noise_pct: float = 0.15
    step_pct: float = 0.1
    floor_pct: float = 0.0
    fails_on: datetime | None = None
    """From here the seal opens up within ten days ..."""
    fails_to: float = 0.0
    """... to this conductance."""
    openings_a_week: float = 0.3
    logs_openings: float = 0.7
    weighed_weekly: bool = False
    scale_g: float = 1.0
    on_printer: bool = False
    closed_on: datetime = START
    silent_from: datetime = END


def _pla(kg: float, rh: float = 0.30) -> Sorbent:
    return Sorbent(1000 * kg, 0.0032, 2.5, rh)


def _card(cores: int) -> Sorbent:
    return Sorbent(150.0 * cores, 0.067, 1.5, 0.40)


def _summer(month: int, day: int, hour: int = 8) -> datetime:
    return datetime(2026, month, day, hour, tzinfo=UTC)


BOXES = (
    TrueBox("pla-white", 12, 0.035, ORANGE_GEL, 147, 150, 20, contents=(_pla(4),), bias_pct=0.7),
    TrueBox(
        "pla-colors", 40, 0.62, ORANGE_GEL, 590, 600, 20, contents=(_pla(7), _card(3)), bias_pct=-1.1, begins=0.020
    ),
    TrueBox(
        "petg-stock",
        12,
        0.062,
        ORANGE_GEL,
        124,
        120,
        20,
        contents=(_pla(3),),
        bias_pct=1.3,
        begins=0.05,
        method="hot_air_65C",
    ),
    TrueBox(
        "petg-printer",
        8,
        0.20,
        ORANGE_GEL,
        97,
        100,
        20,
        contents=(_pla(1),),
        bias_pct=0.4,
        on_printer=True,
        openings_a_week=1.0,
    ),
    TrueBox(
        "pa6-dry",
        10,
        0.048,
        ORANGE_GEL,
        251,
        250,
        15,
        contents=(Sorbent(1000, 0.027, 9.0, 0.22),),
        bias_pct=-0.6,
        weighed_weekly=True,
        scale_g=0.1,
    ),
    TrueBox("pc-clear", 10, 0.85, ORANGE_GEL, 152, 150, 20, contents=(_pla(1),), bias_pct=0.9, scale_g=1.0),
    TrueBox(
        "tpu-soft",
        11,
        0.045,
        ORANGE_GEL,
        148,
        150,
        20,
        contents=(Sorbent(1500, 0.007, 4.0, 0.25),),
        bias_pct=-0.8,
        fails_on=_summer(7, 5),
        fails_to=0.50,
    ),
    TrueBox(
        "asa-rack",
        15,
        0.23,
        ORANGE_GEL,
        156,
        150,
        20,
        contents=(_pla(2), _card(1)),
        bias_pct=-2.2,
        noise_pct=0.5,
        step_pct=1.0,
        floor_pct=10.0,
    ),
    TrueBox(
        "pla-daily",
        25,
        0.17,
        ORANGE_GEL,
        303,
        300,
        25,
        contents=(_pla(5),),
        bias_pct=0.5,
        openings_a_week=5.0,
        logs_openings=0.5,
    ),
    TrueBox(
        "pva-support",
        4,
        0.028,
        SIEVE,
        82,
        80,
        10,
        begins=0.035,
        contents=(Sorbent(500, 0.03, 12.0, 0.03),),
        bias_pct=0.5,
        openings_a_week=0.15,
    ),
    TrueBox(
        "tpu-bag",
        5,
        0.055,
        ORANGE_GEL,
        51,
        50,
        20,
        contents=(Sorbent(750, 0.007, 4.0, 0.2),),
        bias_pct=1.0,
        silent_from=_summer(8, 21, 3),
    ),
    TrueBox(
        "petg-new", 12, 0.08, ORANGE_GEL, 150, 150, 20, contents=(_pla(3),), bias_pct=-0.4, closed_on=_summer(9, 29, 7)
    ),
)
