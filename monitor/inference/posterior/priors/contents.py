"""What is in a box, as stores of water: beads and the shape of their isotherm, bare walls, spools and their cores."""

from __future__ import annotations

import numpy as np

from monitor.errors import OutOfRangeError
from monitor.inference.episodes import Episode
from monitor.physics.materials import Desiccant, cardboard, desiccant, parts_of, polymer
from monitor.physics.sorption import Isotherm, Mixture, PiecewiseLinear
from monitor.records import Box, Spool

# Humidity with which spools are at rest as they go in, by state (a judgement: sealed bags and dried spools are dry).
_SPOOL_HUMIDITY = {"fresh": 0.08, "dried": 0.07, "open": 0.35, "been": 0.35, "wet": 0.70}
_SPOOL_HUMIDITY_UNKNOWN = 0.18
_CORE_HUMIDITY = 0.35
_CORE_G = 180.0
_SWAPPED_SPOOL_G_PER_HUMIDITY = 4.5
"""A kilogram of a middling filament, where no spool is declared."""
_LATER_HUMIDITY = 0.10
"""Spools that were in the box before the recharge are near the air it had."""
_WALLS_G_PER_HUMIDITY_10_LITER = 0.15
"""What walls and lining of an empty box take up; a guess, with a factor of 2.2 either way."""

# The other end of the line of isotherm shapes. Where no second published curve is known, a straight line is taken:
# kinetics and mixtures smooth every step and knee.
_SECOND_SHAPE = {
    "silica_gel_regular_density": "silica_gel_type_RD",
    "silica_gel_type_A": "silica_gel_type_RD",
    "silica_gel_unspecified": "silica_gel_type_RD",
    "silica_gel_orange_indicating": "silica_gel_type_RD",
    "silica_gel_blue_indicating": "silica_gel_type_RD",
    "silica_gel_type_RD": "silica_gel_regular_density",
    "silica_gel_regular_density_large_pore_volume": "silica_gel_regular_density",
    "molecular_sieve_A_type": "molecular_sieve_13X",
    "molecular_sieve_4A": "molecular_sieve_A_type",
}
_STRAIGHT_FROM = 0.6


def prompt_contents(box: Box, episode: Episode) -> tuple[tuple[Isotherm, Isotherm], float, str]:
    """Isotherms, mass and honesty of what is at rest with the air; bare walls where there is no desiccant."""
    if episode.desiccant is None:
        walls = PiecewiseLinear((0.0, 1.0), (0.0, 1.0))
        return (walls, walls), _WALLS_G_PER_HUMIDITY_10_LITER * (box.volume_liter / 10.0) ** (2 / 3), "fill"
    shows = known_or_plain_gel(episode.desiccant).humidity_shows
    return shapes_of(episode.desiccant), max(episode.dry_mass_g, 1.0), shows


def shapes_of(kind: str) -> tuple[Isotherm, Isotherm]:
    """Return the two isotherms between which the shape of a desiccant lies."""
    known = known_or_plain_gel(kind)
    parts = parts_of(known.kind)
    if len(parts) > 1:
        ends = [shapes_of(part) for part, _ in parts]
        shares = tuple(share for _, share in parts)
        return Mixture(tuple(first for first, _ in ends), shares), Mixture(tuple(other for _, other in ends), shares)
    first = _smeared(known.isotherm) if known.humidity_shows == "phase" else known.isotherm
    other = _SECOND_SHAPE.get(known.kind)
    return first, _straightened(first) if other is None else desiccant(other).isotherm


def known_or_plain_gel(kind: str) -> Desiccant:
    """A desiccant that no table knows is taken for silica gel whose type nobody told."""
    try:
        return desiccant(kind)
    except OutOfRangeError:
        return desiccant("silica_gel_unspecified")


def _smeared(isotherm: Isotherm) -> Isotherm:
    """Hydrate steps as a bed of grains shows them: averaged over a factor of 1.15 in humidity either way.

    Grains are never all in one phase, and a step takes days: hard steps would be held against every reading (a guess).
    """
    humidities = np.r_[np.geomspace(0.01, 0.9, 40), 1.0]
    spread = np.exp(0.14 * np.linspace(-2.0, 2.0, 17))
    weights = np.exp(-0.5 * np.linspace(-2.0, 2.0, 17) ** 2)
    around = np.minimum(humidities[:, None] * spread, 0.98)
    loading = np.asarray(isotherm.loading_g_per_g(around, 23.0)) @ weights / weights.sum()
    rising = np.maximum.accumulate(loading) + 1e-6 * np.arange(len(loading))
    return PiecewiseLinear((0.0, *map(float, humidities)), (0.0, *map(float, rising)))


def _straightened(isotherm: Isotherm) -> Isotherm:
    knee = float(isotherm.loading_g_per_g(_STRAIGHT_FROM, 23.0))
    full = max(float(isotherm.loading_g_per_g(0.985, 23.0)), 1.05 * knee)
    return PiecewiseLinear((0.0, _STRAIGHT_FROM, 1.0), (0.0, knee, full))


def slow_store(box: Box, spools_went_in: bool) -> tuple[float, float, float]:
    """Spools and cores as one slow store: its size in grams for a humidity of 1, how wet it went in, size times lag."""
    size, wet, lag = 0.02, 0.0, 0.0
    for spool in box.spools:
        per_humidity, days = _spool_store(spool)
        size, lag = size + per_humidity, lag + per_humidity * days
        wet += per_humidity * _matching_state(spool.state)
    if box.spool_core == "cardboard":
        board = cardboard()
        per_humidity = _CORE_G * max(sum(s.count for s in box.spools), 1) * 0.08
        size, wet = size + per_humidity, wet + per_humidity * _CORE_HUMIDITY
        lag += per_humidity * board.time_constant_days
    humidity = wet / size if spools_went_in and wet > 0.0 else _LATER_HUMIDITY
    return size, humidity, lag


def _spool_store(spool: Spool) -> tuple[float, float]:
    """Water for a humidity of 1 on Henry's line to 50 % RH, and the lag of a wound spool."""
    try:
        known = polymer(spool.material)
    except OutOfRangeError:
        known = polymer("PETG")  # an unknown blend: a middling filament
    per_humidity = spool.mass_g * float(known.isotherm.loading_g_per_g(0.5, 23.0)) / 0.5
    return per_humidity, float(known.spool_time_constant_days())


def swapped_g_per_humidity(box: Box) -> float:
    """A spool that comes in is taken for one like those declared."""
    spools = sum(spool.count for spool in box.spools)
    if not spools:
        return _SWAPPED_SPOOL_G_PER_HUMIDITY
    return max(sum(_spool_store(spool)[0] for spool in box.spools) / spools, 0.1)


def _matching_state(state: str) -> float:
    return next((value for word, value in _SPOOL_HUMIDITY.items() if word in state.lower()), _SPOOL_HUMIDITY_UNKNOWN)
