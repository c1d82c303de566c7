"""Beads that the desk has not heard of: out of a bag, or out of a box, with the fewest questions."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, replace
from http import HTTPStatus
from typing import TYPE_CHECKING

from starlette.responses import RedirectResponse
from starlette.routing import Route

from monitor.desk import TrapError, kind_of_beads
from monitor.desk.told_by_box import OF_BOX, unlike_its_log
from monitor.errors import SiccastError, TypedError, UnconfirmedError
from monitor.physics import calculators
from monitor.presentation import quantities
from monitor.presentation.bead_wording import beads, lot_name
from monitor.records.desk_events import ChargePortioned, LotBought
from monitor.records.names import LONGEST_NAME
from monitor.records.words import CHARGE_STATES
from monitor.texts import say, to_say
from monitor.web.desk.asked import answered, question
from monitor.web.desk.charges import charge_address
from monitor.web.desk.fields import Problem, as_typed, needed, problem, read, typed
from monitor.web.forms import changes

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import datetime

    from starlette.requests import Request
    from starlette.responses import Response

    from monitor.desk import Desk
    from monitor.desk.inventory import Charge, Inventory
    from monitor.desk.told_by_box import ToldByBox
    from monitor.presentation.wording import Wording
    from monitor.web.desk.asked import Question
    from monitor.web.site import Site

HOLDERS = (
    ("glass", to_say("glass")),
    ("ceramic", to_say("ceramic")),
    ("metal", to_say("metal")),
    ("PLA", to_say("printed, PLA")),
    ("PETG", to_say("printed, PETG")),
    ("ABS", to_say("printed, ABS")),
    ("ASA", to_say("printed, ASA")),
    ("PC", to_say("printed, PC")),
    ("", to_say("something else")),
)
"""What beads sit in; each has its cautions."""


@dataclass(frozen=True, slots=True)
class NewBeadsView:
    """The form for beads that the desk has not heard of."""

    box: str
    name: str
    lots: Sequence[tuple[str, str]]
    kinds: Sequence[tuple[str, str]]
    chosen: str
    holders: Sequence[tuple[str, str]]
    states: Sequence[tuple[str, str]]
    unit: str
    told: str
    """What the log of the box says of its beads."""


@dataclass(eq=False)
class NewBeadsPages:
    """Weigh out beads on the spot."""

    site: Site

    def routes(self) -> Sequence[Route]:
        """Return the addresses."""
        return (
            Route("/desk/new", self.ask, methods=["GET"]),
            Route("/desk/new", changes(self.site.tokens, self.keep), methods=["POST"]),
        )

    def ask(self, request: Request) -> Response:
        """Show the form."""
        return self._page(request.query_params)

    def keep(self, _request: Request, form: Mapping[str, str]) -> Response:
        """Keep the beads as a charge."""
        form = answered(form)
        try:
            with self.site.writing() as stores, stores.events.transaction():
                name = weigh_out(self.site.desk(stores), self.site, form, self.site.now())
            return RedirectResponse(charge_address(name), status_code=HTTPStatus.SEE_OTHER)
        except UnconfirmedError as doubt:
            return self._page(form, asked=question(doubt, "/desk/new", form, self.site.words))
        except SiccastError as error:
            return self._page(form, wrong=problem(error, self.site.words))

    def _page(
        self, form: Mapping[str, str], *, asked: Question | None = None, wrong: Problem | None = None
    ) -> Response:
        with self.site.reading() as stores:
            desk = self.site.desk(stores)
            inventory, box = desk.inventory(), self._box(form)
            told = desk.told_of_beads(box, self.site.now()) if box else None
        return self.site.page(
            "desk_new.html",
            status=HTTPStatus.BAD_REQUEST if asked or wrong else HTTPStatus.OK,
            snapshot=self.site.keeper.newest,
            view=self._view(inventory, form, box, told),
            typed=as_typed(form),
            asked=asked,
            wrong=wrong,
        )

    def _view(self, inventory: Inventory, form: Mapping[str, str], box: str, told: ToldByBox | None) -> NewBeadsView:
        return NewBeadsView(
            box=box,
            name=typed(form, "name") or unused_name(inventory, f"{box}{OF_BOX}" if box else "beads"),
            lots=[
                (f"lot:{lot.name}", f"{lot_name(lot.name)}: {beads(lot.bought.desiccant)}")
                for lot in inventory.lots.values()
            ],
            kinds=[(f"kind:{kind}", beads(kind)) for kind in calculators.desiccant_kinds()],
            chosen=typed(form, "source") or self._kind_in(box),
            holders=[(holder, say(words)) for holder, words in HOLDERS],
            states=[(state, say(words)) for state, words in CHARGE_STATES.items()],
            unit=self.site.words.mass_unit,
            told="" if told is None else _told(told, self.site.words),
        )

    def _box(self, form: Mapping[str, str]) -> str:
        return next((box.name for box in self.site.shelf.boxes if box.name == form.get("box")), "")

    def _kind_in(self, box: str) -> str:
        """Return the kind of beads that the box was last given, as its log says."""
        snapshot = self.site.keeper.newest
        answer = snapshot.answer(box) if snapshot and box else None
        told = answer.charge.desiccant if answer and answer.charge else None
        with suppress(SiccastError):  # two kinds side by side are none that could be weighed out
            return f"kind:{kind_of_beads(told)}" if told else ""
        return ""


def weigh_out(desk: Desk, site: Site, form: Mapping[str, str], now: datetime) -> str:
    """Keep the beads of the form as a charge, of a lot that is made up where only their kind was told; its name."""
    shelf, sure = site.shelf, form.get("sure") == "1"
    shown_g = needed(form, "weight", lambda text: quantities.mass_g(text, shelf), say("Weigh the beads."))
    tare_g = read(form, "tare", lambda text: quantities.tare_g(text, shelf)) or 0.0
    if shown_g <= tare_g:
        raise TypedError(say("with the holder they must weigh more than the empty holder"), field="weight")
    inventory = desk.inventory()
    name = needed(form, "name", quantities.name, say("Give them a name."))
    source, _, what = (typed(form, "source") or "").partition(":")
    if source not in {"lot", "kind"}:
        raise TypedError(say("choose which beads they are"), field="source")
    lot = what
    if source == "kind":
        kind = read({"source": what}, "source", kind_of_beads) or ""
        lot = unused_lot(inventory, kind)
        desk.keep(LotBought(lot, kind, shown_g - tare_g, now.astimezone(shelf.timezone).date()), now, confirmed=sure)
    state = typed(form, "state") or "unknown"
    if state not in CHARGE_STATES:
        raise TypedError(
            say("'{state}' is not valid: choose one of {names}", state=state, names=", ".join(CHARGE_STATES))
        )
    holder = typed(form, "holder") or ""
    if holder not in dict(HOLDERS):
        raise TypedError(say("choose what they sit in"), field="holder")
    event = ChargePortioned(name, lot, shown_g - tare_g, holder, tare_g or None, state)
    kind_of_lot = desk.inventory().lot(lot).bought.desiccant
    told = _told_of_them(desk, site, typed(form, "box") or "", kind_of_lot, now)
    doubt = unlike_its_log(told, event.mass_g) if told else None
    if doubt is not None and not sure:
        raise TrapError([doubt])
    if told is not None and doubt is None:
        event = replace(event, of_box=told.box, dry_mass_g=told.dry_mass_g, dried_g=told.dried_g)
    desk.keep(event, now, confirmed=sure)
    return name


def taken_back_with(desk: Desk, charge: Charge) -> list[int]:
    """Return the numbers of what is undone where a charge was weighed out by a slip, newest first.

    That is its weighing out, and the purchase that ``weigh_out`` made up for it, if nobody else has of that; none where
    more was logged of the charge since.
    """
    events = {each.event_id: each for each in desk.stores.events.events()}
    of_it = [events[number] for number in charge.events]
    if len(of_it) != 1 or not isinstance(of_it[0].event, ChargePortioned):
        return []
    others = [other.name for other in desk.inventory().charges.values() if other.lot == charge.lot]
    made_up = [
        each.event_id
        for each in events.values()
        if isinstance(each.event, LotBought)
        and each.event.lot == charge.lot
        and each.event.lot.startswith(each.event.desiccant)
        and each.at == of_it[0].at
        and others == [charge.name]
    ]
    return [of_it[0].event_id, *made_up]


def _told_of_them(desk: Desk, site: Site, box: str, kind: str, now: datetime) -> ToldByBox | None:
    """Return what the log of the box says of these beads; None where it says it of beads of another kind."""
    if not any(known.name == box for known in site.shelf.boxes):
        return None
    told = desk.told_of_beads(box, now)
    if told is None:
        return None
    with suppress(SiccastError):  # two kinds side by side are none that could be weighed out
        return told if kind_of_beads(told.kind) == kind else None
    return None


def _told(told: ToldByBox, words: Wording) -> str:
    dry = say("{mass} of {kind} when fully dry", mass=words.mass(told.dry_mass_g), kind=beads(told.kind))
    if told.dried_g is None:
        return dry
    return say("{dry}, {mass} after the last drying", dry=dry, mass=words.mass(told.dried_g))


def unused_name(inventory: Inventory, wish: str) -> str:
    """Return a name for a charge that none has yet."""
    return _unused(wish, inventory.charges)


def unused_lot(inventory: Inventory, kind: str) -> str:
    """Return a name for a lot of which only the kind is known."""
    return _unused(kind, inventory.lots)


def _unused(wish: str, taken: Mapping[str, object]) -> str:
    wish = wish[: LONGEST_NAME - 4]  # letters; judgement: room for a number
    names = (wish if count == 1 else f"{wish}-{count}" for count in range(1, 1000))
    return next(name for name in names if name not in taken)
