"""What the charts of a box are made of, at addresses of their own: numbers of a view, drawings, tables."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from starlette.responses import Response, StreamingResponse
from starlette.routing import Route

from monitor.texts import say
from monitor.web.box.course import read_course
from monitor.web.box.downloads import attachment, outlook_table, readings_table
from monitor.web.box.humidity_picture import SPANS_DAYS, Asked, humidity_picture
from monitor.web.box.leak_picture import leak_picture
from monitor.web.box.numbers import as_json, numbers
from monitor.web.box.view import top_of
from monitor.web.box.views import View

if TYPE_CHECKING:
    from collections.abc import Sequence

    from starlette.requests import Request

    from monitor.records import Assessment
    from monitor.web.box.course import Course
    from monitor.web.site import Site
    from monitor.web.snapshot import Snapshot

_SVG, _CSV = "image/svg+xml", "text/csv; charset=utf-8"


@dataclass(eq=False)
class ChartPages:
    """Numbers, drawings and tables of a box."""

    site: Site

    def routes(self) -> Sequence[Route]:
        """Return the addresses; they stand before that of the box itself, which takes any name."""
        return (
            Route("/box/{name:path}/numbers", self.numbers),
            Route("/box/{name:path}/humidity.svg", self.humidity),
            Route("/box/{name:path}/leak.svg", self.leak),
            Route("/box/{name:path}/readings.csv", self.readings),
            Route("/box/{name:path}/outlook.csv", self.outlook),
        )

    def numbers(self, request: Request) -> Response:
        """Give the numbers of a view, with those of the room where they are asked for."""
        snapshot, answer = self._found(request)
        asked, course = self._asked(request), self._course(answer, snapshot)
        found = numbers(
            asked.view, answer, course, self.site.words, top_of(snapshot), with_room=asked.with_room
        )  # fmt: skip
        return Response(as_json(found), media_type="application/json")

    def humidity(self, request: Request) -> Response:
        """Draw the chart of humidity."""
        snapshot, answer = self._found(request)
        asked, words = self._asked(request), self.site.words
        picture = humidity_picture(asked, answer, self._course(answer, snapshot), words, top_of(snapshot))
        return self._drawing("humidity.svg", answer, p=picture, view=asked.view, as_of=words.moment(answer.as_of))

    def leak(self, request: Request) -> Response:
        """Draw the leak line."""
        snapshot, answer = self._found(request)
        words = self.site.words
        picture = leak_picture(answer, self.site.keeper.leak_line(snapshot, answer), words)
        if picture is None:
            raise self.site.not_found(say("There is no leak line of this box."))
        return self._drawing("leak.svg", answer, p=picture, as_of=words.moment(answer.as_of))

    def readings(self, request: Request) -> Response:
        """Give all readings as a table, in portions."""
        _, answer = self._found(request)
        name = answer.box.name
        rows = readings_table(self.site.reading, name, self.site.now())
        return StreamingResponse(rows, media_type=_CSV, headers=attachment(name, "readings", "csv"))

    def outlook(self, request: Request) -> Response:
        """Give the fan day by day as a table."""
        _, answer = self._found(request)
        name = answer.box.name
        table = outlook_table(name, answer.forecast)
        return Response(table, media_type=_CSV, headers=attachment(name, "outlook", "csv"))

    def _found(self, request: Request) -> tuple[Snapshot, Assessment]:
        snapshot = self.site.keeper.newest
        answer = snapshot.answer(request.path_params["name"]) if snapshot else None
        if snapshot is None or answer is None:
            raise self.site.not_found(say("There is no box of this name."))
        return snapshot, answer

    def _asked(self, request: Request) -> Asked:
        """What of a chart is asked for; what makes no sense counts as nothing said."""
        typed = request.query_params
        view = typed.get("view", "")
        days = typed.get("days", "")
        return Asked(
            view=View(view) if view in set(View) else View.humidity,
            days_back=next((span for span in SPANS_DAYS if str(span) == days), Asked().days_back),
            with_room=typed.get("room") == "1",
        )

    def _course(self, answer: Assessment, snapshot: Snapshot) -> Course:
        with self.site.reading() as stores:
            return read_course(stores, answer.box.name, snapshot.as_of)

    def _drawing(self, template: str, answer: Assessment, **values: Any) -> Response:
        drawn = self.site.renderer.drawing(template, name=answer.box.name, **values)
        return Response(drawn, media_type=_SVG)
