"""What is wrong with a box beside its humidity, in two or three words each, with the reason for who asks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from monitor.day_names import span_of
from monitor.planning.alerts import (
    battery_is_low,
    lid_open,
    opened_not_logged,
    weak_recharge_words,
    why_battery,
    why_opened,
)
from monitor.planning.due import about_times, is_read_by_hand, leaks_more, silent_for, why_silent
from monitor.presentation.amounts import sentence
from monitor.records import BoxState
from monitor.texts import said, say, without_box

if TYPE_CHECKING:
    from collections.abc import Iterator

    from monitor.presentation.wording import Wording
    from monitor.records import Assessment


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
    return (
        *_lid(answer, words),
        *_seal(answer, words),
        *_weak(answer),
        *_silent(answer),
        *_opened(answer, words),
        *_battery(answer),
    )


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
    if answer.latest is None and answer.forecast is not None:
        why = say("No reading has ever come from this box. Its dates rest on its log and on its kind.")
        yield Badge("silent", say("no reading ever"), why)
    silent = silent_for(answer)
    if silent is None:
        return
    why, span = sentence(why_silent(answer, silent)), span_of(silent)
    if is_read_by_hand(answer):
        yield Badge("silent", say("not read for {span}", span=span), say("{why} Log what it shows.", why=why))
        return
    yield Badge(
        "silent",
        say("silent for {span}", span=span),
        say("{why} Check its sensor: the battery, then the radio.", why=why),
    )


def _lid(answer: Assessment, words: Wording) -> Iterator[Badge]:
    if text := lid_open(answer, words.zone):
        yield Badge("lid", say("lid open?"), _alone(text, answer))


def _weak(answer: Assessment) -> Iterator[Badge]:
    if text := weak_recharge_words(answer):
        yield Badge("dry", say("wetter than dried"), _alone(text, answer))


def _opened(answer: Assessment, words: Wording) -> Iterator[Badge]:
    if opened_not_logged(answer) and answer.lid_open_since is None:
        yield Badge("lid", say("opened, not logged?"), said(why_opened(answer, words.zone)))


def _battery(answer: Assessment) -> Iterator[Badge]:
    volts = answer.latest.battery_v if answer.latest else None
    if battery_is_low(volts):
        yield Badge("battery", say("battery low"), why_battery(volts))


def _alone(text: str, answer: Assessment) -> str:
    """Return a sentence about a box without its name, where that stands beside it."""
    return sentence(without_box(text, answer.box.name))
