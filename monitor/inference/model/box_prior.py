"""What is known of a box before its readings: leak by kind of box, start by recharge, sensor, contents, shape."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from monitor.inference.evidence.episodes import Episode
from monitor.inference.model.carried import covariance_kept
from monitor.inference.model.contents import (
    known_or_plain_gel,
    prompt_contents,
    slow_store,
    spool_mixed_in,
    swapped_g_per_humidity,
    swapped_share,
)
from monitor.inference.model.prior import Assumptions, Normal, Prior, Unknown
from monitor.physics.leakage import conductance_from_air_changes
from monitor.physics.materials import Desiccant
from monitor.physics.psychrometrics import REFERENCE_DEGC
from monitor.physics.sorption import Isotherm
from monitor.records import NORMAL_P95, Box
from monitor.records.words import NOT_DRIED

CONDUCTANCE_PER_AIR_CHANGE = float(conductance_from_air_changes(1.0, 1.0, REFERENCE_DEGC))
"""G of one air change a day and liter, n V/(R_v T) at 23 °C: 0.0073 g/day/kPa."""

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
"""Air changes by a word in the box's style: median [1/day] and sd of its logarithm. Display cases run from 0.1 (very
well sealed) to 24 (AIC wiki 2020, degree of case seal); an empty polypropylene clip-lid box had 2.8 (Kelly, Daniel
2000, Abbey Newsletter 24:1). Each figure within that range, and every spread, is a judgement: no survey of such boxes
is known to us. Wide on purpose: readings and other boxes of the style narrow it."""
_AIR_CHANGES_UNKNOWN = (1.6, 1.2)
"""The same of any other style. [1/day] and [1] Judgement: the middle of these, with a spread over all of them."""
_FED_THROUGH_TUBE = 1.3
"""A hole for the filament makes a box so many times as leaky. [factor] Judgement: through the ring that a
filament of 1.75 mm leaves in a bore of 2 mm, a centimeter long, diffusion (D A/(Rv T L), D 2.5e-5 m²/s) brings 0.001
g/day/kPa; a loose one or a worn grommet lets in a good part of what a seal does."""

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
"""Humidity over the charge when the box is closed, by a word in how it was dried: median [fraction of saturation] and
sd of its logarithm. The floor of hot air (equation 2 of any Dubinin isotherm, RH = exp(-A_dry / R T): 5.7 % at 55 °C,
3.1 % at 65 °C, 0.4 % at 100 °C in a room of 20 °C and 50 % RH) is a lower bound; many charges stop far short of it, so
medians above it and wide spreads are a judgement."""
_START_UNKNOWN = (0.06, 1.0)
"""The same of any other method. [fraction of saturation] and [1] Judgement: the middle of these, with a wide spread."""
_START_WITHOUT_BEADS = (0.30, 0.8)
"""The same of a box without beads. [fraction of saturation] and [1] Judgement: closed on the room's air, or on air that
was dried or moistened first."""
_START_OF_SIEVE = {"new": (0.0015, 1.5), "oven": (0.006, 1.4), "unknown": (0.01, 1.6)}
"""The same of a sieve, by methods that mean another heat for it. A sealed pack was fired and holds some 3 to 5 % of
water. Ovens run from 250 °C down to 120 °C, whose floor is 0.1 % RH and 6 % of water (Dubinin), and a bed stops short.
Hot air, print beds and microwaves leave the humidity that they leave over any beads, by the potential of their air:
16 % of water from 65 °C. Medians above the floors, and spreads, are a judgement."""
_DRIEST_KNOWN = 1e-4
"""A loading known from a drying run or jar check is taken for no drier than this. [fraction of saturation] Judgement:
below it isotherms are extrapolated."""
_LEAST_KNOWN_SD = 0.1
"""And known no better than this. [ln humidity] Judgement: the isotherm itself is off by that much."""

_SALT_SHAPE_SD = 0.15
"""A salt goes in steps, so its shape is near the first; the second only takes the edge off. Judgement."""
_DRY_MASS_SD = 0.03
"""How far the dry mass lies from what was declared. [ln mass] Beads from the bag carry up to 2.5 % of water (JIS Z
0701:1977), some more by handling; both signs, and the last half per cent, are a judgement."""
_BETWEEN_BRANCHES_SD = 0.3
"""Beads that come from wetter air and were not dried take up less for the same rise of humidity, until they are back on
the branch that the model knows. [ln water] Judgement: half as much in the first month of
tests/inference/test_hysteresis.py, and ever more after it."""
_WALLS_STORE_SD = 0.8
"""Of the store of bare walls, where there are no beads. [ln water] Judgement: known to a factor of two or so."""
_SLOW_HUMIDITY_SD = 0.9
"""How far the humidity lies with which spools went in. [ln humidity] Judgement: a spool called dry may be wet."""
_SLOW_CAPACITY_SD = 0.35
"""How far what spools can hold lies from the table. [ln water] Judgement: uptakes are known to 0.15 to 0.25
(tables/polymers.toml), masses left on a spool less well."""
_SLOW_LAG_SD = 0.6
"""How far their lag lies from the table's. [ln days] Judgement: winding slows a spool three to ten times (from memory,
``physics.materials.WINDING_FACTOR``)."""
_LEAST_LAG_DAYS = 0.5
"""Slow contents lag by at least this much. [days] Judgement: what answers sooner is at rest with the air in any bin."""
_NO_SLOW_G = 1e-4
"""Slow contents where they are taken out of the model, for the ablation table. [g for a humidity of 1] Judgement: next
to nothing, as a logarithm needs more than none."""


def prior_of(box: Box, episode: Episode, assumptions: Assumptions, pooled: tuple[float, float] | None = None) -> Prior:
    """Return the prior of a box.

    Parameters
    ----------
    box : Box
        As declared.
    episode : Episode
        With the beads and how they were dried.
    assumptions : Assumptions
        The model of errors.
    pooled : (float, float), optional
        Mean and standard deviation of ln(air changes a day) learned from boxes of its kind; those of its style where
        left out. [ln(1/day)]

    Returns
    -------
    Prior
        Without a change point.
    """
    shapes, dry_mass_g, shows = prompt_contents(box, episode)
    beads = None if episode.desiccant is None else known_or_plain_gel(episode.desiccant)
    shape = Normal(assumptions.shape_mean, assumptions.shape_sd)
    unknowns = {
        Unknown.log_conductance: _log_conductance(box, pooled),
        Unknown.log_start_humidity: _log_start_humidity(episode, shapes[0], shows),
        Unknown.sensor_bias: Normal(0.0, _bias_sd(box, episode, assumptions)),
        Unknown.isotherm_shape: Normal(0.0, _SALT_SHAPE_SD) if shows == "phase" else shape,
        Unknown.log_capacity_scale: Normal(0.0, _capacity_sd(beads, episode)),
        **_slow_contents(box, episode, assumptions),
        Unknown.log_dry_mass: Normal(0.0, _DRY_MASS_SD),
    }
    return Prior(
        unknowns=unknowns,
        shapes=shapes,
        dry_mass_g=dry_mass_g,
        grams_declared=beads is not None and episode.dry_mass_g > 0.0,
        swapped_g_per_humidity=swapped_g_per_humidity(box),
        swapped_share=swapped_share(box) if assumptions.slow_contents else 0.0,
        humidity_shows=shows,
        dye=None if beads is None else beads.dye,
    )


def with_leak(prior: Prior, box: Box, pooled: tuple[float, float]) -> Prior:
    """Return the same prior with another one of the leak; covariances with what an earlier episode told stay.

    Parameters
    ----------
    prior : Prior
        Of an episode of the box.
    box : Box
        As declared.
    pooled : (float, float)
        Mean and standard deviation of ln(air changes a day). [ln(1/day)]

    Returns
    -------
    Prior
        All else as it was.
    """
    leak = _log_conductance(box, pooled)
    changed = replace(prior, unknowns={**prior.unknowns, Unknown.log_conductance: leak})
    if prior.correlation is None:
        return changed
    before, at = prior.unknowns[Unknown.log_conductance], Unknown.log_conductance
    kept_before, kept = (covariance_kept(one.sd**2, prior.leak_var_before) for one in (before, leak))
    factors = np.ones(len(prior.correlation))
    factors[at] = kept / kept_before * before.sd / leak.sd
    correlation = prior.correlation * np.outer(factors, factors)
    correlation[at, at] = 1.0
    return replace(changed, correlation=correlation)


def _capacity_sd(beads: Desiccant | None, episode: Episode) -> float:
    """Of the lot; and of the branch that beads are on which were not dried."""
    if beads is None:
        return _WALLS_STORE_SD
    between = _BETWEEN_BRANCHES_SD if episode.method == NOT_DRIED and beads.hysteresis is not None else 0.0
    return math.hypot(beads.sigma_ln_capacity, between)


def _log_conductance(box: Box, pooled: tuple[float, float] | None) -> Normal:
    log_changes, spread = pooled or style_prior(box)
    return Normal(float(log_changes + np.log(CONDUCTANCE_PER_AIR_CHANGE * box.volume_liter)), spread)


def _log_start_humidity(episode: Episode, isotherm: Isotherm, shows: str) -> Normal:
    """By the loading that a drying run or jar check found, else by how the beads were dried."""
    if episode.desiccant is None:
        middle, sd = _START_WITHOUT_BEADS
    elif episode.known_loading is not None:
        return _start_from_loading(episode.known_loading, isotherm)
    else:
        middle, sd = start_humidity_of(episode.method, shows)
    return Normal(float(np.log(middle)), sd)


def start_humidity_of(method: str, shows: str) -> tuple[float, float]:
    """Return how dry fresh beads start, by how they were dried.

    Parameters
    ----------
    method : str
        In the words of the ledger.
    shows : str
        What humidity shows of the beads: 'fill', 'little' or 'phase'.

    Returns
    -------
    (float, float)
        Median [fraction of saturation] and standard deviation of its logarithm [1].
    """
    if shows != "little":
        return _matching(_START_HUMIDITY, method, _START_UNKNOWN)
    return _matching(_START_OF_SIEVE, method, _matching(_START_HUMIDITY, method, _START_OF_SIEVE["unknown"]))


def slow_spreads() -> tuple[float, float, float, float]:
    """Return how little is known of what lies in a box.

    Returns
    -------
    (float, float, float, float)
        Standard deviations of the logarithms of its humidity, store and lag [1], and the least lag [days].
    """
    return _SLOW_HUMIDITY_SD, _SLOW_CAPACITY_SD, _SLOW_LAG_SD, _LEAST_LAG_DAYS


def _bias_sd(box: Box, episode: Episode, assumptions: Assumptions) -> float:
    """Spread of a sensor's bias by its sheet; wider where it and the one before it disagree by more than sheets allow.

    Two results that disagree are both widened until they don't, as nobody knows which is wrong: the ratio of Birge
    (1932), Physical Review 40:207.
    """
    return max(assumptions.bias_share_of_accuracy * box.sensor.accuracy, episode.sensors_apart / math.sqrt(2.0))


def style_prior(box: Box) -> tuple[float, float]:
    """Return the prior of the leak by how a box closes.

    Parameters
    ----------
    box : Box
        As declared.

    Returns
    -------
    (float, float)
        Mean and standard deviation of ln(air changes a day). [ln(1/day)]
    """
    mean, spread = prior_of_style(box.style)
    return mean + (float(np.log(_FED_THROUGH_TUBE)) if box.fed_through_tube else 0.0), spread


def prior_of_style(style: str) -> tuple[float, float]:
    """Return the prior of the leak of a style, whatever else is declared of a box.

    Parameters
    ----------
    style : str
        How boxes close, as declared.

    Returns
    -------
    (float, float)
        Mean and standard deviation of ln(air changes a day). [ln(1/day)]
    """
    changes, spread = _matching(_AIR_CHANGES, style, _AIR_CHANGES_UNKNOWN)
    return float(np.log(changes)), spread


def _matching(table: dict[str, tuple[float, float]], name: str, otherwise: tuple[float, float]) -> tuple[float, float]:
    return next((value for word, value in table.items() if word in name.lower()), otherwise)


def _slow_contents(box: Box, episode: Episode, assumptions: Assumptions) -> dict[Unknown, Normal]:
    """Spools and cores as one slow store."""
    size, humidity, lag = slow_store(box, episode.spools_went_in)
    if not assumptions.slow_contents:
        size = _NO_SLOW_G
    var, count = _SLOW_HUMIDITY_SD**2, sum(spool.count for spool in box.spools)
    for _ in range(episode.swaps_with_beads if count else 0):
        fresh = assumptions.swapped_humidity, assumptions.swapped_humidity_sd
        humidity, by_old, of_fresh = spool_mixed_in(humidity, 1.0 / count, fresh)
        var = var * by_old**2 + of_fresh
    return {
        Unknown.log_slow_humidity: Normal(float(np.log(humidity)), math.sqrt(var)),
        Unknown.log_slow_capacity: Normal(float(np.log(size)), _SLOW_CAPACITY_SD),
        Unknown.log_slow_lag: Normal(float(np.log(max(lag / size, _LEAST_LAG_DAYS))), _SLOW_LAG_SD),
    }


def _start_from_loading(known: tuple[float, float, float], isotherm: Isotherm) -> Normal:
    """From the 5, 50 and 95 % points of a loading that a drying run or jar check found, as humidity at rest."""
    low, middle, high = (
        float(np.log(max(isotherm.relative_humidity(q, REFERENCE_DEGC), _DRIEST_KNOWN))) for q in known
    )
    return Normal(middle, max((high - low) / (2.0 * NORMAL_P95), _LEAST_KNOWN_SD))
