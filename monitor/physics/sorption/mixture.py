"""Two or more desiccants side by side in one air: each comes to rest with it, and their water adds up."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from monitor.physics.numerics import FloatArray, Numeric, plain, require_within
from monitor.physics.sorption.isotherm import Isotherm

_HALVINGS = 50
"""How many times the interval of ln humidity is halved. A judgement: more than a double can tell apart."""
_LEAST_LOG_HUMIDITY = np.log(1e-9)  # [ln of a fraction] judgement: far below the driest beads


@dataclass(frozen=True)
class Mixture(Isotherm):
    """u = Σ s_i u_i, s_i the share of the dry mass: beads of several kinds share the air, not a pore.

    Holds for any loose beads, and as accurately as its parts do; it says nothing of how water moves from one kind to
    the other while they come to rest.

    Parameters
    ----------
    parts : tuple of Isotherm
        The isotherm of each kind.
    shares : tuple of float
        Its share of the dry mass; they add up to 1, or less where binder holds nothing.
    """

    parts: tuple[Isotherm, ...]
    shares: tuple[float, ...]

    @property
    def by_potential(self) -> bool:
        """Whether temperature moves every part as Dubinin's potential has it."""
        return all(part.by_potential for part in self.parts)

    def loading_g_per_g(self, relative_humidity: Numeric, temperature_degc: Numeric) -> Numeric:
        return self._sum(lambda part: part.loading_g_per_g(relative_humidity, temperature_degc))

    def slope(self, relative_humidity: Numeric, temperature_degc: Numeric) -> Numeric:
        return self._sum(lambda part: part.slope(relative_humidity, temperature_degc))

    def relative_humidity(self, loading_g_per_g: Numeric, temperature_degc: Numeric) -> Numeric:
        require_within("loading_g_per_g", loading_g_per_g, 0.0, np.inf, "g/g")
        wanted, degc = np.broadcast_arrays(np.asarray(loading_g_per_g, float), np.asarray(temperature_degc, float))
        low, high = np.full(wanted.shape, _LEAST_LOG_HUMIDITY), np.zeros(wanted.shape)
        for _ in range(_HALVINGS):
            middle = 0.5 * (low + high)
            under = np.asarray(self.loading_g_per_g(np.exp(middle), degc)) < wanted
            low, high = np.where(under, middle, low), np.where(under, high, middle)
        humidity = np.where(wanted > 0.0, np.exp(0.5 * (low + high)), 0.0)
        return plain(np.asarray(np.where(high == 0.0, 1.0, humidity)))

    def heat_of_adsorption_kj_per_kg(self, relative_humidity: Numeric, temperature_degc: Numeric) -> Numeric:
        """Return the heat at constant loading of all together: each part's, weighed by how much of the water it gives.

        From Σ s_i du_i = 0 along a line of constant loading, with each part's own isosteric heat (Clausius-Clapeyron).
        """
        slopes = [
            share * np.asarray(part.slope(relative_humidity, temperature_degc))
            for part, share in zip(self.parts, self.shares, strict=True)
        ]
        heats = [
            np.asarray(part.heat_of_adsorption_kj_per_kg(relative_humidity, temperature_degc)) for part in self.parts
        ]
        given = np.maximum(np.sum(slopes, axis=0), 1e-12)  # [g/g] judgement: keeps 0/0 out
        return plain(np.asarray(np.sum([s * h for s, h in zip(slopes, heats, strict=True)], axis=0) / given))

    def _sum(self, of: Callable[[Isotherm], Numeric]) -> Numeric:
        terms: list[FloatArray] = [
            share * np.asarray(of(part)) for part, share in zip(self.parts, self.shares, strict=True)
        ]
        return plain(np.asarray(np.sum(terms, axis=0)))
