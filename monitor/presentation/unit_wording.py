"""Temperatures, masses and days as every face says them: in the units and the zone of the shelf."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, datetime
from typing import TYPE_CHECKING

from monitor.day_names import day_of_month, short_day
from monitor.presentation.amounts import MINUS, NARROW, figures, spread
from monitor.records import Quantiles
from monitor.texts import say
from monitor.units import degc_to_degf, grams_to_ounces

if TYPE_CHECKING:
    from collections.abc import Callable
    from zoneinfo import ZoneInfo

_NUMBER = r"(?<![\w.,/])-?\d+(?:\.\d+)?"
_GRAMS = re.compile(rf"({_NUMBER})(?:( to | – )({_NUMBER}))?([ {NARROW}])g\b(?!/)")
_DEGC = re.compile(rf"({_NUMBER})(?:( to | – )({_NUMBER}))?([ {NARROW}])°C")


@dataclass(frozen=True, slots=True)
class UnitWording:
    """The units and the zone that one shelf wants."""

    zone: ZoneInfo
    fahrenheit: bool = False
    ounces: bool = False

    def degrees(self, degc: float) -> float:
        """Return a temperature in the unit temperatures are shown in."""
        return degc_to_degf(degc) if self.fahrenheit else degc

    def temperature(self, degc: float) -> str:
        """Return a temperature with its unit."""
        return f"{self.degrees(degc):.1f}{NARROW}{self.temperature_unit}".replace("-", MINUS)

    def heat(self, degc: float) -> str:
        """Return what an appliance is set to, or another round temperature, with its unit."""
        return f"{self.degrees(degc):.0f}{NARROW}{self.temperature_unit}"

    @property
    def temperature_unit(self) -> str:
        """Return the unit temperatures are shown in."""
        return "°F" if self.fahrenheit else "°C"

    def mass(self, grams: float) -> str:
        """Return a mass with its unit."""
        return f"{self.mass_figures(grams)}{NARROW}{self.mass_unit}"

    def in_own_units(self, sentence: str) -> str:
        """Return a sentence from below, which speaks of grams and °C, in the units of the shelf.

        >>> from zoneinfo import ZoneInfo
        >>> UnitWording(ZoneInfo("UTC"), fahrenheit=True, ounces=True).in_own_units("150 g at 60 to 65 °C")
        '5.29 oz at 140 to 149 °F'
        """
        if self.ounces:
            sentence = _GRAMS.sub(
                # digits; judgement: as good as a scale
                lambda found: _converted(found, lambda g: figures(grams_to_ounces(g), 3), "oz"),
                sentence,
            )
        if self.fahrenheit:
            sentence = _DEGC.sub(lambda found: _converted(found, lambda c: f"{degc_to_degf(c):.0f}", "°F"), sentence)
        return sentence

    def weight(self, grams: float) -> str:
        """Return what a scale showed, to the steps of a good one, with its unit."""
        return f"{grams_to_ounces(grams):.2f} oz" if self.ounces else f"{grams:.1f} g"

    def masses_a_day(self, grams: Quantiles) -> str:
        """Return a flow of water with its interval and unit."""
        return say("{flow} a day", flow=f"{self.masses(grams)}{NARROW}{self.mass_unit}")

    @property
    def mass_unit(self) -> str:
        """Return the unit masses are shown in."""
        return "oz" if self.ounces else "g"

    def masses(self, grams: Quantiles) -> str:
        """Return a mass, or a flow of it, and its 90 % interval, without the unit."""
        return spread(grams, grams_to_ounces(1.0) if self.ounces else 1.0)

    def mass_figures(self, grams: float) -> str:
        """Return a mass, or a flow of it, without the unit."""
        return figures(grams_to_ounces(grams) if self.ounces else grams)

    def day(self, at: datetime, beside: datetime) -> str:
        """Return a calendar day, with its year where that is not the one of the instant beside it."""
        return short_day(self.local_day(at), self.local_day(beside))

    def moment(self, at: datetime) -> str:
        """Return a day and a time of day; of an hour that comes twice with its zone, as CEST."""
        local = at.astimezone(self.zone)
        comes_twice = local.utcoffset() != local.replace(fold=1 - local.fold).utcoffset()
        day = say("{day} {year}", day=day_of_month(local.date()), year=local.year)
        return say("{day}, {time}", day=day, time=f"{local:%H:%M %Z}" if comes_twice else f"{local:%H:%M}")

    def local_day(self, at: datetime) -> date:
        """Return the person's calendar day at an instant."""
        return at.astimezone(self.zone).date()


def _converted(found: re.Match[str], convert: Callable[[float], str], unit: str) -> str:
    """Return a number, or the two ends of a span, with another unit."""
    first, between, last, space = found.groups()
    span = f"{between}{convert(float(last))}" if last else ""
    return f"{convert(float(first))}{span}{space}{unit}"
