"""What a form of a run's page does at the desk; each deed returns the address to show next."""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING
from urllib.parse import urlencode

from monitor.desk import TrapError
from monitor.desk.cautions import color_seen
from monitor.desk.methods import beads_of
from monitor.desk.traps import too_long
from monitor.errors import LedgerError, TypedError, UnconfirmedError
from monitor.presentation import desk_input, moments, quantities
from monitor.presentation.desk_amounts import minutes
from monitor.records.desk_events import BeadsStirred, ChargeSplit, ColorSeen, HeatTimed
from monitor.texts import say
from monitor.web.desk import timing
from monitor.web.desk.asked import Answer, Question
from monitor.web.desk.charges import run_address
from monitor.web.desk.fields import checked, needed, read, typed
from monitor.web.desk.run_view import newest_deed, seen

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from datetime import datetime

    from monitor.desk import Desk
    from monitor.desk.inventory import Run
    from monitor.presentation.wording import Wording
    from monitor.settings import Shelf

    Form = Mapping[str, str]


@dataclass(frozen=True, slots=True)
class At:
    """The shelf and the instant that a deed speaks of."""

    shelf: Shelf
    now: datetime
    clock: datetime
    """The machine's own; a recording's stands still."""
    words: Wording


class MeanwhileError(UnconfirmedError):
    """Another device weighed since this page was shown."""

    def __init__(self, run: Run, words: Wording) -> None:
        last = run.weighings[-1] if run.weighings else None
        there = (
            say("none is left")
            if last is None
            else say("{weight} after {heated} of heat", weight=words.weight(last.mass_g), heated=minutes(last.heated_s))
        )
        super().__init__(
            say(
                "The weighings have changed since this page was shown (the last one now: {there}). Is yours the "
                "same weighing, or one more?",
                there=there,
            )
        )
        self._seen = seen(run)

    def question(self, action: str, form: Form) -> Question:
        """Return it as the page asks about it."""
        answers = (Answer(say("It is one more: save it after that one"), f"seen={self._seen}"),)
        return Question(action, (str(self),), answers, tuple(form.items()))


def weigh(desk: Desk, run: Run, form: Form, at: At) -> str:
    """Keep a weighing, and what was answered about it: beads that fell out before, a wrong weighing before."""
    _require_open(run)
    if form.get("seen", seen(run)) != seen(run):
        raise MeanwhileError(run, at.words)
    shelf = at.shelf
    if typed(form, "weight") is None:
        raise TypedError(say("type the weight that the scale shows"), field="weight")
    told = desk_input.TypedWeighing(
        weight=checked(form, "weight", lambda text: quantities.mass_g(text, shelf)) or "",
        after=checked(form, "after", quantities.heating_s),
        step=checked(form, "step", lambda text: quantities.given_step_g(text, shelf)),
        hot=form.get("hot") == "1",
        scale=checked(form, "scale", desk_input.scale_factor),
        tare=checked(form, "tare", lambda text: quantities.tare_g(text, shelf)),
        tare_scale=typed(form, "tare_scale"),
    )
    when = read(form, "at", lambda text: moments.instant(text, shelf.timezone, at.now)) or at.now
    weighed, sure = desk_input.weighing(run, told, shelf), form.get("sure") == "1"
    if form.get("undo") == "1":
        _take_back_last_weighing(desk, run)
    if form.get("spilled") == "1":
        desk.spill(run.name, when, left=weighed, confirmed=sure)
    else:
        desk.weigh(weighed, when, confirmed=sure)
    return run_address(run.name)


def timer(desk: Desk, run: Run, form: Form, at: At) -> str:
    """Set the timer, stop it, let it go on, or take it away."""
    _require_open(run)
    deed = form.get("timer", "")
    if deed == "past":  # heated without a timer: the minutes typed here are the first guess of what it was
        return f"{run_address(run.name)}?{urlencode({'step': 'minutes', 'minutes': typed(form, 'minutes') or ''})}"
    if deed == "start":
        planned_s = needed(form, "minutes", quantities.heating_s, say("Type the minutes of heat."))
        if planned_s <= 0.0:
            raise TypedError(say("a timer runs for more than 0 minutes"), field="minutes")
        event = timing.set_to(run, planned_s, at.clock)
        found = tuple(too_long(run, desk_input.heated_so_far_s(run) + event.planned_s))
        if found and form.get("sure") != "1":
            raise TrapError(found)
    elif deed == "clear":
        event = timing.cleared(run, at.clock)
    elif deed in {"stop", "go"} and run.timer is not None:
        event = timing.turned(run.timer, at.clock, going=deed == "go")
    else:
        raise LedgerError(say("there is no timer that could be stopped"))
    desk.keep(event, at.now)
    return f"{run_address(run.name)}?step=heat" if deed == "clear" else run_address(run.name)


def spilled(desk: Desk, run: Run, form: Form, at: At) -> str:
    """Beads fell out: so many grams, or nobody knows."""
    _require_open(run)
    lost_g = read(form, "lost", lambda text: desk_input.lost_g(text, at.shelf))
    at_heat_s = read(form, "at_heat", quantities.heating_s)
    desk.spill(run.name, at.now, lost_g=lost_g, at_heat_s=at_heat_s, confirmed=form.get("sure") == "1")
    return run_address(run.name)


def stir(desk: Desk, run: Run, _form: Form, at: At) -> str:
    """The beads were stirred."""
    _require_open(run)
    desk.keep(BeadsStirred(run.name), at.now)
    return run_address(run.name)


def rescale(desk: Desk, run: Run, form: Form, at: At) -> str:
    """The scale stood on something else all along."""
    _require_open(run)
    unit = typed(form, "density") or typed(form, "unit")
    if unit is None:
        raise TypedError(say("choose what the scale was set to"), field="unit")
    factor = read({"density": unit}, "density", desk_input.scale_factor) or 1.0
    tare_factor = desk_input.tare_factor(typed(form, "tare_scale"), unit)
    sure = form.get("sure") == "1"
    desk.rescale(run.name, factor, unit, at.now, tare_factor=tare_factor, confirmed=sure)
    return run_address(run.name)


def undo(desk: Desk, run: Run, form: Form, _at: At) -> str:
    """Take back the newest thing that was logged of a run, if it is still the one that the page showed."""
    newest = newest_deed(run, desk.stores.events.events())
    if newest is None or form.get("event") != str(newest.event_id):
        raise LedgerError(say("something else was logged meanwhile. This is how it stands now"))
    _take_back_newest(desk, run)
    return run_address(run.name) if run.name in desk.inventory().runs else "/desk"


def finish(desk: Desk, run: Run, form: Form, at: At) -> str:
    """End a run."""
    _require_weighed(run)
    if form.get("seen", seen(run)) != seen(run):
        raise LedgerError(say("the weighings have changed since this page was shown. This is how it stands now"))
    desk.finish(run.name, at.now)
    return run_address(run.name)


def discard(desk: Desk, run: Run, _form: Form, _at: At) -> str:
    """Take a run back with all its weighings."""
    _require_open(run)
    desk.discard(run.name)
    return "/desk"


def move(desk: Desk, run: Run, form: Form, at: At) -> str:
    """End a run here and go on with the same beads in another appliance."""
    _require_weighed(run)
    tool = desk.appliance(needed(form, "appliance", str, say("Choose an appliance.")))
    desk.finish(run.name, at.now)
    begun = desk.start(run.start.charge, tool, at.now, tare_g=run.start.tare_g, confirmed=form.get("sure") == "1")
    return run_address(begun.name)


def color(desk: Desk, run: Run, form: Form, at: At) -> str:
    """Keep the color that the beads show."""
    kind = beads_of(desk.inventory(), run.start.charge).kind
    seen_color, _ = color_seen(kind, form.get("color", ""))
    desk.keep(ColorSeen(run.start.charge, seen_color), at.now)
    return run_address(run.name)


def put(desk: Desk, run: Run, form: Form, at: At) -> str:
    """Put the beads of a finished run, or a part of them, into a box."""
    if run.open:
        raise LedgerError(say("run '{run}' is still open. Finish it first", run=run.name))
    inventory, name = desk.inventory(), run.start.charge
    left_g = inventory.active_charge(name).mass_g
    left = at.words.mass(left_g)
    part_g = read(form, "part", lambda text: desk_input.part_g(text, left_g, at.shelf, left)) or left_g
    box = needed(form, "box", lambda text: desk.box(text).name, say("Choose a box."))
    if part_g < left_g:
        part = desk_input.name_of_part(inventory, name)
        desk.keep(ChargeSplit(name, part, part_g), at.now)
        name = part
    desk.put(name, box, at.now, beside=form.get("beside") == "1", confirmed=form.get("sure") == "1")
    return run_address(run.name)


def _take_back_newest(desk: Desk, run: Run) -> None:
    """Take back the newest thing logged of a run, with the timers that were set after it."""
    events = desk.stores.events.events()
    newest = newest_deed(run, events)
    if newest is None:
        raise LedgerError(say("nothing of run '{run}' can be undone here", run=run.name))
    timers = [each for each in events if isinstance(each.event, HeatTimed) and each.event.run == run.name]
    for each in reversed(timers):
        if each.event_id > newest.event_id:
            desk.undo(each.event_id)
    desk.undo(newest.event_id)


def _take_back_last_weighing(desk: Desk, run: Run) -> None:
    """Take back the newest weighing, with what was logged of the run after it."""
    for each in reversed(desk.stores.events.events()):
        if run.shown and getattr(each.event, "run", None) == run.name and each.event_id >= run.shown[-1].event_id:
            desk.undo(each.event_id)


def _require_open(run: Run) -> None:
    if not run.open:
        raise LedgerError(say("run '{run}' is finished. Start another one", run=run.name))


def _require_weighed(run: Run) -> None:
    _require_open(run)
    if not run.weighings:
        raise TypedError(say("run '{run}' has no weighing yet. Weigh the beads, or discard the run", run=run.name))


DEEDS: Mapping[str, Callable[[Desk, Run, Form, At], str]] = MappingProxyType(
    {
        "weigh": weigh,
        "timer": timer,
        "spilled": spilled,
        "stir": stir,
        "rescale": rescale,
        "undo": undo,
        "finish": finish,
        "discard": discard,
        "move": move,
        "color": color,
        "put": put,
    }
)
"""The last part of an address, and what a form sent there does."""
