"""A box that sends readings uninvited is declared, or one that no sensor sends for."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from monitor.errors import UnknownBoxError
from monitor.records import ROOM, Box
from monitor.records.declared import USUAL_LIMIT, USUAL_VOLUME_LITER
from monitor.records.names import NAME_RULE, hint, is_name, tidy
from monitor.settings.shelf_append import changed_with, declare_box
from monitor.settings.shelf_removed import bring_box_back, removed_boxes
from monitor.texts import say

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from pathlib import Path

    from monitor.records import Reading
    from monitor.store.contracts import Boxes, Readings


@dataclass(frozen=True, slots=True)
class Adopted:
    """A box that is declared now."""

    box: str
    readings: int
    """How many it has sent before."""
    volume_liter: float
    humidity_limit: float
    """A fraction."""
    as_before: bool
    """Whether it was on the shelf before, and all that the shelf file said of it holds again."""


def uninvited(latest: Mapping[str, Reading], declared: Iterable[Box]) -> list[str]:
    """Return the names that send readings and are neither a declared box nor the sensor of a room."""
    boxes = tuple(declared)
    known = {box.name for box in boxes} | {box.room for box in boxes} | {ROOM}
    return sorted(set(latest) - known)


def offered(folder: Path, names: Iterable[str]) -> dict[str, Box]:
    """Return what to offer of each: what it was when it was taken off the shelf, else the usual."""
    given = tuple(names)
    before = removed_boxes(folder, given)
    return {name: before.get(name) or usual_box(name) for name in given}


def usual_box(name: str) -> Box:
    """Return what a box is taken for of which nothing is declared."""
    return Box(name, USUAL_VOLUME_LITER, USUAL_LIMIT)


def adopt(
    folder: Path,
    readings: Readings,
    boxes: Boxes,
    declared: Iterable[Box],
    name: str,
    *,
    volume_liter: float | None = None,
    humidity_limit: float | None = None,
    style: str | None = None,
    unheard: bool = False,
) -> Adopted:
    """Declare a box at the end of the shelf file; one that was taken off the shelf comes back.

    Of that one the shelf file's comments tell what it was: volume, limit and style too, unless others are given. Of any
    other they are the usual ones. Where the box may be ``unheard``, no sensor needs to have sent for it.

    Raises
    ------
    UnknownBoxError
        Where it was never heard and should have been, is the sensor of a room, or has a name that can't be declared.
    SettingsError
        Where it is declared already.
    """
    name = _name_to_declare(readings, declared, name, unheard)
    held = len(readings.series(name))
    usual = Adopted(
        name,
        held,
        USUAL_VOLUME_LITER if volume_liter is None else volume_liter,
        USUAL_LIMIT if humidity_limit is None else humidity_limit,
        as_before=False,
    )
    done = usual

    def declare() -> None:
        nonlocal done
        is_new = all(box.name != name for box in declared)
        before = bring_box_back(folder, name, volume_liter, humidity_limit, style) if is_new else None
        if before is None:
            declare_box(folder, name, usual.volume_liter, usual.humidity_limit, style)
        else:
            done = Adopted(name, held, before.volume_liter, before.humidity_limit, as_before=True)

    boxes.bring_back(name, alongside=changed_with(folder, declare))
    return done


def _name_to_declare(readings: Readings, declared: Iterable[Box], name: str, unheard: bool) -> str:
    """Return the name as it was heard or as it has to be written, of a box that can be declared."""
    heard = readings.latest(removed=True)
    name = name if name in heard else tidy(name)
    if name in {box.room for box in declared} | {ROOM}:
        raise UnknownBoxError(say("'{name}' is the room sensor, not a box. You need not declare it", name=name))
    if name not in heard and not unheard:
        raise UnknownBoxError(
            say(
                "box '{name}' never sent a reading. Sent readings: {heard}. Without a sensor: {add}",
                name=name,
                heard=", ".join(heard) or say("none"),
                add=hint("box", "add", name),
            )
        )
    if not is_name(name) and name not in heard:
        raise UnknownBoxError(say("'{name}' is not valid: a name is {rule}", name=name, rule=say(NAME_RULE)))
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
    return name
