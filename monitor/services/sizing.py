"""How many grams hold how long: one question, its answer, the same with one thing changed, and what standards say."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import isfinite
from typing import TYPE_CHECKING

import numpy as np

from monitor.inference.answers.sized_box import SizedBox, better_seal_conductance, film_conductance
from monitor.inference.answers.sizing import HORIZON_DAYS, Fillable, KnownBox, Supposed, days_for, grams_for
from monitor.physics.desiccant_units import (
    UnitsAsked,
    din_55474,
    j_std_033,
    jis_film_g_per_day,
    jis_k1_of_pet,
    jis_z0301,
    mil_bag,
    mil_rigid,
)
from monitor.physics.materials import desiccant
from monitor.physics.saturation import saturation_vapor_pressure_pa
from monitor.records import Box, Quantiles, RoomClimate
from monitor.records.declared import LIMIT_RANGE_PCT
from monitor.units import DAYS_PER_GREGORIAN_YEAR

if TYPE_CHECKING:
    from datetime import datetime

    from monitor.services.supposing import Supposing

__all__ = ["DAYS_A_MONTH", "MOST_MONTHS", "Parcel", "SizeQuestion", "SizeRow", "Sizing", "UnitsAsked", "sizing"]

DAYS_A_MONTH = DAYS_PER_GREGORIAN_YEAR / 12.0  # a year has twelve, by definition
MOST_MONTHS = HORIZON_DAYS / DAYS_A_MONTH
_AIR_MATTERS_FROM = 0.05  # share of the beads; judgement: less is not seen in two digits
_LAXER_BY = 0.10  # fraction of saturation; judgement: the next limit that anybody would think of
_DRIEST_METHOD = "oven"
_STANDARD_GEL = "silica_regular"


@dataclass(frozen=True, slots=True)
class Parcel:
    """A sealed bag with what is in it."""

    wvtr_g_per_m2_day: float
    """Transmission of the film at 38 °C and 90 % RH, by its sheet."""
    area_m2: float
    """Both sides."""


@dataclass(frozen=True, slots=True)
class SizeQuestion:
    """What is to be filled, with what, and what it has to hold; one of grams and months is asked for."""

    box: Box
    desiccant: str
    limit: float
    begin_at: datetime
    months: float | None = None
    grams: float | None = None
    method: str | None = None
    parcel: Parcel | None = None
    openings_per_day: float = 0.0
    other_limit: float | None = None


@dataclass(frozen=True, slots=True)
class SizeRow:
    """One answer: the grams for the months, or the months for the grams."""

    what: str
    """'asked', 'half the leak', 'a better seal', 'drier beads' or 'another limit'."""
    limit: float
    grams: Quantiles | None
    months: Quantiles | None
    """Infinite beyond what is looked at."""


@dataclass(frozen=True, slots=True)
class AirShutIn:
    """The room's air that the lid closes on, where the beads for it are a good part of all."""

    water_g: float
    """Beyond what that air may hold at the limit."""
    beads_g: float
    """Dry beads that take it up."""


@dataclass(frozen=True, slots=True)
class Sizing:
    """The answer with what is beside it."""

    question: SizeQuestion
    known: bool
    """Whether the leak is the box's own, as estimated from its readings."""
    conductance_g_per_day_per_kpa: Quantiles
    rows: tuple[SizeRow, ...]
    standards: tuple[UnitsAsked, ...]
    air: AirShutIn | None
    """None where it does not matter."""


def sizing(question: SizeQuestion, *, box: Supposing | None = None, climate: RoomClimate | None = None) -> Sizing:
    """Answer a question about a box whose posterior is at hand, or about one of which only the kind is known."""
    sized: KnownBox | SizedBox = box.sized() if box is not None else _of_its_kind(question, climate)
    points = np.quantile(sized.conductance, (0.05, 0.5, 0.95))  # by definition: a 90 % interval
    rows = tuple(_row(what, sized, supposed, question) for what, supposed in _variants(question, float(points[1])))
    leak = float(points[1])
    standards = _standards(question, rows[0], leak, climate or RoomClimate())
    air = _air_shut_in(sized, question, rows[0])
    return Sizing(question, box is not None, Quantiles(*points.tolist()), rows, standards, air)


def _air_shut_in(sized: Fillable, question: SizeQuestion, asked: SizeRow) -> AirShutIn | None:
    supposed = Supposed(question.desiccant, question.limit, question.method)
    draws_of_air = sized.air_shut_in(supposed, question.begin_at.timestamp())
    water_g, beads_g = (float(np.median(draws)) for draws in draws_of_air)
    of_g = asked.grams.p50 if asked.grams is not None else question.grams or 0.0
    matters = isfinite(beads_g) and beads_g >= _AIR_MATTERS_FROM * of_g and water_g > 0.0
    return AirShutIn(water_g, beads_g) if matters else None


def _of_its_kind(question: SizeQuestion, climate: RoomClimate | None) -> SizedBox:
    film = None
    if question.parcel is not None:
        film = film_conductance(question.parcel.wvtr_g_per_m2_day, question.parcel.area_m2)
    return SizedBox.of_prior(question.box, climate, question.openings_per_day, film)


def _variants(question: SizeQuestion, leak: float) -> list[tuple[str, Supposed]]:
    asked = Supposed(question.desiccant, question.limit, question.method)
    better = better_seal_conductance(question.box) / leak
    laxest = LIMIT_RANGE_PCT[1] / 100.0
    next_limit = question.limit + (_LAXER_BY if question.limit + _LAXER_BY <= laxest else -_LAXER_BY)
    other = next_limit if question.other_limit is None else question.other_limit
    variants = [("asked", asked), ("half the leak", replace(asked, leak_times=0.5))]
    if question.parcel is None and better < 1.0:
        variants.append(("a better seal", replace(asked, leak_times=better)))
    if question.method is None or _DRIEST_METHOD not in question.method:
        variants.append(("drier beads", replace(asked, method=_DRIEST_METHOD)))
    return [*variants, ("another limit", replace(asked, limit=other))]


def _row(what: str, sized: Fillable, supposed: Supposed, question: SizeQuestion) -> SizeRow:
    begin_s = question.begin_at.timestamp()
    if question.months is not None:
        grams = grams_for(sized, supposed, question.months * DAYS_A_MONTH, begin_s)
        return SizeRow(what, supposed.limit, grams, None)
    days = days_for(sized, supposed, question.grams or 0.0, begin_s)
    months = Quantiles(*(value / DAYS_A_MONTH for value in (days.p05, days.p50, days.p95)))
    return SizeRow(what, supposed.limit, None, months)


def _standards(question: SizeQuestion, asked: SizeRow, leak: float, climate: RoomClimate) -> tuple[UnitsAsked, ...]:
    """Return what standards say for the months asked about, or for those that the grams hold at the median.

    A box counts as a film that lets through as much as its leak would in the test climate.
    """
    months = question.months if question.months is not None else asked.months.p50 if asked.months else 0.0
    months = min(months, MOST_MONTHS)
    parcel, volume_liter, limit = question.parcel, question.box.volume_liter, question.limit
    area_m2 = parcel.area_m2 if parcel else 1.0
    through_g_per_m2_day = parcel.wvtr_g_per_m2_day if parcel else leak / film_conductance(1.0, 1.0)
    return (
        din_55474(volume_liter, area_m2, through_g_per_m2_day, months * DAYS_A_MONTH, limit),
        mil_bag(area_m2) if parcel else mil_rigid(volume_liter),
        j_std_033(area_m2, through_g_per_m2_day, months),
        _by_jis(film_conductance(through_g_per_m2_day, area_m2), months * DAYS_A_MONTH, limit, climate),
    )


def _by_jis(leak: float, days: float, limit: float, climate: RoomClimate) -> UnitsAsked:
    """Return what JIS Z 0301 says for gel as supplied, in the mean climate of the year."""
    degc, outside = climate.temperature_degc, climate.relative_humidity
    if climate.monthly_vapor_pressure_pa:
        outside = float(np.mean(climate.monthly_vapor_pressure_pa)) / float(saturation_vapor_pressure_pa(degc))
    holds = float(desiccant(_STANDARD_GEL).isotherm.loading_g_per_g(limit, degc))
    through_g_per_day, k1 = jis_film_g_per_day(leak), jis_k1_of_pet(degc)
    return jis_z0301(through_g_per_day, days, outside, limit, k1=k1, holds_g_per_g=holds)
