"""The unknowns of a box and their prior: leak by kind of box, start by recharge, sensor, contents, shape."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from monitor.inference.episodes import Episode
from monitor.inference.posterior.priors.contents import (
    known_or_plain_gel,
    prompt_contents,
    slow_store,
    swapped_g_per_humidity,
)
from monitor.physics.leakage import conductance_from_air_changes
from monitor.physics.numerics import FloatArray
from monitor.physics.sorption import Isotherm
from monitor.physics.sorption.caveats import Dye
from monitor.records import Box
from monitor.records.words import NOT_DRIED

UNKNOWNS = (
    "ln conductance",
    "ln start humidity",
    "sensor bias",
    "isotherm shape",
    "ln capacity scale",
    "ln slow humidity",
    "ln slow capacity",
    "ln slow lag",
    "ln dry mass",
)
CONDUCTANCE, START, BIAS, SHAPE, CAPACITY, SLOW_HUMIDITY, SLOW_CAPACITY, SLOW_LAG, DRY_MASS = range(len(UNKNOWNS))
CHANGE, CHANGED_DAY, CHANGE_TOOK = range(len(UNKNOWNS), len(UNKNOWNS) + 3)
"""Three more where a change is allowed for: ln of the conductance after it over that before, the day of the episode on
which half of it had come, and ln of the days it took."""

CONDUCTANCE_PER_AIR_CHANGE = float(conductance_from_air_changes(1.0, 1.0, 23.0))
"""G of one air change a day and liter, n V/(R_v T) at 23 °C: 0.0073 g/day/kPa."""

# ln(air changes a day): median and sd by a word in the box's style. Display cases 0.1 (very well sealed) to 24
# (AIC wiki 2020, degree of case seal); an empty polypropylene clip-lid box 2.8 (Kelly, Daniel 2000, Abbey Newsletter
# 24:1); bags by a judgement. Wide on purpose: the readings speak, and boxes of one style inform each other.
_AIR_CHANGES = {
    "valve": (1.0, 1.0),
    "gasket": (1.2, 0.9),
    "canister": (1.6, 0.9),
    "clip": (1.8, 0.9),
    "feed": (2.5, 0.9),
    "tote": (4.0, 1.1),
    "bag": (0.7, 1.2),
    "cabinet": (4.0, 1.1),
}
_AIR_CHANGES_UNKNOWN = (1.6, 1.2)

# Humidity over the charge when the box is closed: median, sd of its logarithm. The floor of hot air (equation 2 of
# any Dubinin isotherm, RH = exp(-A_dry / R T)) is a lower bound: many charges stop far short of it.
_START_HUMIDITY = {
    "new": (0.03, 0.7),
    "oven": (0.02, 1.0),
    "microwave": (0.04, 0.9),
    "hot_air": (0.055, 0.8),
    "dryer": (0.055, 0.8),
    "bed": (0.07, 0.8),
    "indicator": (0.08, 0.8),
    NOT_DRIED: (0.12, 0.9),  # anything from nearly dry to past most limits (a judgement)
}
_START_UNKNOWN = (0.06, 1.0)
_START_WITHOUT_BEADS = (0.30, 0.8)
"""Closed on the room's air, or on air that was dried or moistened first (a judgement)."""
_START_OF_SIEVE = (0.0015, 1.5)
"""A sieve that still holds 3 to 14 % after drying, as from 300 to 120 °C, leaves air this dry (by its isotherm)."""

_SALT_SHAPE_SD = 0.15
"""A salt goes in steps, so its shape is near the first; the second only takes the edge off."""


@dataclass(frozen=True)
class Assumptions:
    """The settings of the model of errors; each switch is a row of the ablation table."""

    bias_share_of_accuracy: float = 0.5
    """Standard deviation of a sensor's bias: a stated accuracy is read as two of them (coverage factor 2, JCGM 100)."""
    bias_walk: float = 0.005
    """How far a bias wanders in a year; sheets of common sensors say 0.25 to 0.5 % RH. [per square root of a year]"""
    shape_mean: float = 0.5
    shape_sd: float = 0.4
    """Somewhere between the two published isotherms, at 0 and at 1."""
    drift_sd: float = 0.2
    """How far ln conductance wanders around its mean in a box left closed."""
    drift_days: float = 60.0
    seating_sd: float = 0.10
    """How differently a lid sits after an opening, in ln conductance."""
    badly_seated: float = 0.15
    """Share of openings after which the lid does not close as before (a judgement)."""
    ajar_log_conductance: float = 1.2
    """What that adds to ln G until the next opening, a seam a few times as wide, or until somebody notices."""
    ajar_days: float = 10.0
    unknown_share: float = 0.15
    """Unseen gains and losses, as a share of the day's ingress. [per square root of a day]"""
    unknown_g_per_g: float = 5e-5
    unknown_humidity_without_beads: float = 0.01
    """A box without beads follows drafts and warm hours that daily means smooth. [per square root of a day]"""
    settling_humidity: float = 0.004
    """Beads, core and spools come to rest with one another: noise of the first days. [per square root of a day]"""
    settling_days: float = 4.0
    settling_share_of_step: float = 0.25
    """A step of humidity runs back by about this much as the water goes deeper. [per square root of a day]"""
    reading_sd: float = 0.003
    reading_share: float = 0.01
    reading_sd_over_salt: float = 0.04
    """Over a salt humidity follows crust and draft as much as fill: honest silence, the grams come from the prior."""
    student_degrees: float = 5.0
    opening_sd_g: float = 0.10
    swapped_humidity: float = 0.25
    """A spool that is swapped in comes from a sealed bag, a dryer or the open shelf and nobody says which: between dry
    and the room's (a judgement)."""
    swapped_humidity_sd: float = 0.2
    """How far one spool's humidity lies from that of the others."""
    swap_least_sd_g: float = 0.15
    censored: bool = True
    """False takes a floor for a value: wrong, kept for the test that must fail."""
    drop_censored: bool = False
    """True leaves readings at the floor out, which wastes what they tell."""
    seasonal_room: bool = True
    future_events: bool = True
    slow_contents: bool = True
    wandering_leak: bool = True


@dataclass(frozen=True, eq=False)
class Prior:
    """Independent normal priors of the unknowns, and the isotherms between which the shape lies."""

    mean: FloatArray
    sd: FloatArray
    shapes: tuple[Isotherm, Isotherm]
    dry_mass_g: float
    grams_declared: bool
    swapped_g_per_humidity: float
    """Water that one spool of the box gives or takes for a humidity of 1 between it and the air of the box."""
    humidity_shows: str = "fill"
    """What humidity tells of this desiccant: 'fill', 'little' or 'phase' (a salt in steps)."""
    dye: Dye | None = None


def prior_of(box: Box, episode: Episode, assumptions: Assumptions, pooled: tuple[float, float] | None = None) -> Prior:
    """Return the prior of a box; ``pooled`` is mean and sd of ln(air changes a day) learned from boxes of its kind."""
    mean, sd = np.zeros(len(UNKNOWNS)), np.ones(len(UNKNOWNS))
    per_change = CONDUCTANCE_PER_AIR_CHANGE * box.volume_liter
    log_changes, spread = pooled or style_prior(box)
    mean[CONDUCTANCE], sd[CONDUCTANCE] = log_changes + np.log(per_change), spread
    start, sd[START] = _matching(_START_HUMIDITY, episode.method, _START_UNKNOWN)
    mean[START] = np.log(start)
    sd[BIAS] = _bias_sd(box, episode, assumptions)
    mean[SHAPE], sd[SHAPE] = assumptions.shape_mean, assumptions.shape_sd
    sd[CAPACITY], sd[DRY_MASS] = 0.8, 0.03
    _slow_contents(box, episode, assumptions, mean, sd)
    shapes, dry_mass_g, shows = prompt_contents(box, episode)
    swapped = swapped_g_per_humidity(box)
    if episode.desiccant is None:
        mean[START], sd[START] = np.log(_START_WITHOUT_BEADS[0]), _START_WITHOUT_BEADS[1]
        return Prior(mean, sd, shapes, dry_mass_g, False, swapped, shows)
    sd[CAPACITY] = known_or_plain_gel(episode.desiccant).sigma_ln_capacity
    if shows == "little" and episode.method != NOT_DRIED:
        mean[START], sd[START] = np.log(_START_OF_SIEVE[0]), _START_OF_SIEVE[1]
    if shows == "phase":
        mean[SHAPE], sd[SHAPE] = 0.0, _SALT_SHAPE_SD
    if episode.known_loading is not None:
        _start_from_loading(episode.known_loading, shapes[0], mean, sd)
    dye = known_or_plain_gel(episode.desiccant).dye
    return Prior(mean, sd, shapes, dry_mass_g, episode.dry_mass_g > 0.0, swapped, shows, dye)


def _bias_sd(box: Box, episode: Episode, assumptions: Assumptions) -> float:
    """Spread of a sensor's bias by its sheet; wider where it and the one before it disagree by more than sheets allow.

    Two results that disagree are both widened until they don't, as nobody knows which is wrong: the ratio of Birge
    (1932), Physical Review 40:207.
    """
    return max(assumptions.bias_share_of_accuracy * box.sensor.accuracy, episode.sensors_apart / math.sqrt(2.0))


def style_prior(box: Box) -> tuple[float, float]:
    """Return mean and sd of ln(air changes a day) for boxes of this style."""
    changes, spread = _matching(_AIR_CHANGES, box.style, _AIR_CHANGES_UNKNOWN)
    return float(np.log(changes * (1.3 if box.fed_through_tube else 1.0))), spread


def _matching(table: dict[str, tuple[float, float]], name: str, otherwise: tuple[float, float]) -> tuple[float, float]:
    return next((value for word, value in table.items() if word in name.lower()), otherwise)


def _slow_contents(box: Box, episode: Episode, assumptions: Assumptions, mean: FloatArray, sd: FloatArray) -> None:
    """Spools and cores as one slow store."""
    size, humidity, lag = slow_store(box, episode.spools_went_in)
    if not assumptions.slow_contents:
        size = 1e-4
    mean[SLOW_HUMIDITY], sd[SLOW_HUMIDITY] = np.log(humidity), 0.9
    mean[SLOW_CAPACITY], sd[SLOW_CAPACITY] = np.log(size), 0.35
    mean[SLOW_LAG], sd[SLOW_LAG] = np.log(max(lag / size, 0.5)), 0.6


def _start_from_loading(
    known: tuple[float, float, float], isotherm: Isotherm, mean: FloatArray, sd: FloatArray
) -> None:
    """A drying run or jar check told the loading: its 5, 50 and 95 % points as humidity at rest."""
    low, middle, high = (float(np.log(max(isotherm.relative_humidity(q, 23.0), 1e-4))) for q in known)
    mean[START], sd[START] = middle, max((high - low) / 3.29, 0.1)
