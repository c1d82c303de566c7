"""Before the heat: which beads, in which appliance; what it reaches today, and what to be careful of."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from http import HTTPStatus
from typing import TYPE_CHECKING

from starlette.responses import RedirectResponse
from starlette.routing import Route

from monitor.desk import cautions, compare_methods
from monitor.desk.methods import beads_of
from monitor.errors import LedgerError, SiccastError, TypedError, UnconfirmedError
from monitor.presentation import desk_input, quantities
from monitor.presentation.amounts import percent, sentence
from monitor.presentation.bead_wording import beads
from monitor.presentation.desk_amounts import room_source, time_spread, weighable_spread
from monitor.presentation.desk_wording import method_sentence, service_lines
from monitor.records import Quantiles
from monitor.records.declared import POWER_RANGE_W
from monitor.records.desk_events import APPLIANCE
from monitor.records.words import APPLIANCE_KINDS
from monitor.texts import say, to_say
from monitor.web.desk.asked import answered, question
from monitor.web.desk.charges import charge_address, lies, run_address
from monitor.web.desk.fields import Problem, as_typed, problem, read, typed
from monitor.web.desk.new_beads import taken_back_with
from monitor.web.forms import changes

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from starlette.requests import Request
    from starlette.responses import Response

    from monitor.desk import Desk, Method
    from monitor.desk.inventory import Charge
    from monitor.presentation.wording import Wording
    from monitor.records import Appliance
    from monitor.web.desk.asked import Question
    from monitor.web.site import Site

_START_ANYWAY = to_say("Start all the same")


@dataclass(frozen=True, slots=True)
class ApplianceCard:
    """What one appliance does with these beads today."""

    name: str
    heat: str
    leaves: str
    jar: str
    time: str
    work: str
    sentence: str
    services: Sequence[str]
    risks: Sequence[str]
    too_hot: bool


@dataclass(frozen=True, slots=True)
class BeginView:
    """The page on which an appliance is chosen."""

    name: str
    what: str
    where: str
    action: str
    room: str
    tare: str
    unit: str
    cards: Sequence[ApplianceCard]
    kinds: Mapping[str, str]
    cautions: Sequence[str]
    sheet: str
    busy: str
    """Address of the run that these beads are in already."""
    undo: str
    """Where a form leads that takes back that these beads were weighed out; '' where more was logged of them."""


@dataclass(eq=False)
class BeginPages:
    """Choose an appliance for a charge, and start."""

    site: Site

    def routes(self) -> Sequence[Route]:
        """Return the addresses."""
        return (
            Route("/desk/charge/{name:path}/start", changes(self.site.tokens, self.start), methods=["POST"]),
            Route("/desk/charge/{name:path}/undo", changes(self.site.tokens, self.take_back), methods=["POST"]),
            Route("/desk/charge/{name:path}", self.choose),
        )

    def choose(self, request: Request) -> Response:
        """Show what each appliance reaches with a charge."""
        return self._page(request.path_params["name"])

    def start(self, request: Request, form: Mapping[str, str]) -> Response:
        """Begin a run."""
        name, form = request.path_params["name"], answered(form)
        words, shelf, now = self.site.words, self.site.shelf, self.site.now()
        try:
            with self.site.writing() as stores:
                desk = self.site.desk(stores)
                tool = _appliance(desk, self.site, form)
                room = read(form, "room", lambda text: quantities.room(text, shelf))
                tare_g = read(form, "tare", lambda text: quantities.tare_g(text, shelf))
                with stores.events.transaction():
                    run = desk.start(name, tool, now, room=room, tare_g=tare_g, confirmed=form.get("sure") == "1")
            return RedirectResponse(run_address(run.name), status_code=HTTPStatus.SEE_OTHER)
        except UnconfirmedError as doubt:
            action = f"{charge_address(name)}/start"
            return self._page(name, form, asked=question(doubt, action, form, words, _START_ANYWAY))
        except SiccastError as error:
            return self._page(name, form, wrong=problem(error, words))

    def take_back(self, request: Request, _form: Mapping[str, str]) -> Response:
        """Undo that a charge was weighed out, where nothing else was logged of it."""
        name = request.path_params["name"]
        try:
            with self.site.writing() as stores, stores.events.transaction():
                desk = self.site.desk(stores)
                numbers = taken_back_with(desk, self._charge(desk, name))
                if not numbers:
                    raise LedgerError(say("more was logged of {charge} since it was weighed out", charge=name))
                for number in numbers:
                    desk.undo(number)
            return RedirectResponse("/desk", status_code=HTTPStatus.SEE_OTHER)
        except SiccastError as error:
            return self._page(name, wrong=problem(error, self.site.words))

    def _charge(self, desk: Desk, name: str) -> Charge:
        try:
            return desk.inventory().active_charge(name)
        except LedgerError:
            raise self.site.not_found(say("There are no beads of this name at the desk.")) from None

    def _page(
        self,
        name: str,
        form: Mapping[str, str] | None = None,
        *,
        asked: Question | None = None,
        wrong: Problem | None = None,
    ) -> Response:
        with self.site.reading() as stores:
            desk = self.site.desk(stores)
            view = begin_view(desk, self.site, self._charge(desk, name))
        slip = bool(asked or wrong)
        return self.site.page(
            "desk_begin.html",
            status=HTTPStatus.BAD_REQUEST if slip else HTTPStatus.OK,
            snapshot=self.site.keeper.newest,
            view=view,
            typed=as_typed(form or {}),
            asked=asked,
            wrong=wrong,
        )


def begin_view(desk: Desk, site: Site, charge: Charge) -> BeginView:
    """Return what each declared appliance does with a charge in the room as it is."""
    words, inventory = site.words, desk.inventory()
    air, known_from = desk.room(site.now())
    methods = compare_methods(inventory, desk.appliances, desk.boxes, air, of=charge.name)
    kind = beads_of(inventory, charge.name)
    busy = next((run.name for run in inventory.runs.values() if run.open and run.start.charge == charge.name), "")
    return BeginView(
        name=charge.name,
        what=say("{mass} of {kind}", mass=words.mass(charge.mass_g), kind=beads(kind.kind)),
        where=lies(charge, [box.name for box in desk.boxes]),
        action=f"{charge_address(charge.name)}/start",
        room=say(
            "{temperature}, {humidity} RH ({source})",
            temperature=words.temperature(air.temperature_degc),
            humidity=percent(air.relative_humidity),
            source=room_source(known_from),
        ),
        tare=tare_typed(charge.tare_g or 0.0, words),
        unit=words.mass_unit,
        cards=[_card(method, words) for method in methods],
        kinds={kind: say(words) for kind, words in APPLIANCE_KINDS.items()},
        cautions=[words.in_own_units(c.text) for c in cautions.before_heating(kind, "", charge.holder)],
        sheet=say(cautions.SHEET),
        undo=f"{charge_address(charge.name)}/undo" if taken_back_with(desk, charge) else "",
        busy=run_address(busy) if busy and charge.place.startswith(APPLIANCE) else "",
    )


def tare_typed(grams: float, words: Wording) -> str:
    """Return a mass as a person would type it, in the unit of the shelf."""
    return "0" if grams == 0.0 else words.weight(grams).split()[0].removesuffix(".0")


def _card(method: Method, words: Wording) -> ApplianceCard:
    it = method.reach
    left_g = Quantiles(*(max(share, 0.0) * method.dry_mass_g for share in _points(it.end_g_per_g)))
    return ApplianceCard(
        name=it.method,
        heat="" if it.temperature_degc is None else words.heat(it.temperature_degc),
        leaves=say("about {mass} of water stays", mass=weighable_spread(left_g, words)),
        jar=""
        if it.jar_relative_humidity is None
        else say("{humidity} RH", humidity=percent(it.jar_relative_humidity, 1)),
        time=time_spread(it.time_s),
        work=say("{count} min", count=it.hands_on_min),
        sentence=method_sentence(method),
        services=service_lines(method.services, words),
        risks=[words.in_own_units(sentence(risk)) for risk in method.risks],
        too_hot=it.over_ceiling,
    )


def _points(values: Quantiles) -> tuple[float, float, float]:
    return values.p05, values.p50, values.p95


def _appliance(desk: Desk, site: Site, form: Mapping[str, str]) -> Appliance:
    """Return the declared appliance of the button, or the one that was typed."""
    power_w = read(form, "power", _power_w)
    other = typed(form, "other")
    if typed(form, "appliance") is None:
        named = partial(desk_input.appliance, desk, site.shelf, kind=typed(form, "kind") or "other")
        tool = read(form, "other", named)
        if tool is None:
            raise TypedError(say("choose an appliance, or give the name of another one"))
    else:
        other = form["appliance"]
        tool = desk.appliance(other)
    kind = None if any(tool.name == one.name for one in desk.appliances) else tool.kind
    warm = partial(desk_input.appliance, desk, site.shelf, tool.name, kind=kind, power_w=power_w)
    return read(form, "temperature", lambda text: warm(temperature=text)) or warm()


def _power_w(text: str) -> float:
    low, high = POWER_RANGE_W
    try:
        value = quantities.number(text)
    except ValueError:
        value = float("nan")
    if not low <= value <= high:
        raise TypedError(
            say(
                "'{text}' is not a power. Write it in W, from {low} to {high}",
                text=text,
                low=f"{low:g}",
                high=f"{high:g}",
            )
        )
    return value
