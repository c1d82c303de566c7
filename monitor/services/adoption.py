"""A box that sends readings uninvited is declared."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from monitor.errors import UnknownBoxError
from monitor.records import ROOM
from monitor.records.declared import USUAL_LIMIT, USUAL_VOLUME_LITER
from monitor.records.names import NAME_RULE, hint, is_name, tidy
from monitor.settings.shelf_append import declare_box
from monitor.texts import say

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from pathlib import Path

    from monitor.records import Box, Reading
    from monitor.store.contracts import Boxes, Readings


@dataclass(frozen=True, slots=True)
class Adopted:
    """A box that is declared now."""

    box: str
    readings: int
    """How many it has sent before."""


def uninvited(latest: Mapping[str, Reading], declared: Iterable[Box]) -> list[str]:
    """Return the names that send readings and are neither a declared box nor the sensor of a room."""
    boxes = tuple(declared)
    known = {box.name for box in boxes} | {box.room for box in boxes} | {ROOM}
    return sorted(set(latest) - known)


def adopt(
    folder: Path,
    readings: Readings,
    boxes: Boxes,
    declared: Iterable[Box],
    name: str,
    *,
    volume_liter: float = USUAL_VOLUME_LITER,
    humidity_limit: float = USUAL_LIMIT,
) -> Adopted:
    """Declare a box that was heard, at the end of the shelf file; one that was taken off the shelf comes back.

    Raises
    ------
    UnknownBoxError
        Where it was never heard, is the sensor of a room, or has a name that can't be declared.
    SettingsError
        Where it is declared already.
    """
    heard = readings.latest(removed=True)
    name = name if name in heard else tidy(name)
    if name in {box.room for box in declared} | {ROOM}:
        raise UnknownBoxError(say("'{name}' is the room sensor, not a box. You need not declare it", name=name))
    if name not in heard:
        raise UnknownBoxError(
            say(
                "box '{name}' never sent a reading. Sent readings: {heard}",
                name=name,
                heard=", ".join(heard) or say("none"),
            )
        )
    if not is_name(name):
        give = hint("box", "rename", name, then="NAME")
        raise UnknownBoxError(
            say(
                "can't declare {name}: a name is {rule}. {give} gives it such a name",
                name=f"{name!r}",
                rule=say(NAME_RULE),
                give=give,
            )
        )
    held = len(readings.series(name))
    declare_box(folder, name, volume_liter, humidity_limit)
    if name not in readings.latest():
        boxes.bring_back(name)
    return Adopted(name, held)
