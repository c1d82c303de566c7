"""How much worse a day over the limit is for one filament than for another."""

from __future__ import annotations

from typing import TYPE_CHECKING

from monitor.physics.materials import polymer
from monitor.records.words import OTHER_FILAMENT

if TYPE_CHECKING:
    from collections.abc import Sequence

    from monitor.records import Box

_AT_HUMIDITY, _AT_DEGC = 0.5, 23.0
"""A room in which filament gets wet. [fraction of saturation], [°C] Judgement: the climate that sheets name uptakes
for."""
_THIRSTY, _RATHER_THIRSTY = 0.015, 0.007
"""From which uptake on a filament is of the group of nylon and PVA, and of that of PA12. [g/g] Judgement: between the
uptakes of these groups by tables/polymers.toml: 1.9 to 5 %, 1 %, and less than half of that for all others."""
_SPLIT_BY_WATER = frozenset({"PC", "PETG", "PETG_or_PET_carbon_fiber", "TPU"})
"""Take up little, and that splits their chains in a hot nozzle. Judgement: worse off than PLA, better than PA12."""
_OF_THIRSTY, _OF_RATHER_THIRSTY, _OF_SPLIT, _OF_OTHERS = 4.0, 3.0, 2.0, 1.0
"""How much worse a day over the limit is for each group. [ratio] Judgement: wet nylon and PVA bubble and string until
they are dried for half a day, wet PLA mostly prints."""
_OF_UNKNOWN = 2.0
"""Of a blend that no table knows. [ratio] Judgement: a middling filament."""


def risk_of(box: Box, declared: Sequence[tuple[str, float]] = ()) -> float:
    """Return the risk of the touchiest filament in a box; that of the least touchy where no spool is declared."""
    told = {_kind(material): risk for material, risk in declared}
    return max((told.get(_kind(one.material), usual_risk(one.material)) for one in box.spools), default=_OF_OTHERS)


def usual_risk(material: str) -> float:
    """Return how much worse a day over the limit is for a filament than for PLA.

    >>> [usual_risk(material) for material in ("PA6", "PVA", "PA12", "TPU", "PETG", "PLA", "ABS")]
    [4.0, 4.0, 3.0, 2.0, 2.0, 1.0, 1.0]
    """
    if material == OTHER_FILAMENT:
        return _OF_UNKNOWN
    known = polymer(material)
    uptake = float(known.isotherm.loading_g_per_g(_AT_HUMIDITY, _AT_DEGC))
    if uptake >= _THIRSTY:
        return _OF_THIRSTY
    if uptake >= _RATHER_THIRSTY:
        return _OF_RATHER_THIRSTY
    return _OF_SPLIT if known.kind in _SPLIT_BY_WATER else _OF_OTHERS


def _kind(material: str) -> str:
    return material if material == OTHER_FILAMENT else polymer(material).kind
