"""The glass of a box as small as a row allows: what the beads hold, and what stands above the limit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from monitor.web.drawing import MOST_OVER

if TYPE_CHECKING:
    from monitor.records import Quantiles

_BOTTOM_Y, _LIMIT_Y, _TOP_Y = 37.0, 15.0, 5.0  # units of the drawing; judgement: shares as of the large glass
_LEAST_ABOVE = 1.5  # units of the drawing; judgement: a hair over its limit can still be seen


@dataclass(frozen=True, slots=True)
class SmallGlass:
    """Heights in the drawing; None where nothing is known, or nothing is over."""

    used_y: float | None
    """Up to here beads are full for sure."""
    unsure_y: float | None
    """Up to here they may be."""
    over_y: float | None
    """Up to here humidity is over the limit."""


def small_glass(capacity_used: Quantiles | None, over_by: float) -> SmallGlass:
    """Return the small glass of a box."""
    over = min(over_by / MOST_OVER, 1.0) * (_LIMIT_Y - _TOP_Y)
    over_y = round(_LIMIT_Y - max(over, _LEAST_ABOVE), 1) if over_by > 0.0 else None
    if capacity_used is None:
        return SmallGlass(None, None, over_y)
    return SmallGlass(_y(capacity_used.p05), _y(capacity_used.p95), over_y)


def _y(share: float) -> float:
    return round(_BOTTOM_Y - min(max(share, 0.0), 1.0) * (_BOTTOM_Y - _LIMIT_Y), 1)
