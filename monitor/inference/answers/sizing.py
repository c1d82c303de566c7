"""How many grams hold how long, of whatever can be filled; a known box is pushed ahead by the forecast itself.

That is done as what-if does it, with charge after charge. A box of which nothing was seen is in ``sized_box``. Both
begin with the room's air, shut in when the lid closes.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass, replace

import numpy as np

from monitor.inference.answers.forecast import futures
from monitor.inference.answers.what_if import as_changed
from monitor.inference.evidence.bin_grid import DAY_S
from monitor.inference.evidence.room_climate import LearnedRoom
from monitor.inference.fit.posterior import Posterior, mean_conductance
from monitor.inference.fit.quantiles import quantile_points
from monitor.inference.model.box_prior import start_humidity_of
from monitor.inference.model.contents import known_or_plain_gel
from monitor.inference.model.prior import Unknown
from monitor.inference.model.state import air_of
from monitor.physics.box_balance import Air, DrawnBox, at_rest_with
from monitor.physics.leakage import opening_water_g
from monitor.physics.materials import Desiccant
from monitor.physics.numerics import FloatArray
from monitor.records import Quantiles, WhatIf
from monitor.units import PA_PER_KPA

HORIZON_DAYS = 890
"""How far ahead is looked. [days] Judgement: as far as a forecast's steps go; seals change meanwhile."""
SEED = 5
"""Of the random numbers. [count, no unit] Judgement: any would do; one and the same makes answers repeat."""
STEPS = np.r_[np.arange(0.5, 3.0, 0.5), np.arange(3.0, 30.0), np.arange(30.0, HORIZON_DAYS + 5.0, 5.0)]
"""Ends of the steps. [days] Judgement: fine at first, as beside wet spools; then a forecast's weeks do."""
_MASSES_G = np.geomspace(1.0, 30_000.0, 16)
"""Charges that are tried. [g] Judgement: from a sachet to a pallet's. Between two, ln(days) is a line of ln(mass beyond
that for the air), as a balance without its air has it."""


@dataclass(frozen=True)
class Supposed:
    """What is put in, and what it has to hold."""

    desiccant: str
    """Kind of beads."""
    limit: float
    """[fraction of saturation]"""
    method: str | None = None
    """How they were dried; None: as dry as those of the box were, or new ones where nothing is known."""
    leak_times: float = 1.0
    """Factor on the leak. [ratio]"""


class Fillable(ABC):
    """What can be filled with a charge: a known box or another."""

    def crossing_days(self, supposed: Supposed, masses_g: FloatArray, begin_s: float) -> FloatArray:
        """Return when the limit is passed, for each charge and draw.

        Parameters
        ----------
        supposed : Supposed
            With what it is filled, and until when that is good.
        masses_g : ndarray, charges
            Dry masses. [g]
        begin_s : float
            When it is closed. [s since 1970 UTC]

        Returns
        -------
        ndarray, charges × draws
            0 where fresh beads are over the limit; infinite beyond the horizon. [days]
        """
        return self._crossing_days(supposed, masses_g, begin_s)

    @abstractmethod
    def _crossing_days(self, supposed: Supposed, masses_g: FloatArray, begin_s: float) -> FloatArray: ...

    @property
    @abstractmethod
    def _around(self) -> LearnedRoom:
        """The room around it."""

    def _closing(self, begin_s: float, count: int) -> Air:
        """Return what the box lies in on the day it is closed. (draws)"""
        outside, degc, _ = self._around.sample(begin_s / DAY_S, STEPS[:1], count, np.random.default_rng(SEED))
        return air_of(outside[0], degc[0])

    def air_shut_in(self, supposed: Supposed, begin_s: float) -> tuple[FloatArray, FloatArray]:
        """Return what the room's air holds beyond the limit when the lid closes on it, and the beads for that.

        Parameters
        ----------
        supposed : Supposed
            With what it is filled, and until when that is good.
        begin_s : float
            When it is closed. [s since 1970 UTC]

        Returns
        -------
        (ndarray, ndarray), draws
            Water [g], 0 where the room is drier than the limit; dry beads that are at the limit with it [g], infinite
            where they are as humid before.
        """
        box, dry = self._filled(supposed, 1.0, begin_s)
        air = self._closing(begin_s, len(dry))
        water_g = np.maximum(_air_water_g(box, supposed.limit, air), 0.0)
        takes_g = box.dry_mass_g * (box.table.loading(np.full(len(dry), supposed.limit), air.temperature_degc) - dry)
        return water_g, np.divide(water_g, takes_g, out=np.full(len(dry), np.inf), where=takes_g > 0.0)

    @abstractmethod
    def _filled(self, supposed: Supposed, mass_g: float, begin_s: float) -> tuple[DrawnBox, FloatArray]:
        """Return it with a charge, and the loading of that before it has dried any air. (draws) [g/g]"""


def _air_water_g(box: DrawnBox, humidity: FloatArray | float, air: Air) -> FloatArray:
    """Return the water that air of the room has beyond the same air at some humidity. (draws) [g]"""
    outside_pa, inside_pa = (PA_PER_KPA * np.asarray(kpa) for kpa in (air.outside_kpa, humidity * air.saturation_kpa))
    return np.asarray(opening_water_g(box.volume_liter, outside_pa, inside_pa, air.temperature_degc))


def with_air_shut_in(box: DrawnBox, loading: FloatArray, air: Air) -> FloatArray:
    """Return the loading when a charge has dried the room's air that was shut in with it.

    Parameters
    ----------
    box : DrawnBox
        With the charge.
    loading : ndarray, draws
        Before. [g/g]
    air : Air
        Of the room, on the day it is closed.

    Returns
    -------
    ndarray, draws
        [g/g]
    """
    humidity, _ = box.table.humidity(loading, air.temperature_degc)
    return at_rest_with(box, loading, _air_water_g(box, humidity, air), air)


@dataclass(frozen=True, eq=False)
class KnownBox(Fillable):
    """A box by its own posterior."""

    posterior: Posterior
    """Of the box."""

    @property
    def conductance(self) -> FloatArray:
        """(draws) [g/day/kPa]"""
        return mean_conductance(self.posterior)

    def _crossing_days(self, supposed: Supposed, masses_g: FloatArray, begin_s: float) -> FloatArray:
        """The futures of what-if, for each charge and draw."""
        begun, crossed = self._begun(supposed, begin_s), []
        air = self._closing(begin_s, len(begun.theta))
        for mass_g in masses_g.tolist():
            filled = self._with_charge(begun, supposed, mass_g)
            box, dry = filled.state.drawn, self._dry(filled, mass_g, air)
            closed = replace(filled, state=replace(filled.state, loading=with_air_shut_in(box, dry, air)))
            crossed.append(futures(closed, supposed.limit, HORIZON_DAYS, with_fan=False).crossing_days)
        return np.array(crossed)

    @property
    def _around(self) -> LearnedRoom:
        return self.posterior.room

    def _filled(self, supposed: Supposed, mass_g: float, begin_s: float) -> tuple[DrawnBox, FloatArray]:
        filled = self._with_charge(self._begun(supposed, begin_s), supposed, mass_g)
        return filled.state.drawn, self._dry(filled, mass_g, self._closing(begin_s, len(filled.theta)))

    def _with_charge(self, begun: Posterior, supposed: Supposed, mass_g: float) -> Posterior:
        return as_changed(begun, WhatIf(None, supposed.leak_times, supposed.desiccant, mass_g))

    def _dry(self, filled: Posterior, mass_g: float, air: Air) -> FloatArray:
        """Return the loading before any air was dried. (draws) [g/g]

        How dry the beads of this box began is known from its readings, after they had dried the air of their closing.
        """
        state, seen_g = filled.state, filled.problem.prior.dry_mass_g
        if filled.theta is not self.posterior.theta or seen_g <= 0.0:
            return state.loading
        humidity, _ = state.drawn.table.humidity(state.loading, air.temperature_degc)
        had_g = state.drawn.dry_mass_g * (seen_g / mass_g)
        return state.drawn.table.keep_within(state.loading - _air_water_g(state.drawn, humidity, air) / had_g)

    def _begun(self, supposed: Supposed, begin_s: float) -> Posterior:
        """Return the box closed on another day on beads dried in another way; it is used as it was so far."""
        posterior, later_s = self.posterior, begin_s - self.posterior.now_s
        episode = replace(
            posterior.episode,
            first_start_s=posterior.episode.first_start_s + later_s,
            steps_counted_from_s=posterior.episode.steps_counted_from_s + later_s,
        )
        theta, known = posterior.theta, known_or_plain_gel(supposed.desiccant)
        if supposed.method is not None or known.humidity_shows == "little":
            theta = theta.copy()
            theta[:, Unknown.log_start_humidity] = start_drawn(supposed, known, len(theta))
        return replace(posterior, problem=replace(posterior.problem, episode=episode), theta=theta, now_s=begin_s)


def start_drawn(supposed: Supposed, known: Desiccant, count: int) -> FloatArray:
    """Return how humid the beads go in, as they were dried.

    Parameters
    ----------
    supposed : Supposed
        With the method; new beads where it has none.
    known : Desiccant
        Their kind.
    count : int
        How many draws.

    Returns
    -------
    ndarray, draws
        Of the humidity that they are at rest with. [ln(fraction of saturation)]
    """
    middle, sd = start_humidity_of(supposed.method or "new", known.humidity_shows)
    return np.asarray(np.log(middle) + sd * np.random.default_rng(SEED).standard_normal(count))


def days_for(sized: Fillable, supposed: Supposed, mass_g: float, begin_s: float) -> Quantiles:
    """Return how long a charge holds.

    Parameters
    ----------
    sized : Fillable
        What is filled.
    supposed : Supposed
        With what, and until when it is good.
    mass_g : float
        Dry mass. [g]
    begin_s : float
        When it is closed. [s since 1970 UTC]

    Returns
    -------
    Quantiles
        Infinite beyond the horizon. [days]
    """
    crossed = sized.crossing_days(supposed, np.array([mass_g]), begin_s)[0]
    return Quantiles(*(float(point) for point in quantile_points(crossed, reached=True)))


def grams_for(sized: Fillable, supposed: Supposed, hold_days: float, begin_s: float) -> Quantiles:
    """Return the dry mass that holds so long, draw by draw: the 95 % point is enough in 19 of 20 boxes like it.

    Parameters
    ----------
    sized : Fillable
        What is filled.
    supposed : Supposed
        With what, and until when it is good.
    hold_days : float
        [days]
    begin_s : float
        When it is closed. [s since 1970 UTC]

    Returns
    -------
    Quantiles
        0 where it holds so long without beads, infinite where no charge would do. [g]
    """
    crossed = sized.crossing_days(supposed, _MASSES_G, begin_s)
    _, for_air_g = sized.air_shut_in(supposed, begin_s)
    holds = crossed >= hold_days
    first = np.argmax(holds, axis=0)
    draws = np.arange(crossed.shape[1])
    low_g, high_g = (np.maximum(_MASSES_G[place] - for_air_g, 0.0) for place in (np.maximum(first - 1, 0), first))
    low, high = crossed[np.maximum(first - 1, 0), draws], np.minimum(crossed[first, draws], 2.0 * HORIZON_DAYS)
    with np.errstate(divide="ignore", invalid="ignore"):
        power = np.where(low > 0.0, np.log(high_g / low_g) / np.log(high / low), 1.0)
        grams = high_g * (hold_days / high) ** power
    grams = for_air_g + np.where(np.isfinite(grams), np.clip(grams, low_g, high_g), high_g)
    grams = np.where(first == 0, 0.0, grams)
    grams = np.where(holds.any(axis=0), grams, np.inf)
    return Quantiles(*(float(point) for point in quantile_points(grams, reached=True)))
