"""Numbers that a hygrometer may tell but a box of filament hardly has: asked about before they are kept.

The bounds are judgements. No box of spools is kept above 50 °C: common filament softens from 55 °C on. A box whose
humidity never passes 1 % is drier than most sensors can show, and just what a fraction taken for a per cent looks like.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from monitor.units import degc_to_degf

if TYPE_CHECKING:
    from collections.abc import Iterable

    from monitor.records import Reading

WARMEST_DEGC = 50.0  # judgement: no box of filament stands so warm, except on a printer, and then briefly
WARM_ALL_ALONG_DEGC = 40.0  # judgement: nor warmer than this all the time
COLDEST_DEGC = 4.0
"""40 °F, a judgement: numbers below it that are called °F are mostly °C; asked only where °F was declared."""
DRIEST = 0.01  # a fraction; judgement: a box that never shows 1 % RH reports fractions as per cent


class Plausibility:
    """What was told so far of each box, and what about it is doubtful."""

    def __init__(self, temperature_unit: str = "C", humidity_unit: str = "%") -> None:
        self._fahrenheit = temperature_unit == "F"
        self._kelvin = temperature_unit == "K"
        self._per_cent = humidity_unit == "%"
        self._ranges: dict[str, list[float]] = {}

    def doubt(self, readings: Iterable[Reading]) -> str | None:
        """Take in more readings and return one sentence on what is doubtful by now, or None."""
        ranges = self._ranges
        for reading in readings:
            degc, humidity = reading.temperature_degc, reading.relative_humidity
            seen = ranges.get(reading.box)
            if seen is None:
                ranges[reading.box] = [degc, degc, humidity]
                continue
            if degc < seen[0]:
                seen[0] = degc
            elif degc > seen[1]:
                seen[1] = degc
            seen[2] = max(seen[2], humidity)
        doubts = (self._doubt(box, *seen) for box, seen in ranges.items())
        return next(filter(None, doubts), None)

    def _doubt(self, box: str, coldest: float, warmest: float, most_humid: float) -> str | None:
        if warmest > WARMEST_DEGC or coldest > WARM_ALL_ALONG_DEGC:
            asked = "Are they in °F?" if not self._fahrenheit and not self._kelvin else "Is the unit right?"
            return f"box '{box}' at {warmest:.1f} °C is too warm for stored filament. {asked}"
        if self._fahrenheit and warmest < COLDEST_DEGC:
            return f"box '{box}' at no more than {degc_to_degf(warmest):.1f} °F is cold. Is it in °C?"
        if self._per_cent and 0.0 < most_humid <= DRIEST:
            given = f"{100 * most_humid:g} %"
            return f"box '{box}' never passes {given} relative humidity. Is that a fraction, {given[:-2]} of 1?"
        return None
