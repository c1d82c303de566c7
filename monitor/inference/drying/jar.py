"""The jar check: the loading of cooled beads from the humidity over them in a closed jar, whatever they can hold."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from monitor.inference.fit.quantiles import quantiles
from monitor.records import NORMAL_P95, Quantiles

if TYPE_CHECKING:
    from monitor.physics.materials import Desiccant
    from monitor.physics.numerics import FloatArray

SENSOR_SD_SHARE = 0.5
"""Standard deviation of a hygrometer over its stated accuracy, read as an expanded uncertainty of coverage factor 2
(JCGM 100:2008, 6.2). [share]"""
MODEL_LOG_SD = 0.2
"""How far the humidity over heat-dried beads strays from the isotherm: 20 % on three measured points of two lots
(doi:10.1021/je400517c; Wang, LeVan 2009, J. Chem. Eng. Data 54:2839), above 1.5 % RH. [ln humidity]"""
_DRIEST, _LEAST_LOG_SD = 1e-4, 0.02
"""The loading by the scale is taken for no drier [g/g] and no surer [ln loading] than this. Judgement: no scale of a
household resolves more."""
_GRID = np.exp(np.linspace(np.log(5e-4), np.log(0.4), 400))
"""Loadings that the posterior is tabulated at, evenly in their logarithm: from dry to more than any desiccant of the
tables but a salt holds. [g/g] Judgement: 400 of them lie 1.7 % apart, far less than a hygrometer resolves."""


@dataclass(frozen=True, slots=True)
class JarVerdict:
    """What a jar check says of the loading: by itself, and together with the weighings."""

    alone_g_per_g: Quantiles
    """By itself. [g/g]"""
    combined_g_per_g: Quantiles
    """Together with the weighings. [g/g]"""
    agrees: bool
    """Whether the two numbers can both be right."""


def jar_verdict(
    desiccant: Desiccant,
    relative_humidity: float,
    temperature_degc: float,
    accuracy: float,
    weighed_g_per_g: tuple[float, float, float] | None = None,
) -> JarVerdict:
    """Read the loading off a jar check.

    Parameters
    ----------
    desiccant : Desiccant
        The beads.
    relative_humidity, temperature_degc : float
        In the closed jar, once the hygrometer came to rest. [fraction], [°C]
    accuracy : float
        Of the hygrometer as its sheet states it. [fraction of saturation]
    weighed_g_per_g : tuple of float, optional
        5, 50 and 95 % points of the loading by the weighings. [g/g]

    Returns
    -------
    JarVerdict
        By itself twice without weighings.
    """
    expected = np.asarray(desiccant.isotherm.relative_humidity(_GRID, temperature_degc))
    lot = desiccant.sigma_ln_capacity * _GRID * _slope_of_humidity(expected)
    sd = np.sqrt((SENSOR_SD_SHARE * accuracy) ** 2 + (MODEL_LOG_SD * expected) ** 2 + lot**2)
    likelihood = _normal_density(relative_humidity, expected, sd)
    flat = np.gradient(_GRID)
    alone = _quantiles(likelihood * flat)
    if weighed_g_per_g is None:
        return JarVerdict(alone, alone, agrees=True)
    low, middle, high = (max(value, _DRIEST) for value in weighed_g_per_g)
    log_sd = max(np.log(high / low) / (2.0 * NORMAL_P95), _LEAST_LOG_SD)
    weighed = _normal_density(np.log(_GRID), np.log(middle), log_sd) / _GRID * flat
    agrees = not (alone.p05 > high or alone.p95 < low)
    return JarVerdict(alone, _quantiles(likelihood * weighed), agrees)


def _normal_density(value: float | FloatArray, mean: float | FloatArray, sd: float | FloatArray) -> FloatArray:
    """Return the density of a normal quantity; scipy.stats has it too, and takes half a second to import."""
    return np.asarray(np.exp(-0.5 * ((value - mean) / sd) ** 2) / (sd * np.sqrt(2.0 * np.pi)))


def _slope_of_humidity(expected: FloatArray) -> FloatArray:
    return np.asarray(np.gradient(expected, _GRID))


def _quantiles(density: FloatArray) -> Quantiles:
    if not density.sum() > 0.0:
        return Quantiles(float(_GRID[0]), float(_GRID[0]), float(_GRID[-1]))
    return quantiles(_GRID, density)
