"""Conversions at the border: the person's units outside, one fixed unit inside.

Inside siccast temperatures are °C, masses grams, relative humidity a fraction of saturation over liquid water.
"""

from datetime import timedelta

KELVIN_AT_0_DEGC = 273.15
"""0 °C in kelvin, exact by definition (SI brochure, 9th ed., section 2.3.1)."""

GRAMS_PER_OUNCE = 28.349523125
"""One avoirdupois ounce in grams, exact by definition (international yard and pound agreement, 1959)."""

SECONDS_PER_DAY = 86_400.0  # by definition
HOURS_PER_DAY = 24  # by definition
DAYS_PER_WEEK = 7  # by definition
MONTHS_PER_YEAR = 12  # by definition
ONE_DAY = timedelta(days=1)  # by definition
MINUTES_PER_HOUR = 60.0  # by definition
PA_PER_KPA = 1e3  # by definition
W_PER_KW = 1e3  # by definition
LITERS_PER_M3 = 1e3  # by definition

DAYS_PER_JULIAN_YEAR = 365.25
"""Exact by definition: the year in which astronomers count. [days]"""
DAYS_PER_GREGORIAN_YEAR = 365.2425
"""Exact by definition: mean year of the calendar, 97 leap years in 400; seasons follow it. [days]"""


def degf_to_degc(temperature_degf: float) -> float:
    """Return °C for °F.

    >>> degf_to_degc(212.0)
    100.0
    """
    return (temperature_degf - 32.0) / 1.8  # exact by definition


def degc_to_degf(temperature_degc: float) -> float:
    """Return °F for °C.

    >>> degc_to_degf(100.0)
    212.0
    """
    return temperature_degc * 1.8 + 32.0  # exact by definition


def kelvin_to_degc(temperature_kelvin: float) -> float:
    """Return °C for kelvin.

    >>> kelvin_to_degc(273.15)
    0.0
    """
    return temperature_kelvin - KELVIN_AT_0_DEGC


def ounces_to_grams(mass_oz: float) -> float:
    """Return grams for avoirdupois ounces.

    >>> round(ounces_to_grams(1.0), 2)
    28.35
    """
    return mass_oz * GRAMS_PER_OUNCE


def grams_to_ounces(mass_g: float) -> float:
    """Return avoirdupois ounces for grams.

    >>> round(grams_to_ounces(100.0), 2)
    3.53
    """
    return mass_g / GRAMS_PER_OUNCE
