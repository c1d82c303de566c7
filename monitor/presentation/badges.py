"""What is wrong with a box beside its humidity, in two or three words each, with the reason for who asks."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING

from monitor.presentation.amounts import days_or_hours
from monitor.records import BoxState
from monitor.services.assess import about_times, leaks_more, silent_for
from monitor.texts import said, say

if TYPE_CHECKING:
    from collections.abc import Iterator

    from monitor.presentation.wording import Wording
    from monitor.records import Assessment

_REMEMBERED_FOR = timedelta(days=30)
"""So long a rise that nobody logged is asked about. A judgement: later nobody knows what happened on that day."""
_ONE_CELL_V, _LOW_CELL_V = 1.7, 1.1
"""Up to the first, a node shows a single cell of 1.5 V; below the second that is low. Judgements: a fresh one shows no
more, and an alkaline cell at 1.1 V holds a tenth of its charge."""
_LOW_PAIR_V = 2.4
"""Two such cells, or one of 3 V, are low below this. A judgement: most nodes stop between 1.8 and 2.2 V, and cells of
lithium ions never get there, so theirs are not judged."""


@dataclass(frozen=True, slots=True)
class Badge:
    """One thing about a box that a person has to look after."""

    sign: str
    """Name of its shape in the templates."""
    words: str
    why: str
    """What it means and what to do, in sentences."""


def badges(answer: Assessment, words: Wording) -> tuple[Badge, ...]:
    """Return what is wrong with a box beside its humidity, the worst first."""
    if answer.state is BoxState.undeclared:
        return ()
    return (*_seal(answer, words), *_silent(answer), *_opened(answer, words), *_battery(answer))


def _seal(answer: Assessment, words: Wording) -> Iterator[Badge]:
    leak = answer.leak
    if leaks_more(answer) and leak is not None and leak.change_factor is not None:
        times = about_times(leak.change_factor.p50)
        yield Badge(
            "seal",
            say("leaks {times} times as much", times=times),
            f"{words.fault(answer)} {said(leak.change_words)}".strip(),
        )


def _silent(answer: Assessment) -> Iterator[Badge]:
    silent = silent_for(answer)
    if silent is None:
        return
    span = days_or_hours(silent)
    yield Badge(
        "silent",
        say("silent for {span}", span=span),
        say("No reading for {span}. Check its sensor: the battery, then the radio.", span=span),
    )


def _opened(answer: Assessment, words: Wording) -> Iterator[Badge]:
    at = answer.unlogged_rise_at
    if at is not None and answer.as_of - at <= _REMEMBERED_FOR:
        yield Badge(
            "lid",
            say("opened, not logged?"),
            say(
                "About {day} its humidity jumped and stayed up, and nothing is logged for that time. If the box "
                "was opened or a spool was swapped, log it: forecasts get better.",
                day=words.day(at, answer.as_of),
            ),
        )


def _battery(answer: Assessment) -> Iterator[Badge]:
    volts = answer.latest.battery_v if answer.latest else None
    if volts is not None and (volts < _LOW_CELL_V or _ONE_CELL_V < volts < _LOW_PAIR_V):
        why = say(
            "Its sensor's battery is at {volts} V. Change it before the sensor falls silent.", volts=f"{volts:.2f}"
        )
        yield Badge("battery", say("battery low"), why)
