"""The addresses of one box."""

from __future__ import annotations

from dataclasses import dataclass, field
from http import HTTPStatus
from typing import TYPE_CHECKING
from urllib.parse import quote, urlencode

from starlette.concurrency import run_in_threadpool
from starlette.responses import JSONResponse, RedirectResponse
from starlette.routing import Route

from monitor.records import BoxState
from monitor.texts import say
from monitor.web.box import log_view, view
from monitor.web.box.course import read_course
from monitor.web.box.deeds import Deeds, to_box
from monitor.web.box.heard import HeardForm, unheard
from monitor.web.box.question import Asker
from monitor.web.box.sizing import Sizer
from monitor.web.forms import changes
from monitor.web.house import new_box
from monitor.web.house.new_box import NewBox
from monitor.web.told import told

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from starlette.requests import Request
    from starlette.responses import Response

    from monitor.web.box.log_view import Sent
    from monitor.web.site import Site
    from monitor.web.snapshot import Snapshot

_CHANGED = "changed"
_RENAMED = "was-called"
"""What an address says that was led on from an old name."""


@dataclass(eq=False)
class BoxPages:
    """The page of a box."""

    site: Site
    asker: Asker = field(init=False)
    sizer: Sizer = field(init=False)
    deeds: Deeds = field(init=False)

    def __post_init__(self) -> None:
        self.asker = Asker(self.site)
        self.sizer = Sizer(self.site, self.asker.supposing)
        self.deeds = Deeds(self.site, self._page)

    def routes(self) -> Sequence[Route]:
        """Return the addresses."""
        return (
            *self.deeds.routes(),
            *HeardForm(self.site).routes(),
            Route("/box/{name:path}/adopt", changes(self.site.tokens, self.adopt), methods=["POST"]),
            Route("/box/{name:path}/adopt", to_box, methods=["GET"]),
            Route("/box/{name:path}/change", changes(self.site.tokens, self.change), methods=["POST"]),
            Route("/box/{name:path}/change", to_box, methods=["GET"]),
            Route("/box/{name:path}/what-if", self.what_if),
            Route("/box/{name:path}", self.box, name="box"),
        )

    async def box(self, request: Request) -> Response:
        """Show one box; where something is supposed, this takes long."""
        is_asked = self.asker.is_asked(request.query_params) or self.sizer.is_asked(request.query_params)
        run = self.site.work.run if is_asked else run_in_threadpool
        return await run(self._page, request, request.path_params["name"])

    def adopt(self, request: Request, form: Mapping[str, str]) -> Response:
        """Declare a box that was heard, from its own page."""
        done = new_box.declare(self.site, request.path_params["name"], form, unheard=False)
        if isinstance(done, NewBox):
            return self._page(request, done.name, status=HTTPStatus.BAD_REQUEST, new=done)
        return new_box.to_its_page(done.box)

    def change(self, request: Request, form: Mapping[str, str]) -> Response:
        """Change volume and limit of a box."""
        box = next((box for box in self.site.shelf.boxes if box.name == request.path_params["name"]), None)
        if box is None:
            raise self.site.not_found(say("There is no box of this name."))
        refused = new_box.change(self.site, box, form)
        if refused:
            return self._page(request, box.name, status=HTTPStatus.BAD_REQUEST, new=refused)
        return RedirectResponse(f"/box/{quote(box.name, safe='')}?{_CHANGED}=1", HTTPStatus.SEE_OTHER)

    async def what_if(self, request: Request) -> Response:
        """Answer a script what would be, while somebody moves a value."""
        return await self.site.work.run(self._supposed, request)

    def _supposed(self, request: Request) -> Response:
        snapshot = self.site.keeper.newest
        answer = snapshot.answer(request.path_params["name"]) if snapshot is not None else None
        if snapshot is None or answer is None:
            raise self.site.not_found(say("There is no box of this name."))
        asked = self.asker.view(request.query_params, snapshot, answer, self.site.words)
        told = {name: getattr(asked, name) for name in ("supposing", "verdict", "rows", "drawn", "problem")}
        status = HTTPStatus.BAD_REQUEST if asked.problem_at else HTTPStatus.OK
        return JSONResponse({**told, "at": asked.problem_at}, status)

    def _page(
        self,
        request: Request,
        name: str,
        sent: Sent | None = None,
        status: int = HTTPStatus.OK,
        new: NewBox | None = None,
    ) -> Response:
        """Show one box, with a form that could not be saved as it was ``sent``."""
        snapshot = self.site.keeper.newest
        if snapshot is None:
            return self.site.waiting()
        answer = snapshot.answer(name)
        declared = {box.name: box for box in self.site.shelf.boxes}
        if answer is None:
            return self.site.waiting() if name in declared else self._renamed(snapshot, name)
        words = self.site.words
        with self.site.reading() as stores:
            before = request.query_params.get(_RENAMED, "")
            was_called = before if before and stores.boxes.renamed_to(before) == name else ""
            course = read_course(stores, answer.box.name, snapshot.as_of)
            known = self.deeds.known(stores, name, request)
            words_out = unheard(stores, name) if self.site.shelf.routes else []
        asked = self.asker.view(request.query_params, snapshot, answer, words)
        is_new = answer.state is BoxState.undeclared and name not in declared
        size = self.sizer.view(request.query_params, snapshot, answer, words)
        return self.site.page(
            "box.html",
            status=HTTPStatus.BAD_REQUEST if asked.problem_at or size.problem_at else status,
            view=view.view(snapshot, answer, course, self.site.keeper.leak_line(snapshot, answer), words),
            asked=asked,
            size=size,
            deeds=log_view.deeds(known, self.site.now(), words, sent, request.query_params.get("log", "")),
            log=log_view.rows(known, words),
            told=told(self.site, request, name),
            declared=(new or new_box.declared_as(declared[name])) if name in declared else None,
            changed=_CHANGED in request.query_params and name in declared,
            may_adopt=(new or new_box.offered(self.site.shelf.folder, [name])[name]) if is_new else None,
            adopted="adopted" in request.query_params and name in declared,
            unheard=words_out,
            was_called=was_called,
            snapshot=snapshot,
        )

    def _renamed(self, snapshot: Snapshot, old: str) -> Response:
        """Lead on from a label or a bookmark with an old name."""
        with self.site.reading() as stores:
            new = stores.boxes.renamed_to(old)
        if new is None or snapshot.answer(new) is None:
            raise self.site.not_found(say("There is no box of this name."))
        return RedirectResponse(f"/box/{quote(new, safe='')}?{urlencode({_RENAMED: old})}", HTTPStatus.SEE_OTHER)
