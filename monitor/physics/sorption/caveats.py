"""What an isotherm leaves out: the branch it is on, ageing, what heat does, and what the color can and can't say."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from monitor.physics.numerics import Numeric, plain, require_within

TURNING = "turning"
"""What people call beads that are neither the one color nor the other."""


@dataclass(frozen=True)
class Dye:
    """An indicating dye: evidence of spent beads, never of dry ones."""

    title: str
    dry_color: str
    wet_color: str
    turns_at_humidity: float
    turns_at_humidity_sigma: float
    turns_over_width: float
    max_degc: float
    source: str
    verified: str
    caution: str

    @property
    def colors(self) -> tuple[str, str, str]:
        """The words for what the beads may show: dry, turned, and something between."""
        return self.dry_color, self.wet_color, TURNING

    def log_likelihood(self, color: str, relative_humidity: Numeric) -> Numeric:
        """Return how likely a color is at each humidity, as a logarithm up to a constant.

        Dry says 'not turned yet', little as that is; turning lies about the threshold; another color says nothing.
        """
        # chance; judgement: no color is proof
        turned = np.clip(self.chance_turned(relative_humidity), 1e-6, 1.0 - 1e-6)
        told = {self.dry_color: 1.0 - turned, self.wet_color: turned, TURNING: turned * (1.0 - turned)}
        return plain(np.log(told.get(color, np.ones_like(turned))))

    def chance_turned(self, relative_humidity: Numeric) -> Numeric:
        """Return the probability that the beads look turned at this humidity.

        A logistic whose width joins the spread of one batch and the spread between batches. The threshold is a trade
        figure; color is read at the surface and shifts with dye load, acid, age and overheating.

        Examples
        --------
        >>> from monitor.physics.materials import desiccant
        >>> 0.05 < desiccant("orange_gel").dye.chance_turned(0.10) < 0.16
        True
        """
        require_within("relative_humidity (a fraction)", relative_humidity, 0.0, 1.0)
        # a logistic of scale s has a standard deviation of pi / sqrt(3) = 1.814 times s, by definition
        width = np.hypot(self.turns_over_width, self.turns_at_humidity_sigma / 1.814)
        return plain(1.0 / (1.0 + np.exp(-(relative_humidity - self.turns_at_humidity) / width)))


@dataclass(frozen=True)
class Hysteresis:
    """Extra water a material holds when it comes from wetter, as a factor on its wetting branch."""

    humidities: tuple[float, ...]
    factors: tuple[float, ...]
    sigma_below_30_pct: float
    sigma_above_30_pct: float
    source: str
    verified: str

    def factor(self, relative_humidity: Numeric) -> Numeric:
        """Return loading when drying over loading when wetting, at the same humidity near 25 °C."""
        return plain(np.interp(relative_humidity, self.humidities, self.factors))

    def sigma(self, relative_humidity: Numeric) -> Numeric:
        """Return the spread of the factor."""
        low = np.asarray(relative_humidity) < 0.30  # [fraction] Thu et al. (2013): the loop opens there
        return plain(np.where(low, self.sigma_below_30_pct, self.sigma_above_30_pct))


@dataclass(frozen=True)
class Ageing:
    """What reuse takes from the capacity of a gel; learn it from a saturated mass where one can."""

    first_reuse_factor: float
    loss_per_cycle: float
    source: str
    verified: str

    def capacity_factor(self, cycles: int) -> float:
        """Return capacity after so many regenerations, relative to new.

        >>> from monitor.physics.materials import desiccant
        >>> desiccant("silica_regular").ageing.capacity_factor(0)
        1.0
        """
        if cycles <= 0:
            return 1.0
        # share that is left at least; judgement: hundreds of cycles were measured by nobody
        return max(self.first_reuse_factor - self.loss_per_cycle * (cycles - 1), 0.3)


@dataclass(frozen=True)
class Ceiling:
    """The temperature a material should not pass in a dryer."""

    max_degc: float
    damage: str
    source: str
    verified: str
