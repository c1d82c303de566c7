"""Plausible futures of a box, draw by draw: what the forecaster tells the planner."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy as np
    from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, eq=False)
class BoxFutures:
    """What each draw says of one box over a horizon of whole days from today.

    A draw is one future of the room, of usage and of what is believed about the box; the same draw of two boxes in one
    room stands in the same air, so a humid summer comes to both.
    """

    box: str
    over_after_days: NDArray[np.int16]
    """Days from today until the box is over its limit with the beads it has: 0 where it is already, ``horizon + 1``
    where it isn't within the horizon. (draws) [days]"""
    holds_days: Mapping[str, NDArray[np.int16]] = field(default_factory=dict)
    """For each way of drying (the name of an appliance or ``SpareCharge.way``): after how many days the box is over its
    limit when beads dried that way go in so many days from today; 0 where they are too wet for it, at most
    ``horizon + 1``. (horizon + 1 × draws) [days]"""
