"""Weighings → the drying curves that could have made them, and what more heat would bring."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from monitor.errors import TooLittleEvidence
from monitor.inference.drying.prior_curves import Curves, Loss, PriorCurves, RunPriors, Unknown
from monitor.inference.drying.weighings import LEAST_RESOLUTION_G, Shown, WeighedPoint, log_likelihood, require_sound
from monitor.inference.fit.quantiles import quantile_points, quantiles
from monitor.inference.fit.smc import Moves
from monitor.inference.fit.tempering import Target, draw_by_moves
from monitor.physics.numerics import FloatArray
from monitor.records import Quantiles

if TYPE_CHECKING:
    from collections.abc import Sequence


START_SD_STEPS = 3.0
"""How far the first mass is left open around its own weighing, in steps of the scale: its weighing has to inform.
Judgement: wide against the weighing's own error, so that it hardly counts twice."""
STRAIN_CHANCE = 0.999
"""Weighings that would be this unlikely under the priors of the run are taken to fit no curve. [chance]
Judgement: once in a thousand sound runs."""
PRIOR_CHANCE = 0.995
"""The same for how far a curve lies out in its prior, however well it meets the weighings. [chance] Judgement: once in
two hundred."""
_MOST_WIDENINGS = 4
"""How many times they are widened at most, a bound on the work. [times] Judgement: spreads are then larger by three to
the fourth and more in variance."""
DRAWS = 2000
"""Equally likely curves, draws of the posterior. [draws] Judgement: a verdict repeats from seed to seed."""
_QUICK_DRAWS = 400
"""Enough draws to see whether any curve goes through. Judgement."""
_MOVES = Moves(after_each_step=6, at_the_end=40)
"""How often every draw is moved. [times] Judgement by trial: so many that 5 and 95 % points of a run that may have
stalled repeat from seed to seed to some hundredths of their interval (two weighings: .14); with a third of them, two to
three times as far apart."""
_SEED = 20260301
"""Fixed, any number: the same weighings always give the same curves. Judgement: the day it was written."""
_WIDENED_BY = 3.0
"""Over the strain itself: from one chance in a thousand to what is usual (chi-squared of a few degrees). [variance
ratio] Judgement: with four weighings 18.5 against a mean of 4 is a factor of 4.6, with ten 29.6 and 3.0."""


@dataclass(frozen=True, slots=True, eq=False)
class CurveFit:
    """Equally likely drying curves given the weighings, as masses of the beads that are left."""

    curves: Curves
    """As masses of the beads that are left."""
    heated_s: float
    """Heating time of the last weighing. [s]"""
    kept_share: FloatArray
    """Share of the beads that stayed in the run; 1 where none fell out. (curves) [fraction]"""
    strain: float = 0.0
    """How badly the best curve does, over the most that chance would bring. [ratio]"""

    @property
    def fits(self) -> bool:
        """Whether a drying curve explains the weighings; else what follows from them was widened until one did."""
        return self.strain <= 1.0

    def dry_mass_g(self) -> Quantiles:
        """Return the dry mass. [g]"""
        return quantiles(self.curves.dry_mass_g)

    def end_g(self) -> Quantiles:
        """Return the mass at which this run would settle. [g]"""
        return quantiles(self.curves.end_g)

    def end_loading_g_per_g(self) -> Quantiles:
        """Return the loading at which this run would settle. [g/g]"""
        return quantiles(self.curves.end_g / self.curves.dry_mass_g - 1.0)

    def start_loading_g_per_g(self) -> Quantiles:
        """Return the loading the run began with. [g/g]"""
        return quantiles(self.curves.start_g / self.curves.dry_mass_g - 1.0)

    def mass_g(self, heated_s: float) -> FloatArray:
        """Return the mass of every curve after so much heating.

        Parameters
        ----------
        heated_s : float
            Heating time from the start. [s]

        Returns
        -------
        ndarray, curves
            [g]
        """
        return self.curves.mass_g(heated_s)[:, 0]

    def loading_draws(self, heated_s: float | None = None) -> FloatArray:
        """Return the loading of every curve, now or after so much heating.

        Parameters
        ----------
        heated_s : float, optional
            Heating time from the start; that of the last weighing where left out. [s]

        Returns
        -------
        ndarray, curves
            [g/g]
        """
        return np.asarray(self.mass_g(self.heated_s if heated_s is None else heated_s) / self.curves.dry_mass_g - 1.0)

    def loading_g_per_g(self, heated_s: float | None = None) -> Quantiles:
        """Return the loading now, or after so much heating.

        Parameters
        ----------
        heated_s : float, optional
            Heating time from the start; that of the last weighing where left out. [s]

        Returns
        -------
        Quantiles
            [g/g]
        """
        return quantiles(self.loading_draws(heated_s))

    def gain_g(self, more_s: float) -> Quantiles:
        """Return the water that so much more heating would drive off.

        Parameters
        ----------
        more_s : float
            After the last weighing. [s]

        Returns
        -------
        Quantiles
            [g]
        """
        return quantiles(self.mass_g(self.heated_s) - self.mass_g(self.heated_s + more_s))

    def time_to_end_s(self, within_g: float) -> Quantiles:
        """Return how much more heating brings the beads within so many grams of their end.

        Parameters
        ----------
        within_g : float
            How near. [g]

        Returns
        -------
        Quantiles
            [s]
        """
        span = np.maximum((self.curves.start_g - self.curves.end_g) / within_g, 1.0)
        total = np.log(span) ** (1.0 / self.curves.shape) / self.curves.rate_per_s
        return quantiles(np.maximum(total - self.heated_s, 0.0))

    def band_g(self, heated_s: FloatArray) -> FloatArray:
        """Return the band of the curves, for drawing.

        Parameters
        ----------
        heated_s : ndarray, times
            Heating times from the start. [s]

        Returns
        -------
        ndarray, 3 × times
            5, 50 and 95 % points of the mass. [g]
        """
        return quantile_points(self.curves.mass_g(heated_s).T, of_rows=True)


def fit_curve(points: Sequence[WeighedPoint], priors: RunPriors, losses: Sequence[Loss] = ()) -> CurveFit:
    """Fit the drying curve of one run.

    In a linear model with normal errors the least sum of squares of weighings and prior together follows chi-squared
    with one degree of freedom a weighing (the prior predictive check of Box, J. R. Stat. Soc. A 143 (1980) 383, from
    memory), and the part of the prior alone stays below one with a degree an unknown. Beyond either, no curve explains
    the weighings, and the variances of scale and prior grow by the excess until one does: a contradiction makes the
    answer wide, never sharp.

    Parameters
    ----------
    points : sequence of WeighedPoint
        The weighings in the order of heating; the first one is taken before the heat (``heated_s`` 0).
    priors : RunPriors
        Before the weighings; with a single weighing the posterior is just this.
    losses : sequence of Loss
        Beads that fell out, in order; each weighing says how many of these came before it.

    Returns
    -------
    CurveFit
        Equally likely curves.

    Raises
    ------
    TooLittleEvidence
        Without any weighing.
    OutOfRangeError
        If the heating times do not rise, or a mass is not positive.
    """
    if not points:
        raise TooLittleEvidence("no weighing yet: weigh the beads before the first heating")
    require_sound(points)
    return _fit_curve(tuple(points), priors, tuple(losses))


@lru_cache(maxsize=16)  # fits, a count, half a megabyte each; judgement: who weighs asks for the last one again
def _fit_curve(points: tuple[WeighedPoint, ...], priors: RunPriors, losses: tuple[Loss, ...]) -> CurveFit:
    fit = _fit(points, priors, losses, 1.0)
    first_strain, variance_ratio = fit.strain, 1.0
    for _ in range(_MOST_WIDENINGS):
        if fit.fits:
            break
        variance_ratio *= _WIDENED_BY * fit.strain
        fit = _fit(points, priors, losses, variance_ratio)
    return replace(fit, strain=first_strain)


def strain_of(points: Sequence[WeighedPoint], priors: RunPriors, losses: Sequence[Loss] = ()) -> float:
    """Return how badly the best curve does, over the most that chance would bring; by few draws.

    Parameters
    ----------
    points : sequence of WeighedPoint
        As ``fit_curve`` takes them, not checked.
    priors : RunPriors
        Before the weighings.
    losses : sequence of Loss
        Beads that fell out, in order.

    Returns
    -------
    float
        Above 1 no curve fits. [ratio]
    """
    return _fit(points, priors, losses, 1.0, _QUICK_DRAWS).strain


def _fit(
    points: Sequence[WeighedPoint], priors: RunPriors, losses: Sequence[Loss], variance_ratio: float, draws: int = DRAWS
) -> CurveFit:
    """Fit with the variances of scale and prior multiplied by ``variance_ratio``."""
    start = points[0]
    start_sd_g = START_SD_STEPS * max(start.resolution_g, LEAST_RESOLUTION_G) * float(np.sqrt(variance_ratio))
    prior = PriorCurves.of(priors.widened(variance_ratio), start.mass_g, start_sd_g)

    shown = Shown.of(points)

    def of_weighings(z: FloatArray) -> FloatArray:
        return log_likelihood(prior.at(z), shown, _kept(z, losses), variance_ratio)

    unknowns = len(Unknown) + len(losses)
    target = Target(_standard_normal, of_weighings, lambda count, rng: _from_prior(count, unknowns, rng))
    drawn = draw_by_moves(target, draws, np.random.default_rng(_SEED), _MOVES)
    z = drawn.points
    strain = _strain(np.sum(z**2, axis=1), -2.0 * drawn.log_likelihood, unknowns, len(points))
    beside = np.random.default_rng(len(points)).uniform(-1.0, 1.0, len(z))
    kept = _kept(z, losses)[:, -1]
    return CurveFit(prior.at(z, beside).share(kept), points[-1].heated_s, kept, strain)


def _standard_normal(z: FloatArray) -> FloatArray:
    """Return the log density of independent standard normal unknowns."""
    return np.asarray(-0.5 * np.sum(z**2, axis=1) - 0.5 * z.shape[1] * np.log(2.0 * np.pi))


def _from_prior(count: int, unknowns: int, rng: np.random.Generator) -> tuple[FloatArray, FloatArray]:
    z = rng.standard_normal((count, unknowns))
    return z, _standard_normal(z)


def _strain(of_prior: FloatArray, of_weighings: FloatArray, unknowns: int, weighings: int) -> float:
    best = int(np.argmin(of_prior + of_weighings))
    combined = (of_prior[best] + of_weighings[best]) / _chi_squared(STRAIN_CHANCE, weighings)
    return float(max(combined, of_prior[best] / _chi_squared(PRIOR_CHANCE, unknowns)))


def _chi_squared(chance: float, degrees: int) -> float:
    """Return the sum of so many squares that is exceeded no more often; scipy.stats takes half a second to import."""
    from scipy.special import gammaincinv  # noqa: PLC0415 -- a quarter of a second, paid where a run is fitted

    return 2.0 * float(gammaincinv(0.5 * degrees, chance))


def _kept(z: FloatArray, losses: Sequence[Loss]) -> FloatArray:
    """Return the share of beads still there before any loss, after the first, and so on (columns)."""
    shares = [loss.kept_at(z[:, len(Unknown) + place]) for place, loss in enumerate(losses)]
    return np.asarray(np.cumprod(np.column_stack([np.ones(len(z)), *shares]), axis=1))
