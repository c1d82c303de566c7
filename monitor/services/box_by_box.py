"""Histories of many boxes, each read when it is asked for, and in the process that asks for it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any, overload

from monitor.records import BoxHistory

if TYPE_CHECKING:
    from datetime import datetime

    from monitor.records import Box
    from monitor.services.histories import Histories


class BoxByBox(Sequence[BoxHistory]):
    """Reads a history when it is asked for it. It travels to another process without readings, which are read there."""

    def __init__(
        self, histories: Histories, boxes: Sequence[Box], since: Sequence[datetime | None] | None = None
    ) -> None:
        """``since`` leaves out earlier readings of each box; they are all read without it."""
        self._histories, self._boxes = histories, boxes
        self._since = since or [None] * len(boxes)

    def __len__(self) -> int:
        """Return how many boxes there are."""
        return len(self._boxes)

    @overload
    def __getitem__(self, place: int) -> BoxHistory: ...
    @overload
    def __getitem__(self, place: slice) -> Sequence[BoxHistory]: ...
    def __getitem__(self, place: int | slice) -> BoxHistory | Sequence[BoxHistory]:
        """Read one; of several, none until it is asked for."""
        if isinstance(place, slice):
            return BoxByBox(self._histories, self._boxes[place], self._since[place])
        return self._histories.history(self._boxes[place], self._since[place])

    def __getstate__(self) -> dict[str, Any]:
        """Travel with what was declared and logged of these boxes only."""
        entries = {box.name: self._histories.entries[box.name] for box in self._boxes}
        return {**self.__dict__, "_histories": replace(self._histories, boxes=self._boxes, entries=entries)}
