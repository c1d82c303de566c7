"""The log of the recharge desk as a person reads it: what was done, and a sentence's worth of details."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from monitor.presentation.desk_wording import finished_in_brief, minutes, room_source, water, whereabouts
from monitor.presentation.wording import beads
from monitor.records import Quantiles
from monitor.records.desk_events import (
    SPARE,
    BeadsSpilled,
    BeadsStirred,
    ChargeMoved,
    ChargePortioned,
    ChargeRetired,
    ChargeSaturated,
    ChargesMerged,
    ChargeSplit,
    ChargeToppedUp,
    ColorSeen,
    DeskEvent,
    HeatTimed,
    JarChecked,
    LotBought,
    RunFinished,
    RunStarted,
    RunWeighed,
    ScaleCorrected,
)
from monitor.records.words import CHARGE_STATES

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from monitor.presentation.wording import Wording


def what_was_done(event: DeskEvent) -> str:
    """Return what was done, in a word or three.

    >>> what_was_done(ChargeMoved("bowl", "box:pla")), what_was_done(ChargeMoved("bowl", "spare"))
    ('put into a box', 'taken out of its box')
    """
    if isinstance(event, ChargeMoved) and event.place == SPARE:
        return "taken out of its box"
    return _KINDS[type(event)][0]


def details(event: DeskEvent, wording: Wording) -> str:
    """Return what an event says besides, in the units of the shelf."""
    return _KINDS[type(event)][1](event, wording)


def _listed(parts: Iterable[str]) -> str:
    return ", ".join(filter(None, parts))


def _bought(event: LotBought, wording: Wording) -> str:
    bought = f"{wording.weight(event.mass_g)} of {beads(event.desiccant)}"
    return _listed([f"lot {event.lot}: {bought}", f"bought {event.bought_on}" if event.bought_on else "", event.note])


def _portioned(event: ChargePortioned, wording: Wording) -> str:
    said = f"charge {event.charge}: {wording.weight(event.mass_g)} of lot {event.lot}"
    return _listed([said, how_it_is(event, wording)])


def how_it_is(event: ChargePortioned, wording: Wording) -> str:
    """Return how a charge was when it was weighed out, and what it sits in."""
    empty = "" if event.tare_g is None else wording.weight(event.tare_g)
    held = f"{event.holder} holder" if event.holder else "holder" if empty else ""
    state = CHARGE_STATES.get(event.state, event.state) if event.state != "unknown" else ""
    return _listed([state, f"{held} ({empty} empty)" if empty else held])


def _moved(event: ChargeMoved) -> str:
    out = f"; {' and '.join(event.out)} came out of it" if event.out else ""
    into = "now spare" if event.place == SPARE else f"into {whereabouts(event.place)}"
    return f"charge {event.charge}, {into}{out}"


def _split(event: ChargeSplit, wording: Wording) -> str:
    return f"{wording.weight(event.mass_g)} of charge {event.charge} became charge {event.into}"


def _merged(event: ChargesMerged) -> str:
    return f"charge {event.charge} was poured into charge {event.into}"


def _topped_up(event: ChargeToppedUp, wording: Wording) -> str:
    return f"charge {event.charge} got {wording.weight(event.mass_g)} of new beads"


def _retired(event: ChargeRetired) -> str:
    return f"charge {event.charge}" + (f": {event.reason}" if event.reason else "")


def _color(event: ColorSeen) -> str:
    return f"charge {event.charge}: {event.color}"


def _started(event: RunStarted, wording: Wording) -> str:
    heat = "" if event.temperature_degc is None else f" at {wording.temperature(event.temperature_degc)}"
    power = "" if event.power_w is None else f" ({event.power_w:g} W)"
    room = (
        f"room {wording.temperature(event.room_temperature_degc)}, {100.0 * event.room_relative_humidity:.0f} % RH"
        f" ({room_source(event.room_from)})"
    )
    tare = f"empty holder {wording.weight(event.tare_g)}" if event.tare_g else ""
    return _listed([f"run {event.run}: charge {event.charge} into the {event.appliance}{heat}{power}", room, tare])


def _weighed(event: RunWeighed, wording: Wording) -> str:
    shown = f"the scale showed {wording.weight(event.shown_g)} (in steps of {wording.weight(event.resolution_g)})"
    return _listed(
        [
            f"run {event.run} after {minutes(event.heated_s)} of heating: {shown}",
            "still hot" if event.hot else "",
            f"counted × {event.factor:.4g}" if event.factor != 1.0 else "",
            f"empty holder {wording.weight(event.tare_g)}" if event.tare_g else "",
        ]
    )


def _timed(event: HeatTimed) -> str:
    so_far = f" after {minutes(event.heated_s)}" if event.heated_s else ""
    return f"run {event.run}: {minutes(event.planned_s)}, {'going' if event.going else 'stopped'}{so_far}"


def _rescaled(event: ScaleCorrected) -> str:
    return f"run {event.run}: all weighings × {event.factor:.4g}" + (f" ({event.because})" if event.because else "")


def _spilled(event: BeadsSpilled, wording: Wording) -> str:
    when = f"after weighing {event.after_weighings}" if event.after_weighings else "before the first weighing"
    much = "how much is not known" if event.lost_g is None else wording.weight(event.lost_g)
    return f"run {event.run}, {when}: {much}"


def _finished(event: RunFinished, wording: Wording) -> str:
    dry = f"when dry they weigh {wording.mass(event.dry_mass_g)} (± {100.0 * event.dry_mass_relative_sd:.0f} %)"
    return _listed(
        [
            f"run {event.run} ({finished_in_brief(event)})",
            f"the beads weighed {wording.mass(event.end_mass_g)}",
            dry,
            f"at the start {100.0 * event.start_loading_g_per_g:.0f} % water",
            f"at the end {water(Quantiles(*event.loading_g_per_g))}",
            f"{100.0 * event.kept_share:.0f} % of the beads were left" if event.kept_share != 1.0 else "",
        ]
    )


def _jar(event: JarChecked, wording: Wording) -> str:
    seen = f"{100.0 * event.relative_humidity:.1f} % RH (± {100.0 * event.accuracy:.1f})"
    loading = event.loading_g_per_g
    held = "" if loading is None else f"so the beads hold {water(Quantiles(*loading))}"
    return _listed([f"charge {event.charge}: {seen} at {wording.temperature(event.temperature_degc)}", held])


def _saturated(event: ChargeSaturated, wording: Wording) -> str:
    air = f"{100.0 * event.relative_humidity:.0f} % RH at {wording.temperature(event.temperature_degc)}"
    weight = "" if event.mass_g is None else wording.weight(event.mass_g)
    return _listed([f"charge {event.charge} in air of {air}", weight])


_KINDS: dict[type, tuple[str, Callable[[Any, Wording], str]]] = {
    LotBought: ("bought", _bought),
    ChargePortioned: ("weighed out", _portioned),
    ChargeMoved: ("put into a box", lambda event, _: _moved(event)),
    ChargeSplit: ("split", _split),
    ChargesMerged: ("merged", lambda event, _: _merged(event)),
    ChargeToppedUp: ("topped up", _topped_up),
    ChargeRetired: ("no longer used", lambda event, _: _retired(event)),
    ColorSeen: ("color seen", lambda event, _: _color(event)),
    RunStarted: ("run started", _started),
    RunWeighed: ("weighed", _weighed),
    HeatTimed: ("timer", lambda event, _: _timed(event)),
    ScaleCorrected: ("scale corrected", lambda event, _: _rescaled(event)),
    BeadsSpilled: ("beads fell out", _spilled),
    BeadsStirred: ("stirred", lambda event, _: f"run {event.run}"),
    RunFinished: ("run finished", _finished),
    JarChecked: ("jar checked", _jar),
    ChargeSaturated: ("saturated", _saturated),
}
"""What was done by each kind of event, and how its details are said."""
