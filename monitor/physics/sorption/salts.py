"""Humidity over saturated salt solutions: the fixed points a hygrometer is checked against."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

import numpy as np

from monitor.errors import OutOfRangeError
from monitor.physics.numerics import Numeric, plain, require_within


@dataclass(frozen=True)
class SaturatedSalt:
    """One salt of Greenspan's table: humidity over its saturated solution near room temperature."""

    name: str
    temperatures_degc: tuple[float, ...]
    relative_humidities: tuple[float, ...]
    uncertainties: tuple[float, ...]
    verified: str

    def relative_humidity(self, temperature_degc: Numeric) -> Numeric:
        """Return the humidity over the solution, by straight lines between the printed 5 K steps (within 0.0005).

        Examples
        --------
        >>> saturated_salt("NaCl").relative_humidity(25.0)
        0.7529
        """
        return self._between(self.relative_humidities, temperature_degc)

    def uncertainty(self, temperature_degc: Numeric) -> Numeric:
        """Return the printed uncertainty of that humidity."""
        return self._between(self.uncertainties, temperature_degc)

    def _between(self, values: tuple[float, ...], temperature_degc: Numeric) -> Numeric:
        require_within(
            "temperature_degc", temperature_degc, self.temperatures_degc[0], self.temperatures_degc[-1], "°C"
        )
        return plain(np.interp(temperature_degc, self.temperatures_degc, values))


def saturated_salt(name: str) -> SaturatedSalt:
    """Return a salt by its formula, as in NaCl, MgCl2 or LiCl.

    Raises
    ------
    OutOfRangeError
        If the salt is not in the table; the message lists those that are.
    """
    try:
        return saturated_salts()[name]
    except KeyError:
        known = ", ".join(saturated_salts())
        raise OutOfRangeError(f"{name!r} is not among the salts; known are {known}") from None


@cache
def saturated_salts() -> dict[str, SaturatedSalt]:
    """Return every salt of the table, driest first."""
    text = (files("monitor.physics") / "tables" / "salts.toml").read_text(encoding="utf-8")
    table = tomllib.loads(text)
    steps = tuple(table["temperatures_degc"])
    return {
        name: SaturatedSalt(
            name, steps, tuple(row["relative_humidities"]), tuple(row["uncertainties"]), row["verified"]
        )
        for name, row in table["salts"].items()
    }
