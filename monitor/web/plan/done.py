"""'It is done': how it was, so that the log knows; a plan alone makes no beads dry."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from http import HTTPStatus
from typing import TYPE_CHECKING
from urllib.parse import urlencode

from starlette.responses import RedirectResponse
from starlette.routing import Route

from monitor.errors import SiccastError, TypedError, UnconfirmedError
from monitor.presentation import moments, quantities
from monitor.presentation.clock import utc_now
from monitor.presentation.plan_wording import HEAT_CAUTION
from monitor.presentation.wording import METHODS
from monitor.records import DecisionKind, EntryKind, LedgerEntry, PlanDecision
from monitor.web.forms import changes

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from starlette.requests import Request
    from starlette.responses import Response

    from monitor.records import Assessment
    from monitor.web.site import Site

HERE = "/plan/done"
_HALF_A_DAY = timedelta(hours=12)
"""Noon of a day is never off by more; a judgement: who logs a day late knows no better, or types it."""
_METHOD_OF = {
    "oven": "oven_120C_3h",
    "microwave": "microwave",
    "filament_dryer": "hot_air_65C",
    "print_bed": "print_bed",
}
"""How an appliance of a kind dries, in the words of the log."""


@dataclass(frozen=True, slots=True)
class Asked:
    """The form as it stands, with what is wrong with it."""

    box: str
    on: str
    has_beads: bool
    methods: Sequence[tuple[str, str, bool]]
    at: str
    mass: str
    at_wrong: str = ""
    mass_wrong: str = ""
    question: str = ""
    """What is asked before it is saved."""
    wrong: str = ""


@dataclass(eq=False)
class DonePage:
    """Asks how a box was dried, and logs it."""

    site: Site

    def routes(self) -> Sequence[Route]:
        """Return the addresses."""
        return (
            Route(HERE, self.ask, methods=["GET"]),
            Route(HERE, changes(self.site.tokens, self.log), methods=["POST"]),
            Route(f"{HERE}/later", changes(self.site.tokens, self.later), methods=["POST"]),
        )

    def ask(self, request: Request) -> Response:
        """Ask how."""
        return self._page(request.query_params, HTTPStatus.OK)

    def log(self, _request: Request, form: Mapping[str, str]) -> Response:
        """Log the recharge through the same checks as everywhere, and remember that it was the plan's."""
        now, shelf = self.site.now(), self.site.shelf
        answer, wrong = self._answer(form), dict[str, str]()
        at, mass_g = now, None
        try:
            at = moments.instant(form.get("at", "").strip() or None, shelf.timezone, now)
        except TypedError as error:
            wrong["at_wrong"] = f"{error}."
        try:
            typed = form.get("mass", "").strip()
            mass_g = quantities.mass_g(typed, shelf) if typed else None
        except SiccastError as error:
            wrong["mass_wrong"] = f"{error}."
        method = form.get("method", "")
        if method not in METHODS:
            wrong["wrong"] = "Choose how the beads were dried."
        if wrong:
            return self._page(form, HTTPStatus.BAD_REQUEST, **wrong)
        entry = LedgerEntry(EntryKind.recharge, answer.box.name, at, mass_g=mass_g, method=method)
        try:
            with self.site.writing() as stores, stores.events.transaction():
                stores.plan_decisions.keep(self._claim(form), utc_now())
                self.site.desk(stores).log(entry, confirmed=form.get("sure") == "1")
        except UnconfirmedError as error:
            return self._page(form, question=self.site.words.in_own_units(str(error)))
        except SiccastError as error:
            return self._page(form, wrong=f"{error}.")
        return _to_plan(logged=answer.box.name)

    def later(self, _request: Request, form: Mapping[str, str]) -> Response:
        """Remember that a person says it is done; the plan asks on until it is logged."""
        self._answer(form)
        with self.site.writing() as stores:
            stores.plan_decisions.keep(self._claim(form), utc_now())
        return _to_plan()

    def _answer(self, form: Mapping[str, str]) -> Assessment:
        snapshot = self.site.keeper.newest
        answer = snapshot.answer(form.get("box", "")) if snapshot else None
        if answer is None:
            raise self.site.not_found("There is no box of this name.")
        return answer

    def _claim(self, form: Mapping[str, str]) -> PlanDecision:
        return PlanDecision(DecisionKind.done, self._on(form), form["box"])

    def _on(self, form: Mapping[str, str]) -> date:
        """Return the day it was planned for; today where that is no day."""
        today = self.site.words.local_day(self.site.now())
        try:
            return date.fromisoformat(form.get("on", ""))
        except ValueError:
            return today

    def _page(self, form: Mapping[str, str], status: HTTPStatus = HTTPStatus.BAD_REQUEST, **wrong: str) -> Response:
        answer, shelf = self._answer(form), self.site.shelf
        usual = _METHOD_OF.get(shelf.appliances[0].kind, "")
        method = form.get("method", usual)
        asked = Asked(
            box=answer.box.name,
            on=self._on(form).isoformat(),
            has_beads=answer.charge is not None,
            methods=[(name, words, name == method) for name, words in METHODS.items()],
            at=form.get("at", self._when(self._on(form))),
            mass=form.get("mass", ""),
            **wrong,
        )
        return self.site.page(
            "plan_done.html", snapshot=self.site.keeper.newest, status=status, asked=asked, caution=HEAT_CAUTION
        )

    def _when(self, on: date) -> str:
        """Return the time that the form suggests: the planned day where it is past, else now."""
        now = self.site.now().astimezone(self.site.shelf.timezone)
        noon = datetime.combine(on, time.min, self.site.shelf.timezone) + _HALF_A_DAY
        return f"{(now if noon > now - _HALF_A_DAY else noon):%Y-%m-%d %H:%M}"


def _to_plan(**told: str) -> Response:
    return RedirectResponse(f"/plan?{urlencode(told)}", status_code=HTTPStatus.SEE_OTHER)
