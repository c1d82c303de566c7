"""`/metrics`: the newest state for programs that draw and alert, as OpenMetrics text."""

from __future__ import annotations

import threading
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from http import HTTPStatus
from typing import TYPE_CHECKING

from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route

from monitor.store.listener_lock import listener_counts, listeners

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from prometheus_client.core import Metric
    from starlette.requests import Request

    from monitor.web.metrics.families import AtWork
    from monitor.web.site import Site

METRICS = "/metrics"
MEDIA_TYPE = "application/openmetrics-text; version=1.0.0; charset=utf-8"
_COUNTED_EVERY = timedelta(minutes=1)
"""Readings are counted so often. A judgement: a scrape comes four times as often, and 50 million take a second."""


@dataclass(eq=False)
class MetricsPage:
    """The metrics of one shelf."""

    site: Site
    _stored: int = 0
    _counted_at: datetime | None = None
    _one_at_a_time: threading.Lock = field(default_factory=threading.Lock)

    def routes(self) -> Sequence[Route]:
        """Return the address."""
        return (Route(METRICS, self.metrics, name="metrics"),)

    def metrics(self, _request: Request) -> Response:
        """Answer a scrape from the newest snapshot."""
        try:
            from prometheus_client.openmetrics.exposition import generate_latest  # noqa: PLC0415 -- an extra

            from monitor.web.metrics.families import families  # noqa: PLC0415 -- imports the same
        except ModuleNotFoundError:
            return _without("This needs a library that is not installed. Remedy: pip install 'siccast[metrics]'\n",
                            HTTPStatus.NOT_IMPLEMENTED)  # fmt: skip
        snapshot = self.site.keeper.newest
        if snapshot is None:
            return _without("The boxes are still being worked out; try again in a minute.\n",
                            HTTPStatus.SERVICE_UNAVAILABLE)  # fmt: skip
        found = list(families(snapshot, self._at_work(), self.site.now()))
        return Response(generate_latest(_Collected(found)), media_type=MEDIA_TYPE)  # type: ignore[no-untyped-call]

    def _at_work(self) -> AtWork:
        from monitor.web.metrics.families import AtWork  # noqa: PLC0415 -- imports the extra

        now, folder = self.site.keeper.clock(), self.site.shelf.folder
        with self.site.reading() as stores, self._one_at_a_time:
            if self._counted_at is None or not timedelta() <= now - self._counted_at < _COUNTED_EVERY:
                self._stored, self._counted_at = stores.readings.count(), now
            return AtWork(
                any(listener.at_work for listener in listeners(folder)),
                stores.ledger.rejected_count(),
                stores.upkeep.begun_at(),
                listener_counts(folder),
                self._stored,
                {"forwarding": stores.upkeep.waiting(), "other_half": len(stores.readings.halves())},
            )


@dataclass(frozen=True, slots=True)
class _Collected:
    """Families in the shape of a registry, which alone the exposition reads."""

    found: Sequence[Metric]

    def collect(self) -> Iterator[Metric]:
        """Yield them."""
        return iter(self.found)


def _without(words: str, status: int) -> Response:
    return PlainTextResponse(words, status)
