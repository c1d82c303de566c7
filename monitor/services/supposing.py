"""What is asked of one box with its fit: what if, again and again, each answer one forecast; and its leak line."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from monitor.services.assess import over_already
from monitor.services.histories import Histories
from monitor.services.kept_outlooks import Round
from monitor.texts import without_box

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from monitor.inference import Supposable
    from monitor.inference.answers.sizing import KnownBox
    from monitor.records import Box, CrossingForecast, LeakEstimate, LeakLine, RoomClimate, WhatIf
    from monitor.store.contracts import Ledger, Readings
    from monitor.store.kept_contracts import KeptOutlooks


@dataclass(frozen=True, eq=False)
class Supposing:
    """One box at one instant."""

    as_of: datetime
    _box: Supposable

    def forecast(self, change: WhatIf) -> CrossingForecast:
        """Return its forecast with something changed, as ``assess`` gives it."""
        return over_already(self._box.forecast(change), self.as_of)

    def sized(self) -> KnownBox:
        """Return it as a box that is filled anew."""
        return self._box.sized()


def supposing(
    readings: Readings,
    ledger: Ledger,
    boxes: Sequence[Box],
    name: str,
    as_of: datetime,
    *,
    kept: KeptOutlooks,
    room_climate: RoomClimate | None = None,
) -> Supposing | str:
    """Return a declared box to suppose things about; or why there is no forecast of it."""
    histories = Histories.of(readings, ledger, boxes, as_of, room_climate)
    question = Round(histories, kept, held=[name], workers=1)
    answer = question.outlooks()[name]
    box = question.supposable(name)
    if box is None:
        return without_box(answer.refusal, name)
    return Supposing(histories.as_of, box)


def leak_line(
    readings: Readings,
    ledger: Ledger,
    box: Box,
    as_of: datetime,
    *,
    leak: LeakEstimate,
    kept: KeptOutlooks,
    room_climate: RoomClimate | None = None,
) -> LeakLine | None:
    """Return what the ``leak`` of a declared box was read from, to be drawn; None where it can't be.

    By its kept fit, brought up to an instant. No other box is looked at, so that a page may wait for it: where no fit
    holds, it is fitted by itself, and what others taught is missed, which moves the points by less than their range.
    """
    question = Round(Histories.of(readings, ledger, [box], as_of, room_climate), kept, held=[box.name], workers=1)
    found = question.supposable(box.name)
    return None if found is None else found.leak_line(leak.conductance_g_per_day_per_kpa)
