"""The addresses of the house: what is heard and what isn't well, adopting a box, trying messages again, labels."""

from __future__ import annotations

from dataclasses import dataclass
from http import HTTPStatus
from typing import TYPE_CHECKING

from starlette.responses import RedirectResponse
from starlette.routing import Route

from monitor.services import broker_check, site_check
from monitor.services.reread_rejected import try_again
from monitor.services.site_check import Finding, Severity
from monitor.store.listener_lock import listeners
from monitor.texts import say
from monitor.web.forms import changes
from monitor.web.house import labels, new_box, view
from monitor.web.house.new_box import NewBox

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from datetime import datetime

    from starlette.requests import Request
    from starlette.responses import Response

    from monitor.settings import Shelf
    from monitor.store.opening import Stores
    from monitor.web.site import Site

_REJECTED_SHOWN = 20  # messages; judgement: a screenful, as the command lists


@dataclass(eq=False)
class HousePages:
    """The house of one shelf."""

    site: Site

    def routes(self) -> Sequence[Route]:
        """Return the addresses."""
        post = ["POST"]
        return (
            Route("/house", self.house, name="house"),
            Route("/house/labels", self.labels, name="labels"),
            Route("/house/adopt", changes(self.site.tokens, self.adopt), methods=post),
            Route("/house/add", changes(self.site.tokens, self.add), methods=post),
            Route("/house/try-again", changes(self.site.tokens, self.try_again), methods=post),
        )

    def house(self, request: Request) -> Response:
        """Show the house; ``check=all`` asks broker and database, too, which takes some seconds."""
        return self._page(everything=request.query_params.get("check") == "all", said=_said(request.query_params))

    def adopt(self, _request: Request, form: Mapping[str, str]) -> Response:
        """Declare a box that was heard."""
        return self._declare(form, unheard=False)

    def add(self, _request: Request, form: Mapping[str, str]) -> Response:
        """Declare a box that no sensor sends for."""
        return self._declare(form, unheard=True)

    def _declare(self, form: Mapping[str, str], *, unheard: bool) -> Response:
        done = new_box.declare(self.site, form.get("box", ""), form, unheard=unheard)
        if isinstance(done, NewBox):
            return self._page(refused=done, status=HTTPStatus.BAD_REQUEST)
        return new_box.to_its_page(done.box)

    def try_again(self, _request: Request, _form: Mapping[str, str]) -> Response:
        """Read rejected messages again, by the shelf file and the clock of now."""
        shelf = self.site.shelf
        with self.site.writing() as stores:
            found = try_again(
                stores.readings, stores.ledger, shelf.feeds,
                site=shelf.site, moves=shelf.moves, now=self.site.now(), alone=stores.events.transaction,
            )  # fmt: skip
        return RedirectResponse(f"/house?tried={found.tried}&taken={found.taken_in}", HTTPStatus.SEE_OTHER)

    def labels(self, request: Request) -> Response:
        """Show labels to be printed, each with a code that opens the page of its box."""
        given = request.query_params.get("address", "").strip()
        address = given or f"{request.url.scheme}://{request.url.netloc}"
        problem = labels.problem_of(address)
        return self.site.page(
            "labels.html",
            snapshot=None,
            status=HTTPStatus.BAD_REQUEST if problem else HTTPStatus.OK,
            labels=[] if problem else labels.labels(self.site.shelf.boxes, address),
            address=address,
            problem=problem,
            stays_here=not problem and labels.stays_here(address),
        )

    def _page(
        self, *, everything: bool = False, said: str = "", refused: NewBox | None = None, status: int = HTTPStatus.OK
    ) -> Response:
        site, shelf, now, words = self.site, self.site.shelf, self.site.now(), self.site.words
        with site.reading() as stores:
            latest, inventory = stores.readings.latest(), site.desk(stores).inventory()
            found = view.looks(self._findings(stores, shelf, now, everything=everything), words, shelf, latest)
            messages, ever = stores.ledger.rejected(_REJECTED_SHOWN), stores.ledger.rejected_count()
        heard = view.heard(latest, shelf, now, words)
        new = [each for each in heard if each.place == "new"]
        with_a_button = {each.name for each in new}
        found = [look for look in found if look.subject not in with_a_button]
        needing = [look for look in found if look.sign != view.SIGNS[Severity.well]]
        offered = new_box.offered(shelf.folder, [each.name for each in new])
        if refused and refused.name in offered:
            offered[refused.name], refused = refused, None
        shown = view.HouseView(
            headline=view.headline(needing, heard),
            needing=needing,
            well=[look for look in found if look not in needing],
            everything=everything,
            heard=heard,
            new=new,
            offered=offered,
            without_sensor=refused or new_box.without_sensor(),
            rejected=view.rejected(messages, now, words),
            rejected_ever=ever,
            appliances=view.appliances(shelf.appliances, words),
            lots=view.lots(inventory, words),
            charges=view.charges(inventory, words),
            odds=view.odds(inventory, words),
        )
        return site.page("house.html", snapshot=site.keeper.newest, status=status, view=shown, said=said)

    def _findings(self, stores: Stores, shelf: Shelf, now: datetime, *, everything: bool) -> Iterator[Finding]:
        yield from site_check.check_files(shelf.folder, shelf.database_path, shelf.doubts)
        yield from site_check.check_at_hand(stores.readings, stores.ledger, shelf.boxes, now)
        broker: list[Finding] = []
        if everything:
            yield from site_check.check_store(stores.upkeep)
            if shelf.broker:
                broker = list(broker_check.check_broker(shelf.broker, shelf.site, now))
                yield from broker
        there = listeners(shelf.folder)
        by_hand = not there and site_check.needs_no_listener(stores.readings.latest(), shelf.boxes)
        if shelf.recorded_until is None and not by_hand:
            yield from site_check.check_listener(there, broker)
        if snapshot := self.site.keeper.newest:
            found = site_check.check_estimates(snapshot.answers)
            yield from (finding for finding in found if finding.verdict is not Severity.look)  # boxes have their page


def _said(asked: Mapping[str, str]) -> str:
    """Return what was just done, from the address that the deed led to."""
    if asked.get("tried", "").isdecimal() and asked.get("taken", "").isdecimal():
        tried, taken = int(asked["tried"]), int(asked["taken"])
        return say(
            "Tried {tried} messages again: {taken} can be read now, {left} still can't.",
            tried=tried,
            taken=taken,
            left=tried - taken,
        )
    return ""
