"""From the appliance into a box: which boxes there are, and until when the one that got the beads holds now."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from monitor.desk.told_by_box import came_from
from monitor.presentation.desk_amounts import whereabouts
from monitor.presentation.desk_wording import holds_until, service_lines
from monitor.records.desk_events import BOX, SPARE, ChargeMoved, ChargeSplit

if TYPE_CHECKING:
    from collections.abc import Sequence

    from monitor.desk import Desk
    from monitor.desk.inventory import Inventory, Run
    from monitor.records.desk_events import LoggedEvent
    from monitor.web.desk.timing import Moment


@dataclass(frozen=True, slots=True)
class Placed:
    """Beads of a run that went into a box, and what that means for it."""

    charge: str
    box: str
    said: str
    """Until when it holds with them; '' while that is being worked out."""
    recorded: bool


@dataclass(frozen=True, slots=True)
class IntoBoxView:
    """Where the beads of a finished run can go, and where they went."""

    left: str
    """How much is not in a box yet; '' where all of it is."""
    where: str
    boxes: Sequence[tuple[str, str, bool]]
    """Name, what lies in it, and whether it is chosen."""
    placed: Sequence[Placed]
    services: Sequence[str]


def into_box_view(desk: Desk, run: Run, events: Sequence[LoggedEvent], at: Moment) -> IntoBoxView | None:
    """Return where the beads of a finished run can go; None where they have moved on to another run, or are no more."""
    inventory = desk.inventory()
    charge = inventory.charge(run.start.charge)
    newest = [other for other in inventory.runs.values() if other.start.charge == charge.name][-1]
    if charge.retired or newest.name != run.name:
        return None
    spare = charge.place == SPARE
    names = [box.name for box in desk.boxes]
    wish = came_from(run, names)
    return IntoBoxView(
        left=at.words.mass(charge.mass_g) if spare else "",
        where=whereabouts(charge.place),
        boxes=[(name, _there(inventory, name), name == wish) for name in names],
        placed=[_placed(move, at) for move in moves_of(run, events)],
        services=service_lines(desk.services(charge.name, at.now), at.words, wish),
    )


def moves_of(run: Run, events: Sequence[LoggedEvent]) -> list[LoggedEvent]:
    """Return the moves into boxes of the beads of a run, parts of them too, since its last weighing."""
    last = run.shown[-1].event_id if run.shown else 0
    later = [logged for logged in events if logged.event_id > last]
    names = names_of(run, later)
    return [
        each
        for each in later
        if isinstance(each.event, ChargeMoved) and each.event.charge in names and each.event.place.startswith(BOX)
    ]


def names_of(run: Run, later: Sequence[LoggedEvent]) -> set[str]:
    """Return the names of the charge of a run and of the parts that were split off it."""
    splits = [each.event for each in later if isinstance(each.event, ChargeSplit)]
    return {run.start.charge, *(split.into for split in splits if split.charge == run.start.charge)}


def _there(inventory: Inventory, box: str) -> str:
    return ", ".join(charge.name for charge in inventory.charges.values() if charge.place == BOX + box)


def _placed(move: LoggedEvent, at: Moment) -> Placed:
    event = move.event
    assert isinstance(event, ChargeMoved)
    box = event.place.removeprefix(BOX)
    answer = at.snapshot.answer(box) if at.snapshot else None
    known = answer is not None and answer.charge is not None and answer.charge.at >= move.at
    return Placed(event.charge, box, holds_until(answer, at.words) if known and answer else "", at.recorded)
