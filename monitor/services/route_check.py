"""Are alerts sent, and does each route work: findings for `siccast check`."""

from __future__ import annotations

from typing import TYPE_CHECKING

from monitor.services.site_check import Finding, Severity
from monitor.services.watch import how_it_does

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from monitor.records.alerts import Route, RouteState


def check_routes(routes: Sequence[Route], states: Mapping[str, RouteState], *, is_sent: bool) -> Iterator[Finding]:
    """Look whether somebody sends, and how each declared route did last."""
    if routes and not is_sent:
        yield Finding("alerts", Severity.look, "nobody sends them", "start `siccast listen`, or `siccast watch`")
    for route in routes:
        state, subject = states.get(route.name), f"route {route.name}"
        if route.without_secret:
            yield Finding(subject, Severity.fault, route.without_secret, "then `siccast watch --test`")
        elif state is not None and state.failing_since:
            remedy = "correct it, then `siccast watch --test`. Nothing is lost: it is tried again"
            yield Finding(subject, Severity.fault, how_it_does(state), remedy)
        else:
            yield Finding(subject, Severity.well, f"{route.kind}, {how_it_does(state)}")
