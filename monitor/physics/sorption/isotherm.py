"""The one small interface of an isotherm: loading from humidity, humidity from loading, slope, heat."""

from __future__ import annotations

from abc import ABC, abstractmethod

from monitor.physics.numerics import Numeric


class Isotherm(ABC):
    """Water held at rest by a dry material, as a function of relative humidity and temperature.

    Loading is grams of water for each gram of dry material; relative humidity is a fraction over liquid water.
    Every method broadcasts, takes floats or arrays, and gives back floats for floats.
    """

    @property
    def by_potential(self) -> bool:
        """Whether temperature moves humidity at rest as Dubinin's potential has it; False where it does not at all."""
        return True

    @abstractmethod
    def loading_g_per_g(self, relative_humidity: Numeric, temperature_degc: Numeric) -> Numeric:
        """Return the loading in balance with this air. [g/g]"""

    @abstractmethod
    def relative_humidity(self, loading_g_per_g: Numeric, temperature_degc: Numeric) -> Numeric:
        """Return the relative humidity in balance with this loading; 1 for any loading beyond saturation."""

    @abstractmethod
    def slope(self, relative_humidity: Numeric, temperature_degc: Numeric) -> Numeric:
        """Return d loading / d relative humidity, at constant temperature. [g/g per unit of humidity]"""

    @abstractmethod
    def heat_of_adsorption_kj_per_kg(self, relative_humidity: Numeric, temperature_degc: Numeric) -> Numeric:
        """Return the heat to drive one kilogram of water off at constant loading. [kJ/kg water]"""

    def relative_humidity_at(
        self, relative_humidity: Numeric, temperature_degc: Numeric, new_temperature_degc: Numeric
    ) -> Numeric:
        """Return the humidity over the material after it alone changes temperature, its loading kept."""
        loading = self.loading_g_per_g(relative_humidity, temperature_degc)
        return self.relative_humidity(loading, new_temperature_degc)
