"""A run on the page: looked at, and weighed, timed, corrected, finished and put into a box by plain forms."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import partial
from http import HTTPStatus
from typing import TYPE_CHECKING

from starlette.responses import RedirectResponse
from starlette.routing import Route

from monitor.desk.traps import too_long
from monitor.errors import SiccastError, TypedError, UnconfirmedError
from monitor.presentation import desk_input, quantities
from monitor.texts import say, to_say
from monitor.web.desk import deeds
from monitor.web.desk.asked import answered, question
from monitor.web.desk.charges import run_address
from monitor.web.desk.fields import Problem, as_typed, problem
from monitor.web.desk.fits import Fits
from monitor.web.desk.run_view import run_view
from monitor.web.desk.timing import Moment
from monitor.web.forms import changes

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from starlette.requests import Request
    from starlette.responses import Response

    from monitor.desk.inventory import Run
    from monitor.web.desk.asked import Question
    from monitor.web.site import Site

_LONGEST_NUMBER = 20  # letters; judgement: longer than any minutes
_ANYWAY = {
    "timer": to_say("Start the timer all the same"),
    "move": to_say("Start all the same"),
    "put": to_say("Put them in all the same"),
    "rescale": to_say("It is right: change all weighings"),
}
"""How a doubt is passed over, where 'It is right: save it' would not be the word."""


@dataclass(eq=False)
class RunPages:
    """The page of a run and the deeds on it."""

    site: Site
    fits: Fits = field(default_factory=Fits)

    def routes(self) -> Sequence[Route]:
        """Return the addresses."""
        site, run = self.site, "/desk/run/{name:path}"
        posts = [
            Route(f"{run}/{deed}", changes(site.tokens, partial(self._do, deed), site.work.run), methods=["POST"])
            for deed in deeds.DEEDS
        ]
        return (
            *posts,
            Route(run, self.look, methods=["GET"]),
        )

    async def look(self, request: Request) -> Response:
        """Show a run; its curve may have to be fitted."""
        return await self.site.work.run(self._look, request)

    def _look(self, request: Request) -> Response:
        query = request.query_params
        return self._page(
            request.path_params["name"],
            step=query.get("step", ""),
            after=query.get("after", ""),
            minutes=query.get("minutes", "")[:_LONGEST_NUMBER],
        )

    def _do(self, deed: str, request: Request, form: Mapping[str, str]) -> Response:
        name, form = request.path_params["name"], answered(form)
        words = self.site.words
        try:
            with self.site.writing() as stores, stores.events.transaction():
                desk = self.site.desk(stores)
                at = deeds.At(self.site.shelf, self.site.now(), self.site.keeper.clock(), words)
                then = deeds.DEEDS[deed](desk, _run(self.site, desk.inventory().runs, name), form, at)
            return RedirectResponse(then, status_code=HTTPStatus.SEE_OTHER)
        except deeds.MeanwhileError as meanwhile:
            asked = meanwhile.question(f"{run_address(name)}/{deed}", form)
            return self._page(name, form=form, asked=asked, deed=deed)
        except UnconfirmedError as doubt:
            asked = question(doubt, f"{run_address(name)}/{deed}", form, words, _ANYWAY.get(deed, ""))
            return self._page(name, form=form, asked=asked, deed=deed)
        except SiccastError as error:
            return self._page(name, form=form, wrong=problem(error, words), deed=deed)

    def _page(
        self,
        name: str,
        *,
        step: str = "",
        after: str = "",
        minutes: str = "",
        form: Mapping[str, str] | None = None,
        asked: Question | None = None,
        wrong: Problem | None = None,
        deed: str = "",
    ) -> Response:
        site, form = self.site, form or {}
        if deed == "weigh":
            after = form.get("after", "")
        at = Moment(
            site.now(), site.keeper.clock(), site.words, site.keeper.newest, site.shelf.recorded_until is not None
        )
        with site.reading() as stores:
            desk, events = site.desk(stores), stores.events.events()
            inventory = desk.inventory()
            run = _run(site, inventory.runs, name)
            after, doubt, slip = _after(run, after)
            wrong = wrong or slip
            curve = self.fits.curve(desk, inventory, run, events) if run.weighings else None
            view = run_view(
                desk,
                run,
                events,
                curve,
                at,
                step="minutes" if slip else step,
                after=after,
                too_long=doubt,
                minutes_typed=minutes or form.get("minutes", ""),
            )
        return site.page(
            "desk_run.html",
            status=HTTPStatus.BAD_REQUEST if asked or wrong else HTTPStatus.OK,
            snapshot=at.snapshot,
            view=view,
            typed=as_typed(form),
            asked=asked,
            wrong=wrong,
            deed=deed or ("minutes" if slip else ""),
        )


def _run(site: Site, runs: Mapping[str, Run], name: str) -> Run:
    if name not in runs:
        raise site.not_found(say("There is no run of this name. It may have been discarded."))
    return runs[name]


def _after(run: Run, after: str) -> tuple[str, str, Problem | None]:
    """Return the minutes of an address where they can be read, and what is doubtful or wrong about them."""
    if not after or not run.open:
        return "", "", None
    try:
        more_s = quantities.heating_s(after)
    except TypedError as error:
        return "", "", Problem(f"{error}.", "after")
    doubts = too_long(run, desk_input.heated_so_far_s(run) + more_s)
    return after, " ".join(f"{trap.plain or trap.text}".rstrip(".") for trap in doubts), None
