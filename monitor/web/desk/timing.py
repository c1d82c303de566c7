"""The timer of a burst: how much heat it has counted, and when it rings."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from monitor.presentation.desk_amounts import minutes
from monitor.records.desk_events import HeatTimed

if TYPE_CHECKING:
    from monitor.desk.inventory import Run
    from monitor.presentation.wording import Wording
    from monitor.web.snapshot import Snapshot

_RINGS_WITHIN_S = 1.0  # judgement: a browser that counted to the end may be that much ahead
_TENTHS = 10.0  # a minute; judgement: 6 seconds of heat show on no scale


@dataclass(frozen=True, slots=True)
class Moment:
    """What a run is looked at with: the desk's time, the machine's, and the newest snapshot."""

    now: datetime
    clock: datetime
    words: Wording
    snapshot: Snapshot | None
    recorded: bool


@dataclass(frozen=True, slots=True)
class TimerView:
    """A timer as a page shows it."""

    state: str
    """'going', 'stopped' or 'over'."""
    planned: str
    heated: str
    """Heat so far, as a person says it."""
    left_s: int
    planned_s: int
    until: str
    """The time of day at which it rings, or rang."""
    after: str
    """Minutes of heat so far, as the next weighing is given them."""
    key: str
    """Tells this timer from the one before."""


def timer_view(run: Run, clock: datetime, words: Wording) -> TimerView | None:
    """Return the timer of a run; None where none was set since the last weighing."""
    timer = run.timer
    if timer is None or timer.planned_s <= 0.0:
        return None
    heated_s = min(heat_s(timer, clock), timer.planned_s)
    left_s = timer.planned_s - heated_s
    over = left_s < _RINGS_WITHIN_S
    if over:
        heated_s = timer.planned_s
    rings = datetime.fromtimestamp(timer.clock_s + timer.planned_s - timer.heated_s, UTC).astimezone(words.zone)
    return TimerView(
        state="over" if over else "going" if timer.going else "stopped",
        planned=minutes(timer.planned_s),
        heated=minutes(heated_s),
        left_s=round(left_s),
        planned_s=round(timer.planned_s),
        until=f"{rings:%H:%M}",
        after=f"{round(_TENTHS * heated_s / 60.0) / _TENTHS:g}",
        key=f"{timer.clock_s:.0f}-{timer.planned_s:.0f}-{timer.heated_s:.0f}",
    )


def heat_s(timer: HeatTimed, clock: datetime) -> float:
    """Return the heat since the last weighing that a timer has counted."""
    since_s = max(clock.timestamp() - timer.clock_s, 0.0) if timer.going else 0.0
    return timer.heated_s + since_s


def set_to(run: Run, planned_s: float, clock: datetime) -> HeatTimed:
    """Return a timer that starts now; heat that an earlier one counted since the last weighing stays counted."""
    so_far_s = heat_s(run.timer, clock) if run.timer else 0.0
    if run.timer is not None:
        so_far_s = min(so_far_s, run.timer.planned_s)
    return HeatTimed(run.name, so_far_s + planned_s, so_far_s, clock_s=clock.timestamp())


def turned(timer: HeatTimed, clock: datetime, *, going: bool) -> HeatTimed:
    """Return the timer stopped, or set going again."""
    heated_s = min(heat_s(timer, clock), timer.planned_s)
    return HeatTimed(timer.run, timer.planned_s, heated_s, going, clock.timestamp())


def cleared(run: Run, clock: datetime) -> HeatTimed:
    """Return the event that takes a timer away."""
    return HeatTimed(run.name, 0.0, 0.0, going=False, clock_s=clock.timestamp())
