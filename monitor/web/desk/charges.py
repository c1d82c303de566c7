"""The desk at a glance: runs that are open, beads that want drying, what is finished."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING
from urllib.parse import quote

from monitor.desk.methods import beads_of
from monitor.desk.told_by_box import box_of_beads
from monitor.planning.due import dries_now
from monitor.presentation.amounts import ago
from monitor.presentation.bead_wording import beads
from monitor.presentation.desk_amounts import minutes, whereabouts
from monitor.presentation.desk_wording import finished_in_brief
from monitor.records import BoxState
from monitor.records.desk_events import APPLIANCE, BOX, SPARE
from monitor.texts import say, say_many
from monitor.web.desk.timing import TimerView, timer_view
from monitor.web.shelf.view import sign_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from datetime import datetime

    from monitor.desk.inventory import Charge, Inventory, Run
    from monitor.presentation.wording import Wording
    from monitor.records import Assessment
    from monitor.web.snapshot import Snapshot

_URGENT = (BoxState.over_limit, BoxState.due)
_NAMED_BOXES = 3  # a count; judgement: what a line holds
_FINISHED_SHOWN = 20  # a count; judgement: older ones are asked for by `siccast recharge compare`


@dataclass(frozen=True, slots=True)
class RunRow:
    """A run in the list."""

    name: str
    address: str
    charge: str
    appliance: str
    said: str
    """How far it is, or how it ended."""
    when: str
    timer: TimerView | None = None


@dataclass(frozen=True, slots=True)
class BeadsRow:
    """Beads that can be dried."""

    name: str
    address: str
    what: str
    where: str
    sign: str
    why: str
    """The state of the box that they are in, or what is known of beads that are in none."""


@dataclass(frozen=True, slots=True)
class DeskView:
    """The page of the desk."""

    headline: str
    going: Sequence[RunRow]
    wanted: Sequence[BeadsRow]
    spare: Sequence[BeadsRow]
    resting: Sequence[BeadsRow]
    finished: Sequence[RunRow]


def desk_view(
    inventory: Inventory, snapshot: Snapshot | None, now: datetime, clock: datetime, words: Wording
) -> DeskView:
    """Return the desk at a glance."""
    answers = snapshot.answers if snapshot else ()
    runs = list(inventory.runs.values())
    going = [_going(run, now, clock, words) for run in reversed(runs) if run.open]
    wanted, resting = _in_boxes(inventory, answers, words)
    boxes = [answer.box.name for answer in answers]
    spare = [charge for charge in inventory.charges.values() if _is_spare(charge)]
    return DeskView(
        headline=headline(len(going), wanted, known=bool(spare or resting)),
        going=going,
        wanted=wanted,
        spare=[_of_charge(charge, inventory, None, words, boxes) for charge in spare],
        resting=resting,
        finished=[_finished(run, inventory, words, boxes) for run in reversed(runs) if not run.open][:_FINISHED_SHOWN],
    )


def run_address(name: str) -> str:
    """Return the address of a run."""
    return f"/desk/run/{quote(name, safe='')}"


def charge_address(name: str) -> str:
    """Return the address at which an appliance is chosen for a charge."""
    return f"/desk/charge/{quote(name, safe='')}"


def lies(charge: Charge, boxes: Iterable[str]) -> str:
    """Return where a charge is, and whose beads they are while they lie outside."""
    if charge.place != SPARE:
        return whereabouts(charge.place)
    box = charge.of_box or box_of_beads(charge.name, boxes)
    return say("from {box}", box=box) if box else say("in no box")


def going_since(run: Run, now: datetime, words: Wording) -> str:
    """Return how far a run is, in a line."""
    weighings = run.weighings
    if not weighings:
        return say("started {ago}, not weighed yet", ago=ago(now - run.started_at))
    heat = say("{heated} of heat", heated=minutes(weighings[-1].heated_s))
    return say(
        "{heat}, last {weight} ({ago})",
        heat=heat,
        weight=words.weight(weighings[-1].mass_g),
        ago=ago(now - weighings[-1].at),
    )


def headline(going: int, wanted: Sequence[BeadsRow], *, known: bool = True) -> str:
    """Return what there is to do at the desk, in a sentence; ``known`` says whether there are other beads."""
    if going:
        return say_many("A run is going on.", "{count} runs are going on.", going)
    if wanted:
        boxes = [row.where for row in wanted]
        more = len(boxes) - len(boxes[:_NAMED_BOXES])
        *but_last, last = [*boxes[:_NAMED_BOXES], *([say("{count} more", count=more)] if more else [])]
        named = say("{names} and {last}", names=", ".join(but_last), last=last) if but_last else last
        return say("Dry the beads of {named} next.", named=named)
    return say("No beads have to be dried now.") if known else say("No beads are known yet.")


def _going(run: Run, now: datetime, clock: datetime, words: Wording) -> RunRow:
    return RunRow(
        name=run.name,
        address=run_address(run.name),
        charge=run.start.charge,
        appliance=run.start.appliance,
        said=going_since(run, now, words),
        when=say("since {moment}", moment=words.moment(run.started_at)),
        timer=timer_view(run, clock, words),
    )


def _finished(run: Run, inventory: Inventory, words: Wording, boxes: Sequence[str]) -> RunRow:
    verdict = finished_in_brief(run.finished) if run.finished else ""
    charge = inventory.charges.get(run.start.charge)
    where = "; " + say("now {place}", place=lies(charge, boxes)) if charge and not charge.retired else ""
    return RunRow(
        name=run.name,
        address=run_address(run.name),
        charge=run.start.charge,
        appliance=run.start.appliance,
        said=f"{verdict.removeprefix('stop: ')}{where}",
        when=words.moment(run.started_at),
    )


def _is_spare(charge: Charge) -> bool:
    return charge.place == SPARE and not charge.retired


def _in_boxes(
    inventory: Inventory, answers: Iterable[Assessment], words: Wording
) -> tuple[list[BeadsRow], list[BeadsRow]]:
    """Return the beads of boxes that want drying, worst first, and those of boxes that hold."""
    wanted: list[BeadsRow] = []
    resting: list[BeadsRow] = []
    seen: set[str] = set()
    for answer in answers:
        there = [charge for charge in inventory.charges.values() if charge.place == BOX + answer.box.name]
        seen.update(charge.name for charge in there)
        rows = [_of_charge(charge, inventory, answer, words) for charge in there if not charge.retired]
        taken_out = any(
            box_of_beads(charge.name, [answer.box.name]) and not charge.place.startswith(BOX)
            for charge in inventory.charges.values()
        )
        unheard = not there and not taken_out and answer.state is not BoxState.undeclared
        if unheard and answer.charge is not None:
            rows = [_of_box(answer, words)]
        (wanted if answer.state in _URGENT and not dries_now(answer) else resting).extend(rows)
    elsewhere = [c for c in inventory.charges.values() if c.place.startswith(BOX) and c.name not in seen]
    resting += [_of_charge(charge, inventory, None, words) for charge in elsewhere if not charge.retired]
    return wanted, resting


def _of_charge(
    charge: Charge, inventory: Inventory, answer: Assessment | None, words: Wording, boxes: Sequence[str] = ()
) -> BeadsRow:
    kind = beads(beads_of(inventory, charge.name).kind)
    held = charge.loading_g_per_g
    known = "" if held is None else say("{share} % water when last weighed", share=f"{100.0 * held[1]:.1f}")
    return BeadsRow(
        name=charge.name,
        address=charge_address(charge.name),
        what=", ".join(filter(None, (say("{mass} of {kind}", mass=words.mass(charge.mass_g), kind=kind), known))),
        where=charge.place.removeprefix(BOX).removeprefix(APPLIANCE),
        sign=sign_of(answer) if answer else "",
        why=say("box {box}: {state}", box=answer.box.name, state=words.state(answer))
        if answer
        else lies(charge, boxes),
    )


def _of_box(answer: Assessment, words: Wording) -> BeadsRow:
    """Return the beads of a box that no charge is declared for."""
    charge = answer.charge
    mass = words.mass(charge.dry_mass_g) if charge and charge.dry_mass_g is not None else ""
    kind = beads(charge.desiccant) if charge and charge.desiccant else say("beads")
    return BeadsRow(
        name=say("beads of {box}", box=answer.box.name),
        address=f"/desk/new?box={quote(answer.box.name, safe='')}",
        what=say("{mass} of {kind}", mass=mass, kind=kind) if mass else kind,
        where=answer.box.name,
        sign=sign_of(answer),
        why=say("box {box}: {state}", box=answer.box.name, state=words.state(answer)),
    )
