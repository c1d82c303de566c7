"""What is in a box, as stores of water: beads and the shape of their isotherm, bare walls, spools and their cores."""

from __future__ import annotations

import re

import numpy as np

from monitor.errors import OutOfRangeError
from monitor.inference.evidence.episodes import Episode
from monitor.physics.materials import Desiccant, cardboard, desiccant, parts_of, polymer
from monitor.physics.psychrometrics import REFERENCE_DEGC
from monitor.physics.sorption import Isotherm, Mixture, PiecewiseLinear
from monitor.records import Box, Spool

_SPOOL_HUMIDITY = {"fresh": 0.05, "dried": 0.07, "open": 0.35, "been": 0.35, "wet": 0.70}
"""Humidity with which spools are at rest as they go in, by state. [fraction of saturation]

Filament is drawn from pellets as dry as their melt bears: 0.025 % of water in PLA, 0.02 % in ABS, PC and TPU, 0.06 % in
PETG, 0.2 % in PA6 (tables of makers of dryers), on the lines of tables/polymers.toml 2 to 12 %, 5 % in the middle.
Dried in air from a room of 20 °C and 50 % RH it ends no drier than that air: 12 % at 45 °C (PLA), 7 % at 55 °C, 4 % at
70 °C (``physics.psychrometrics``). Open spools are near a room's air (a judgement)."""
_SWAPPED_SD_SHARE = 0.9
"""Of which a spool said to be dry, open or wet is known to this. [share of its humidity] Judgement: as those that
went in first (``prior``)."""
_SPOOL_HUMIDITY_UNKNOWN = 0.13
"""The same where nothing is said. [fraction of saturation] Judgement: between a fresh spool and an open one, by their
logarithms."""
_MEAN_LAG = 5.783 / 8.0
"""Lag of the one exponential that follows a slow rise as a strand does, over the strand's slowest mode: a²/(8 D) over
a²/(5.783 D). No unit. Exact for Fick's law in a cylinder: the sum of 4/α⁴ over the zeros α of J0 is 1/8, the area over
its uptake (Crank 1975, eq. 5.23)."""
_CORE_HUMIDITY = 0.35
"""The same of a cardboard core. [fraction of saturation] Judgement: board comes from a shop's or a room's air, and
follows it within days."""
_CORE_G = 180.0
"""Mass of a cardboard core: the middle of 120 to 250 g, from memory. [g]"""
_CORE_G_PER_G = 0.08
"""Water of board for a humidity of 1, a straight line. [g/g] The slope of its isotherm from 20 to 40 % RH at 23 °C,
0.08 to 0.09 (tables/cardboard.toml, after Tryding et al. 2022); steeper below 10 % and above 50 %."""
_SWAPPED_SPOOL_G_PER_HUMIDITY = 4.5
"""Water of a swapped spool for a humidity of 1, where no spool is declared. [g] Judgement: a kilogram of a middling
filament; those of tables/polymers.toml run from 3 (PC) by 5 (PETG, ABS) and 7 (PLA) to 50 g (PA6)."""
_FOLLOWED_FROM_DAYS = 7.0
"""Water of a swapped spool is followed as it comes out where its lag is this or longer: of nylons. [days] Judgement:
what comes within days is in the jump of a swap and in the settling after it (``Assumptions.settling_days``); PLA, PC
and ABS lag by 1 to 2 days, TPU by 3, PETG by 6, PA12 by 10, PA6 by 25."""
_LEAST_SWAPPED_G_PER_HUMIDITY = 0.1
"""A spool holds at least so much. [g] Judgement: far less than any; it keeps a division sound."""
_AIR_G_10_LITER, _LEAST_WALLS = 0.206, 0.02
"""Water in ten liters of saturated air at 23 °C (20.6 g/m³, monitor/physics/psychrometrics.py) [g], and a share of it
that even glass with a seal takes up (a judgement)."""
_TEN_LITER = 10.0
"""The box that the shares of walls are given for, by definition; others go by their area. [liter]"""
_LATER_HUMIDITY = 0.10
"""Spools that were in the box before the recharge are near the air it had. [fraction of saturation] Judgement: a box
that was watched was kept dry, and beads are changed about when it no longer is."""
_HENRY_TO = 0.5
"""Filament is taken for a straight line through its uptake at this humidity, at 23 °C (Henry's law). [fraction of
saturation] Where uptakes are tabulated, and up to where polymers follow it (Oliveira et al. 2006, Fluid Phase Equilib.
250:116, for PLA)."""
_LEAST_DRY_G = 1.0
"""Mass of beads that a balance divides by where none was declared. [g] Keeps it sound; a judgement."""
_LEAST_SLOW_G = 0.02
"""Slow contents of a box without a spool: foam, labels, cable. [g for a humidity of 1] Judgement: next to nothing."""
_WALLS = {
    "impervious": (("glass", "metal", "steel", "alumin"), (0.0, 0.05)),
    "hardly_sorbing": (("pp", "polyprop", "pe", "hdpe", "ldpe", "polyeth"), (0.05, 0.08)),
    "sorbing": (
        ("pc", "polycarb", "polysty", "pmma", "acryl", "pa", "nylon", "abs", "ps", "pet", "pvc", "wood", "card"),
        (0.30, 0.30),
    ),
}
"""By what the walls' uptake makes the course look slower, by words for their material: mean and sd. [ln conductance]

Judgement: the air of 10 L holds 0.2 g between dry and saturated; a wall of polypropylene takes up hundredths of a gram,
one of polycarbonate grams, though only its skin within a day or two.
"""
_WALLS_UNKNOWN = (0.10, 0.12)
"""The same of any other walls. [ln conductance] Judgement: between polypropylene and polycarbonate."""

_CRYSTALS_OF = {"molecular_sieve_A_type": "molecular_sieve_4A"}
"""Beads whose other shape is that of their crystals, thinned by the binder. Of what they hold at 40 % RH the pellets of
one lot hold 78 % at 3 % RH, crystals 62 % (tables/desiccants.toml), so hot air leaves room for half as much again."""
_BINDER_SHARE = 0.22
"""Of a bead's mass that is binder and takes up nothing: 20 to 25 %, from memory. [share]"""
_STRAIGHT_FROM = 0.6
"""The straight line goes up to the loading at this humidity. [fraction of saturation] Judgement: knees and steps of the
desiccants in question lie below it."""
_ALMOST_FULL, _LEAST_RISE = 0.985, 1.05
"""From there the line goes on to the loading at the first [fraction of saturation], the last humidity of
``physics.sorption.tabulated``, and rises by at least the second [factor], as it has to be inverted (a judgement)."""
_STEP_LOG_SD = 0.14
"""How far a bed smears the humidity of a hydrate's step: a factor of 1.15. [ln humidity] Judgement: grains are never
all in one phase."""
_STEP_SPREADS = np.linspace(-2.0, 2.0, 17)
"""Places of that normal which are averaged over. [standard deviations] Judgement: a quarter apart, a smooth mean."""
_SMEARED_HUMIDITIES = np.r_[np.geomspace(0.01, 0.9, 40), 1.0]
"""Where a smeared isotherm is tabulated. [fraction of saturation] Judgement: from well below its lowest step, 6 % RH,
to saturation, an eighth apart."""
_LEAST_TABLE_STEP = 1e-6
"""By so much a smeared isotherm rises from one tabulated humidity to the next. [g/g] Judgement: far below what a scale
shows; it lets the table be inverted."""
_SMEARED_TO = 0.98
"""Smearing goes no further. [fraction of saturation] Judgement: beyond it a salt is brine without end."""


def prompt_contents(box: Box, episode: Episode) -> tuple[tuple[Isotherm, Isotherm], float, str]:
    """Return what is at rest with the air: the beads, or bare walls where there is no desiccant.

    Parameters
    ----------
    box : Box
        As declared.
    episode : Episode
        With the beads.

    Returns
    -------
    ((Isotherm, Isotherm), float, str)
        Isotherms between which the shape lies; dry mass, of walls their uptake for a humidity of 1 [g]; what humidity
        shows of them: 'fill', 'little' or 'phase'.
    """
    if episode.desiccant is None:
        walls = PiecewiseLinear((0.0, 1.0), (0.0, 1.0))
        return (walls, walls), _walls_g_per_humidity(box), "fill"
    shows = known_or_plain_gel(episode.desiccant).humidity_shows
    return shapes_of(episode.desiccant), max(episode.dry_mass_g, _LEAST_DRY_G), shows


def walls_of(material: str | None) -> tuple[tuple[float, float], bool]:
    """Return how much slower walls make the course of an empty box, and whether by much; longer names come first.

    Parameters
    ----------
    material : str or None
        As declared.

    Returns
    -------
    ((float, float), bool)
        Mean and standard deviation of what is to be added to ln conductance [1]; whether they take up much.
    """
    words = (material or "").lower()
    named = sorted(((name, kind) for kind, (names, _) in _WALLS.items() for name in names), key=lambda n: -len(n[0]))
    kind = next((kind for name, kind in named if words.startswith(name)), None)
    return (_WALLS_UNKNOWN, False) if kind is None else (_WALLS[kind][1], kind == "sorbing")


def _walls_g_per_humidity(box: Box) -> float:
    """Water that walls take up for a humidity of 1: a share of what the air of ten liters does, by their area."""
    (slower, _), _ = walls_of(box.wall_material)
    area_ratio = float((box.volume_liter / _TEN_LITER) ** (2 / 3))  # exact for boxes of one shape
    return max(float(np.expm1(slower)), _LEAST_WALLS) * _AIR_G_10_LITER * area_ratio


def shapes_of(kind: str) -> tuple[Isotherm, Isotherm]:
    """Return the two isotherms between which the shape of a desiccant lies.

    Parameters
    ----------
    kind : str
        Of the desiccant; a mixture of known kinds too.

    Returns
    -------
    (Isotherm, Isotherm)
        At 0 and at 1 of the isotherm shape.
    """
    known = known_or_plain_gel(kind)
    parts = parts_of(known.kind)
    if len(parts) > 1:
        ends = [shapes_of(part) for part, _ in parts]
        shares = tuple(share for _, share in parts)
        return Mixture(tuple(first for first, _ in ends), shares), Mixture(tuple(other for _, other in ends), shares)
    first = _smeared(known.isotherm) if known.humidity_shows == "phase" else known.isotherm
    if known.kind in _CRYSTALS_OF:
        return first, Mixture((desiccant(_CRYSTALS_OF[known.kind]).isotherm,), (1.0 - _BINDER_SHARE,))
    return first, _straightened(first) if known.other_shape is None else desiccant(known.other_shape).isotherm


def known_or_plain_gel(kind: str) -> Desiccant:
    """Return a desiccant; one that is in no table is taken for silica gel of unknown type.

    Parameters
    ----------
    kind : str
        As declared.

    Returns
    -------
    Desiccant
        From the tables.
    """
    try:
        return desiccant(kind)
    except OutOfRangeError:
        return desiccant("silica_gel_unspecified")


def _smeared(isotherm: Isotherm) -> Isotherm:
    """Hydrate steps as a bed of grains shows them: averaged over a factor of 1.15 in humidity either way.

    Grains are never all in one phase, and a step takes days: hard steps would be held against every reading (a guess).
    """
    humidities = _SMEARED_HUMIDITIES
    spread = np.exp(_STEP_LOG_SD * _STEP_SPREADS)
    weights = np.exp(-0.5 * _STEP_SPREADS**2)
    around = np.minimum(humidities[:, None] * spread, _SMEARED_TO)
    loading = np.asarray(isotherm.loading_g_per_g(around, REFERENCE_DEGC)) @ weights / weights.sum()
    rising = np.maximum.accumulate(loading) + _LEAST_TABLE_STEP * np.arange(len(loading))
    return PiecewiseLinear((0.0, *map(float, humidities)), (0.0, *map(float, rising)))


def _straightened(isotherm: Isotherm) -> Isotherm:
    knee = float(isotherm.loading_g_per_g(_STRAIGHT_FROM, REFERENCE_DEGC))
    full = max(float(isotherm.loading_g_per_g(_ALMOST_FULL, REFERENCE_DEGC)), _LEAST_RISE * knee)
    return PiecewiseLinear((0.0, _STRAIGHT_FROM, 1.0), (0.0, knee, full))


def slow_store(box: Box, spools_went_in: bool) -> tuple[float, float, float]:
    """Return spools and cores as one slow store.

    Parameters
    ----------
    box : Box
        As declared.
    spools_went_in : bool
        Whether the spools went in with this charge.

    Returns
    -------
    (float, float, float)
        Water for a humidity of 1 [g]; humidity with which they went in [fraction of saturation]; the first times the
        lag [g days].
    """
    size, wet, lag = _LEAST_SLOW_G, 0.0, 0.0
    for spool in box.spools:
        per_humidity, days = _spool_store(spool)
        size, lag = size + per_humidity, lag + per_humidity * days
        wet += per_humidity * _matching_state(spool.state)
    if box.spool_core == "cardboard":
        board = cardboard()
        per_humidity = _CORE_G * max(sum(s.count for s in box.spools), 1) * _CORE_G_PER_G
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
    per_humidity = spool.mass_g * float(known.isotherm.loading_g_per_g(_HENRY_TO, REFERENCE_DEGC)) / _HENRY_TO
    return per_humidity, _MEAN_LAG * float(known.spool_time_constant_days())


def swapped_g_per_humidity(box: Box) -> float:
    """Return the water that a spool which comes in takes up for a humidity of 1: one like those declared.

    Parameters
    ----------
    box : Box
        As declared.

    Returns
    -------
    float
        [g]
    """
    spools = sum(spool.count for spool in box.spools)
    if not spools:
        return _SWAPPED_SPOOL_G_PER_HUMIDITY
    return max(sum(_spool_store(spool)[0] for spool in box.spools) / spools, _LEAST_SWAPPED_G_PER_HUMIDITY)


def swapped_share(box: Box) -> float:
    """Return which share of its spools one is, where its water takes so long that it is followed as it comes.

    Parameters
    ----------
    box : Box
        As declared.

    Returns
    -------
    float
        0 where none is declared, or where they come to rest so soon that it is taken for at once. [fraction]
    """
    spools = sum(spool.count for spool in box.spools)
    size, _, lag = slow_store(box, spools_went_in=True)
    return 1.0 / spools if spools and lag >= _FOLLOWED_FROM_DAYS * size else 0.0


def swapped_in_humidity(note: str, usual: tuple[float, float]) -> tuple[float, float]:
    """Return with which humidity a spool came in, by what was noted of it.

    Parameters
    ----------
    note : str
        As logged; the words 'fresh', 'dried', 'open' and 'wet' count, unless 'not' stands there too.
    usual : (float, float)
        Humidity and its standard deviation where none of them stands there. [fraction of saturation]

    Returns
    -------
    (float, float)
        Humidity and its standard deviation. [fraction of saturation]
    """
    words = re.findall(r"\w+", note.lower())
    known = next((value for state, value in _SPOOL_HUMIDITY.items() if state in words), None)
    return usual if known is None or "not" in words else (known, _SWAPPED_SD_SHARE * known)


def spool_mixed_in(humidity: float, share: float, fresh: tuple[float, float]) -> tuple[float, float, float]:
    """Return how humid the spools of a box are on average after one of them was swapped.

    Parameters
    ----------
    humidity : float
        Before. [fraction of saturation]
    share : float
        Of the spools that was swapped. [fraction]
    fresh : (float, float)
        Humidity of the one that came, and its standard deviation. [fraction of saturation]

    Returns
    -------
    (float, float, float)
        Humidity [fraction of saturation]; by how much its logarithm follows that of before [1]; the variance that the
        new one adds to it [ln²].
    """
    mixed = (1.0 - share) * humidity + share * fresh[0]
    return mixed, (1.0 - share) * humidity / mixed, (share * fresh[1] / mixed) ** 2


def _matching_state(state: str) -> float:
    return next((value for word, value in _SPOOL_HUMIDITY.items() if word in state.lower()), _SPOOL_HUMIDITY_UNKNOWN)
