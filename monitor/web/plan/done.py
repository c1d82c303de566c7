"""'It is done': how it was, so that the log knows; a plan alone makes no beads dry."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from http import HTTPStatus
from typing import TYPE_CHECKING
from urllib.parse import urlencode

from starlette.responses import RedirectResponse
from starlette.routing import Route

from monitor.errors import SiccastError, TypedError, UnconfirmedError
from monitor.presentation.clock import utc_now
from monitor.presentation.log_input import typed_entry
from monitor.presentation.plan_wording import HEAT_CAUTION
from monitor.records import DecisionKind, EntryKind, PlanDecision
from monitor.texts import say
from monitor.web.box.deeds import in_page_words, time_of
from monitor.web.box.log_view import DeedsView, Known, Sent, deeds
from monitor.web.forms import changes
from monitor.web.told import SAVED

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from starlette.requests import Request
    from starlette.responses import Response

    from monitor.records import Assessment, LedgerEntry
    from monitor.web.site import Site

HERE = "/plan/done"
_DEED = "recharge"
"""What the form logs, as the page of a box calls it."""
_WHEN = ("when", "on", "at")


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
        return self._page(self._answer(request.query_params), request.query_params.get("on", ""))

    def log(self, _request: Request, form: Mapping[str, str]) -> Response:
        """Log the recharge through the same checks as everywhere.

        The plan remembers nothing of it: the entry settles what was decided, and no longer does once it is undone.
        """
        answer = self._answer(form)
        try:
            with self.site.writing_of(answer.box.name) as stores:
                entry = self._entry(form, answer.box.name)
                number = self.site.desk(stores).log(entry, confirmed=form.get("sure") == "1")
        except UnconfirmedError as error:
            sent = Sent(_DEED, form, str(error), doubted=True)
        except TypedError as error:
            sent = Sent(_DEED, form, str(error), error.field)
        except SiccastError as error:
            sent = Sent(_DEED, form, str(error))
        else:
            return _to_plan(f"?{urlencode({SAVED: number})}#notices")
        sent = replace(sent, problem=self.site.words.in_own_units(in_page_words(sent.problem)))
        return self._page(answer, form.get("day", ""), sent)

    def later(self, _request: Request, form: Mapping[str, str]) -> Response:
        """Remember that a person says it is done; the plan asks on until it is logged."""
        answer, on = self._answer(form), self._day(form.get("on", ""))
        with self.site.writing_of(answer.box.name) as stores:
            stores.plan_decisions.keep(PlanDecision(DecisionKind.done, on, answer.box.name), utc_now())
        return _to_plan()

    def _entry(self, form: Mapping[str, str], box: str) -> LedgerEntry:
        if not any(form.get(field, "").strip() for field in _WHEN):
            raise TypedError(say("Choose when the box was closed again"), field="at")
        method, mass, holder = (form.get(key, "").strip() or None for key in ("method", "mass", "holder"))
        if method and method not in dict(self._forms(box).methods):
            raise TypedError(say("Choose how the beads were dried"), field="method")
        shelf, now = self.site.shelf, self.site.now()
        return typed_entry(
            shelf, EntryKind.recharge, box, now, at=time_of(form, now), method=method, mass=mass, holder=holder
        )

    def _answer(self, form: Mapping[str, str]) -> Assessment:
        snapshot = self.site.keeper.newest
        answer = snapshot.answer(form.get("box", "")) if snapshot else None
        if answer is None:
            raise self.site.not_found(say("There is no box of this name."))
        return answer

    def _day(self, typed: str) -> date:
        """Return the day it was planned for; today where that is no day."""
        try:
            return date.fromisoformat(typed)
        except ValueError:
            return self.site.words.local_day(self.site.now())

    def _forms(self, box: str, sent: Sent | None = None) -> DeedsView:
        with self.site.reading() as stores:
            known = Known(stores.ledger.entries(box), self.site.shelf.appliances)
        return deeds(known, self.site.now(), self.site.words, sent)

    def _page(self, answer: Assessment, day: str, sent: Sent | None = None) -> Response:
        """Ask how; of a day that is past it is not supposed that the box was closed just now."""
        on, forms = self._day(day), self._forms(answer.box.name, sent)
        if on < self.site.words.local_day(self.site.now()):
            forms = replace(forms, known={**forms.known, "when": ""})
        return self.site.page(
            "plan_done.html",
            snapshot=self.site.keeper.newest,
            status=HTTPStatus.BAD_REQUEST if sent else HTTPStatus.OK,
            box=answer.box.name,
            has_beads=answer.charge is not None,
            on=on.isoformat(),
            deeds=forms,
            sent=sent,
            caution=say(HEAT_CAUTION),
        )


def _to_plan(told: str = "") -> Response:
    return RedirectResponse(f"/plan{told}", status_code=HTTPStatus.SEE_OTHER)
