"""Isotherms in relative humidity alone: surfaces, salts, paper and plastics measured near room temperature.

None of them knows temperature except through humidity itself, so their heat of adsorption is the heat of vaporization
(Clausius-Clapeyron): a lower bound at low humidity, and said so wherever it is shown.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from monitor.errors import OutOfRangeError
from monitor.physics.numerics import Numeric, plain, require_within
from monitor.physics.saturation import heat_of_vaporization_kj_per_kg
from monitor.physics.sorption.isotherm import Isotherm


class HumidityIsotherm(Isotherm):
    """An isotherm that depends on relative humidity alone."""

    @property
    def by_potential(self) -> bool:
        return False

    def heat_of_adsorption_kj_per_kg(self, relative_humidity: Numeric, temperature_degc: Numeric) -> Numeric:
        require_within("relative_humidity (a fraction)", relative_humidity, 0.0, 1.0)
        heat = heat_of_vaporization_kj_per_kg(temperature_degc)
        return plain(heat + 0.0 * np.asarray(relative_humidity))


@dataclass(frozen=True)
class GAB(HumidityIsotherm):
    """X = Xm C K a / ((1 - K a)(1 - K a + C K a)), a the relative humidity.

    References
    ----------
    .. [1] Guggenheim, Anderson and de Boer's equation; van den Berg, Bruin (1981), in Water Activity, Academic Press.

    Examples
    --------
    >>> board = GAB(0.0435, 20.0, 0.80)
    >>> round(board.loading_g_per_g(0.5, 23.0), 3), round(board.relative_humidity(0.0674, 23.0), 2)
    (0.067, 0.5)
    """

    monolayer_g_per_g: float
    energy_constant: float
    multilayer_constant: float

    def loading_g_per_g(self, relative_humidity: Numeric, temperature_degc: Numeric) -> Numeric:
        require_within("relative_humidity (a fraction)", relative_humidity, 0.0, 1.0)
        xm, c, y = self.monolayer_g_per_g, self.energy_constant, self.multilayer_constant * relative_humidity
        loading = xm * c * y / ((1.0 - y) * (1.0 - y + c * y))
        return plain(loading + 0.0 * np.asarray(temperature_degc))

    def relative_humidity(self, loading_g_per_g: Numeric, temperature_degc: Numeric) -> Numeric:
        require_within("loading_g_per_g", loading_g_per_g, 0.0, np.inf, "g/g")
        xm, c, x = self.monolayer_g_per_g, self.energy_constant, np.asarray(loading_g_per_g)
        b = xm * c - x * (c - 2.0)
        y = 2.0 * x / (b + np.sqrt(b * b + 4.0 * (c - 1.0) * x * x))  # root of a quadratic, by definition; no unit
        humidity = np.minimum(y / self.multilayer_constant, 1.0)
        return plain(humidity + 0.0 * np.asarray(temperature_degc))

    def slope(self, relative_humidity: Numeric, temperature_degc: Numeric) -> Numeric:
        require_within("relative_humidity (a fraction)", relative_humidity, 0.0, 1.0)
        xm, c, k = self.monolayer_g_per_g, self.energy_constant, self.multilayer_constant
        y = k * np.asarray(relative_humidity)
        slope = xm * c * k * (1.0 + (c - 1.0) * y * y) / ((1.0 - y) * (1.0 + (c - 1.0) * y)) ** 2
        return plain(slope + 0.0 * np.asarray(temperature_degc))


@dataclass(frozen=True)
class PiecewiseLinear(HumidityIsotherm):
    """Straight lines through given points: Henry's law, hydrate steps, standard minima, polymers.

    A hydrate step is two points a hair apart in humidity; between steps the loading all but stands still, so a
    humidity there says which phase is present and not how full it is.

    Examples
    --------
    >>> henry = PiecewiseLinear((0.0, 1.0), (0.0, 0.007))
    >>> round(henry.loading_g_per_g(0.5, 23.0), 4), round(henry.relative_humidity(0.0035, 23.0), 3)
    (0.0035, 0.5)
    """

    humidities: tuple[float, ...]
    loadings_g_per_g: tuple[float, ...]

    def __post_init__(self) -> None:
        humidities, loadings = np.array(self.humidities), np.array(self.loadings_g_per_g)
        spans = humidities[0] == loadings[0] == 0.0 and humidities[-1] == 1.0
        if not (spans and (np.diff(humidities) > 0).all() and (np.diff(loadings) > 0).all()):
            raise OutOfRangeError(
                f"isotherm points {self.humidities} must rise from (0, 0) to humidity 1, loading with them"
            )

    def loading_g_per_g(self, relative_humidity: Numeric, temperature_degc: Numeric) -> Numeric:
        require_within("relative_humidity (a fraction)", relative_humidity, 0.0, 1.0)
        loading = np.interp(relative_humidity, self.humidities, self.loadings_g_per_g)
        return plain(loading + 0.0 * np.asarray(temperature_degc))

    def relative_humidity(self, loading_g_per_g: Numeric, temperature_degc: Numeric) -> Numeric:
        require_within("loading_g_per_g", loading_g_per_g, 0.0, np.inf, "g/g")
        humidity = np.interp(loading_g_per_g, self.loadings_g_per_g, self.humidities)
        return plain(humidity + 0.0 * np.asarray(temperature_degc))

    def slope(self, relative_humidity: Numeric, temperature_degc: Numeric) -> Numeric:
        require_within("relative_humidity (a fraction)", relative_humidity, 0.0, 1.0)
        slopes = np.diff(self.loadings_g_per_g) / np.diff(self.humidities)
        piece = np.searchsorted(self.humidities, relative_humidity, side="right") - 1
        return plain(slopes[np.clip(piece, 0, slopes.size - 1)] + 0.0 * np.asarray(temperature_degc))
