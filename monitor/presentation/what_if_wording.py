"""What a supposed change does to a box besides its day: leak, water a day, beads, limit, chance; before and after."""

from __future__ import annotations

from typing import TYPE_CHECKING

from monitor.presentation.amounts import chance, limit_percent
from monitor.presentation.wording import CHANCES_WITHIN_DAYS
from monitor.records import Quantiles
from monitor.texts import say

if TYPE_CHECKING:
    from collections.abc import Iterator

    from monitor.presentation.wording import Wording
    from monitor.records import Assessment, WhatIf

_THEN = " \N{RIGHTWARDS ARROW} "


def what_changes(assessment: Assessment, change: WhatIf, wording: Wording) -> list[tuple[str, str]]:
    """Return what becomes of each quantity that the change moves, and of the chance, as a label and its words.

    Water that comes in is that by the air in the box now, which goes with the leak; from another room it is not known.
    """
    days = CHANCES_WITHIN_DAYS[-1]
    now, then = assessment.forecast, assessment.forecast_if
    said = [*_leak(assessment, change, wording), *_beads(assessment, change, wording)]
    if change.humidity_limit is not None:
        said.append(
            (
                say("Limit"),
                f"{limit_percent(assessment.box.humidity_limit)}{_THEN}{limit_percent(change.humidity_limit)}",
            )
        )
    if now is not None and then is not None:
        chances = _THEN.join(chance(forecast.chance_within(days)) for forecast in (now, then))
        said.append((say("Chance of passing it in {days} days", days=days), chances))
    return said


def _leak(assessment: Assessment, change: WhatIf, wording: Wording) -> Iterator[tuple[str, str]]:
    leak, times = assessment.leak, change.conductance_factor
    if leak is None or times == 1.0:
        return
    now, then = (wording.masses(_times(leak.conductance_g_per_day_per_kpa, factor)) for factor in (1.0, times))
    yield say("Leak"), say("{change} {unit} a day per kPa", change=f"{now}{_THEN}{then}", unit=wording.mass_unit)
    if change.room_climate is None:
        came, comes = (_times(leak.ingress_g_per_day, factor) for factor in (1.0, times))
        yield say("Water coming in now"), f"{wording.masses(came)}{_THEN}{wording.masses_a_day(comes)}"


def _beads(assessment: Assessment, change: WhatIf, wording: Wording) -> Iterator[tuple[str, str]]:
    if change.dry_mass_g is not None:
        there_g = assessment.charge.dry_mass_g if assessment.charge is not None else None
        now = say("not known") if there_g is None else wording.mass(there_g)
        yield say("Beads, dry"), f"{now}{_THEN}{wording.mass(change.dry_mass_g)}"


def _times(grams: Quantiles, factor: float) -> Quantiles:
    return Quantiles(factor * grams.p05, factor * grams.p50, factor * grams.p95)
