"""The log of the recharge desk as a person reads it: what was done, and a sentence's worth of details."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from monitor.presentation.amounts import joined
from monitor.presentation.bead_wording import beads
from monitor.presentation.desk_amounts import at_heat, minutes, room_source, water, whereabouts
from monitor.presentation.desk_wording import finished_in_brief
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
from monitor.texts import say, to_say

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from monitor.presentation.wording import Wording


def what_was_done(event: DeskEvent) -> str:
    """Return what was done, in a word or three.

    >>> what_was_done(ChargeMoved("bowl", "box:pla")), what_was_done(ChargeMoved("bowl", "spare"))
    ('put into a box', 'taken out of its box')
    """
    if isinstance(event, ChargeMoved) and event.place == SPARE:
        return say("taken out of its box")
    return say(_KINDS[type(event)][0])


def details(event: DeskEvent, wording: Wording) -> str:
    """Return what an event says besides, in the units of the shelf."""
    return _KINDS[type(event)][1](event, wording)


def _listed(parts: Iterable[str]) -> str:
    return ", ".join(filter(None, parts))


def _bought(event: LotBought, wording: Wording) -> str:
    bought = say("{mass} of {kind}", mass=wording.weight(event.mass_g), kind=beads(event.desiccant))
    return _listed(
        [
            say("lot {lot}: {bought}", lot=event.lot, bought=bought),
            say("bought {day}", day=event.bought_on) if event.bought_on else "",
            event.note,
        ]
    )


def _portioned(event: ChargePortioned, wording: Wording) -> str:
    portion = say(
        "charge {charge}: {weight} of lot {lot}",
        charge=event.charge,
        weight=wording.weight(event.mass_g),
        lot=event.lot,
    )
    return _listed([portion, how_it_is(event, wording)])


def how_it_is(event: ChargePortioned, wording: Wording) -> str:
    """Return how a charge was when it was weighed out, and what it sits in."""
    empty = "" if event.tare_g is None else wording.weight(event.tare_g)
    held = say("holder") if empty else ""
    if event.holder:
        held = say("{holder} holder", holder=say(event.holder))
    state = say(CHARGE_STATES.get(event.state, event.state)) if event.state != "unknown" else ""
    return _listed([state, say("{held} ({empty} empty)", held=held, empty=empty) if empty else held])


def _moved(event: ChargeMoved) -> str:
    into = say("now spare") if event.place == SPARE else say("into {place}", place=whereabouts(event.place))
    moved = say("charge {charge}, {into}", charge=event.charge, into=into)
    return say("{moved}; {names} came out of it", moved=moved, names=joined(event.out)) if event.out else moved


def _split(event: ChargeSplit, wording: Wording) -> str:
    return say(
        "{weight} of charge {charge} became charge {into}",
        weight=wording.weight(event.mass_g),
        charge=event.charge,
        into=event.into,
    )


def _merged(event: ChargesMerged) -> str:
    return say("charge {charge} was poured into charge {into}", charge=event.charge, into=event.into)


def _topped_up(event: ChargeToppedUp, wording: Wording) -> str:
    return say("charge {charge} got {weight} of new beads", charge=event.charge, weight=wording.weight(event.mass_g))


def _retired(event: ChargeRetired) -> str:
    return say("charge {charge}", charge=event.charge) + (f": {event.reason}" if event.reason else "")


def _color(event: ColorSeen) -> str:
    return say("charge {charge}: {color}", charge=event.charge, color=say(event.color))


def _started(event: RunStarted, wording: Wording) -> str:
    heat = at_heat(event.temperature_degc, wording)
    power = "" if event.power_w is None else f" ({event.power_w:g} W)"
    room = say(
        "room {temperature}, {humidity} % RH ({source})",
        temperature=wording.temperature(event.room_temperature_degc),
        humidity=f"{100.0 * event.room_relative_humidity:.0f}",
        source=room_source(event.room_from),
    )
    tare = say("empty holder {weight}", weight=wording.weight(event.tare_g)) if event.tare_g else ""
    return _listed(
        [
            say(
                "run {run}: charge {charge} into the {appliance}{heat}{power}",
                run=event.run,
                charge=event.charge,
                appliance=event.appliance,
                heat=heat,
                power=power,
            ),
            room,
            tare,
        ]
    )


def _weighed(event: RunWeighed, wording: Wording) -> str:
    shown = say(
        "the scale showed {weight} (in steps of {step})",
        weight=wording.weight(event.shown_g),
        step=wording.weight(event.resolution_g),
    )
    return _listed(
        [
            say(
                "run {run} after {heated} of heating: {shown}",
                run=event.run,
                heated=minutes(event.heated_s),
                shown=shown,
            ),
            say("still hot") if event.hot else "",
            say("counted × {factor}", factor=f"{event.factor:.4g}") if event.factor != 1.0 else "",
            say("empty holder {weight}", weight=wording.weight(event.tare_g)) if event.tare_g else "",
        ]
    )


def _timed(event: HeatTimed) -> str:
    state = say("going") if event.going else say("stopped")
    if event.heated_s:
        state = say("{state} after {heated}", state=state, heated=minutes(event.heated_s))
    return say("run {run}: {planned}, {state}", run=event.run, planned=minutes(event.planned_s), state=state)


def _rescaled(event: ScaleCorrected) -> str:
    return say("run {run}: all weighings × {factor}", run=event.run, factor=f"{event.factor:.4g}") + (
        f" ({event.because})" if event.because else ""
    )


def _spilled(event: BeadsSpilled, wording: Wording) -> str:
    when = (
        say("after weighing {number}", number=event.after_weighings)
        if event.after_weighings
        else say("before the first weighing")
    )
    much = say("how much is not known") if event.lost_g is None else wording.weight(event.lost_g)
    return say("run {run}, {when}: {much}", run=event.run, when=when, much=much)


def _finished(event: RunFinished, wording: Wording) -> str:
    dry = say(
        "when dry they weigh {mass} (± {sd} %)",
        mass=wording.mass(event.dry_mass_g),
        sd=f"{100.0 * event.dry_mass_relative_sd:.0f}",
    )
    return _listed(
        [
            say("run {run} ({how})", run=event.run, how=finished_in_brief(event)),
            say("the beads weighed {mass}", mass=wording.mass(event.end_mass_g)),
            dry,
            say("at the start {share} % water", share=f"{100.0 * event.start_loading_g_per_g:.0f}"),
            say("at the end {water}", water=water(Quantiles(*event.loading_g_per_g))),
            say("{share} % of the beads were left", share=f"{100.0 * event.kept_share:.0f}")
            if event.kept_share != 1.0
            else "",
        ]
    )


def _jar(event: JarChecked, wording: Wording) -> str:
    seen = say(
        "{humidity} % RH (± {accuracy})",
        humidity=f"{100.0 * event.relative_humidity:.1f}",
        accuracy=f"{100.0 * event.accuracy:.1f}",
    )
    loading = event.loading_g_per_g
    held = "" if loading is None else say("so the beads hold {water}", water=water(Quantiles(*loading)))
    return _listed(
        [
            say(
                "charge {charge}: {seen} at {temperature}",
                charge=event.charge,
                seen=seen,
                temperature=wording.temperature(event.temperature_degc),
            ),
            held,
        ]
    )


def _saturated(event: ChargeSaturated, wording: Wording) -> str:
    air = say(
        "{humidity} % RH at {temperature}",
        humidity=f"{100.0 * event.relative_humidity:.0f}",
        temperature=wording.temperature(event.temperature_degc),
    )
    weight = "" if event.mass_g is None else wording.weight(event.mass_g)
    return _listed([say("charge {charge} in air of {air}", charge=event.charge, air=air), weight])


def _stirred(event: BeadsStirred) -> str:
    return say("run {run}", run=event.run)


_KINDS: dict[type, tuple[str, Callable[[Any, Wording], str]]] = {
    LotBought: (to_say("bought"), _bought),
    ChargePortioned: (to_say("weighed out"), _portioned),
    ChargeMoved: (to_say("put into a box"), lambda event, _: _moved(event)),
    ChargeSplit: (to_say("split"), _split),
    ChargesMerged: (to_say("merged"), lambda event, _: _merged(event)),
    ChargeToppedUp: (to_say("topped up"), _topped_up),
    ChargeRetired: (to_say("no longer used"), lambda event, _: _retired(event)),
    ColorSeen: (to_say("color seen"), lambda event, _: _color(event)),
    RunStarted: (to_say("run started"), _started),
    RunWeighed: (to_say("weighed"), _weighed),
    HeatTimed: (to_say("timer"), lambda event, _: _timed(event)),
    ScaleCorrected: (to_say("scale corrected"), lambda event, _: _rescaled(event)),
    BeadsSpilled: (to_say("beads fell out"), _spilled),
    BeadsStirred: (to_say("stirred"), lambda event, _: _stirred(event)),
    RunFinished: (to_say("run finished"), _finished),
    JarChecked: (to_say("jar checked"), _jar),
    ChargeSaturated: (to_say("saturated"), _saturated),
}
"""What was done by each kind of event, and how its details are said."""
