"""What the recharge desk has to say, in sentences for people; every face uses these."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from monitor.presentation.amounts import TO, sentence
from monitor.presentation.crossing_wording import is_over
from monitor.presentation.desk_amounts import (
    at_heat,
    minutes,
    percents,
    room_source,
    time_spread,
    times,
    water,
    weighable,
    weighable_spread,
)
from monitor.presentation.wording import Wording
from monitor.records import Quantiles
from monitor.texts import say, to_say

if TYPE_CHECKING:
    from monitor.desk import Method, RunReport, Service
    from monitor.records import Assessment
    from monitor.records.desk_events import RunFinished, RunStarted


_USED_AS = {
    "microwave": to_say("in the microwave"),
    "oven": to_say("in the oven"),
    "filament_dryer": to_say("in the filament dryer"),
    "print_bed": to_say("on the print bed"),
}
_SEEN_ON_A_SCALE_G = 0.05  # judgement: half a step of a fine kitchen scale
_NAMED_BOXES = 2  # judgement: more names hide what is said of them
_LEAST_SHOWN_KWH = 0.005  # by definition: what two decimals show
_LONG_STEPS = 4.0  # times the step that was judged; judgement: by then water inside a pile shows on a scale
_DONE = "stop: done"
_WET_INSIDE = "stop: the bed is not dried through"
_NO_LOWER = "stop: this method cannot go lower in this room"
_SAID = {
    _NO_LOWER: to_say("stop: these beads get no drier in this appliance and room"),
    _WET_INSIDE: to_say("stop: water is left inside the pile"),
    "can't tell: no drying curve fits these weighings": to_say("can't tell: beads don't dry like these weighings"),
}
"""How verdicts are said whose stored words are not plain."""
_HEADLINES = {
    "go on": to_say("Still losing water"),
    "stir and go on": to_say("Still losing water: stir"),
    _DONE: to_say("Done"),
    _NO_LOWER: to_say("As dry as this appliance gets them in this room"),
    _WET_INSIDE: to_say("Water is left inside the pile"),
    "can't tell: no drying curve fits these weighings": to_say("These weighings fit no drying curve"),
}


_NOT_KNOWN = to_say("no longer losing water, but how much is left is not known")


def report_lines(report: RunReport, wording: Wording) -> list[tuple[str, str]]:
    """Return what a run is at, as pairs of a label and its value."""
    removed = say(
        "{so_far} so far, about {in_the_end} in the end",
        so_far=wording.mass(report.water_off_g),
        in_the_end=weighable_spread(_less(report.end_g, report.mass_g + report.water_off_g), wording),
    )
    floor = say("{share} % water, if all the beads dry through", share=f"{100.0 * report.floor_g_per_g:.1f}")
    lines = [
        (say("run"), _heated_how(report, wording)),
        (say("water removed"), removed),
        (say("water left"), _left_of_dry_weight(report, wording)),
        (say("best possible here"), floor),
        (say("weight when dry"), say("about {mass}, estimated", mass=weighable_spread(report.dry_mass_g, wording))),
    ]
    if len(report.run.weighings) > 1:
        lines += [(say("next"), _next_step(report, wording)), (say("time"), _until_the_same(report.time_to_end_s))]
    return [*lines, (say("energy"), _energy(report))]


def _heated_how(report: RunReport, wording: Wording) -> str:
    start = report.run.start
    air = say(
        "{temperature}, {humidity} % RH",
        temperature=wording.temperature(start.room_temperature_degc),
        humidity=f"{100.0 * start.room_relative_humidity:.0f}",
    )
    return say(
        "{run}: {heated} {used}{heat}; room {air} ({source})",
        run=report.run.name,
        heated=minutes(report.heated_s),
        used=_used(start),
        heat=at_heat(start.temperature_degc, wording),
        air=air,
        source=room_source(start.room_from),
    )


def _left_of_dry_weight(report: RunReport, wording: Wording) -> str:
    low, share, high = percents(report.loading_g_per_g)
    if done_but_not_known(report):
        return say(
            "not known: {grams}, {low} – {high} % of their weight when fully dry",
            grams=_left_spread(report, wording),
            low=low,
            high=high,
        )
    return say(
        "{grams}, that is {share} of the beads' weight when fully dry ({low} – {high} %)",
        grams=water_left(report, wording),
        share=share,
        low=low,
        high=high,
    )


def _energy(report: RunReport) -> str:
    spent: str = say("{energy} kWh so far", energy=f"{report.energy_so_far_kwh:.2f}")
    if report.energy_to_end_kwh >= _LEAST_SHOWN_KWH:
        to_come = f"{report.energy_to_end_kwh:.2f}"
        spent = say("{spent}, about {energy} kWh still to come", spent=spent, energy=to_come)
    return say("{spent} (at typical power)", spent=spent)


def _used(start: RunStarted) -> str:
    if start.appliance_kind in _USED_AS:
        return say(_USED_AS[start.appliance_kind])
    return say("in '{appliance}'", appliance=start.appliance)


def _next_step(report: RunReport, wording: Wording) -> str:
    gain = report.judgement.next_gain_g
    step = say("another {time}", time=minutes(report.judgement.next_step_s))
    if gain.p95 < _SEEN_ON_A_SCALE_G:
        return say("{step} removes nothing that a scale would show", step=step)
    return say("{step} removes about {mass}", step=step, mass=weighable_spread(gain, wording))


def _until_the_same(time_s: Quantiles) -> str:
    """Say how long it takes until the weight stays the same; a median of nothing still has its interval.

    >>> _until_the_same(Quantiles(3000.0, 25200.0, 122400.0))
    'about 7 h more until the weight stays the same (1 h – 34 h)'
    >>> _until_the_same(Quantiles(0.0, 0.0, 1200.0)), _until_the_same(Quantiles(0.0, 0.0, 0.0))
    ('at most 20 min more until the weight stays the same', 'the weight stays the same now')
    """
    if minutes(time_s.p95) == minutes(0.0):
        return say("the weight stays the same now")
    if minutes(time_s.p50) == minutes(0.0):
        return say("at most {time} more until the weight stays the same", time=minutes(time_s.p95))
    low, middle, high = times(time_s)
    text = to_say("about {middle} more until the weight stays the same ({low} – {high})")
    return say(text, middle=middle, low=low, high=high)


def verdict_in_brief(verdict: str) -> str:
    """Return a verdict as it is stored in a few plain words."""
    return say(_SAID.get(verdict, verdict))


def finished_in_brief(finished: RunFinished) -> str:
    """Return how a run ended in a few plain words; beads are not called done where nobody knows how dry they are."""
    if finished.verdict == _DONE and not finished.left_is_known:
        return say(_NOT_KNOWN)
    return verdict_in_brief(finished.verdict)


def done_but_not_known(report: RunReport) -> bool:
    """Return whether the weight stays the same, but not how much water is left."""
    return report.verdict.value == _DONE and not report.left_is_known


def report_in_brief(report: RunReport) -> str:
    """Return the verdict of a run in a few plain words."""
    return say(_NOT_KNOWN) if done_but_not_known(report) else verdict_in_brief(report.verdict.value)


def water_left(report: RunReport, wording: Wording) -> str:
    """Return the water left in grams: its interval alone where that is too wide for a middle to mean anything."""
    if done_but_not_known(report):
        return say("not known ({grams})", grams=_left_spread(report, wording))
    return say("about {mass}", mass=weighable_spread(report.left_g, wording))


def _left_spread(report: RunReport, wording: Wording) -> str:
    low, high = (weighable(end_g, wording) for end_g in (report.left_g.p05, report.left_g.p95))
    return f"{low} {TO} {high} {wording.mass_unit}"


def _not_known(report: RunReport, wording: Wording) -> str:
    low, _, high = percents(report.jar_relative_humidity)
    parts = [
        say(
            "The weight no longer falls, but how much water is left is not known: {grams}.",
            grams=_left_spread(report, wording),
        ),
        say(
            "Two things tell. Heat them much longer, at least {time}, and weigh again.",
            time=minutes(_LONG_STEPS * report.judgement.next_step_s),
        ),
        say(
            "Or close the cold beads in a jar with a hygrometer: it settles near {low} % RH if they are dry, "
            "near {high} % if not.",
            low=low,
            high=high,
        ),
        _further(report, wording),
    ]
    return " ".join(filter(None, parts))


def verdict_sentence(report: RunReport, wording: Wording) -> str:
    """Return the verdict with its reason; at a stop also what is left, and what else would remove water."""
    if _wet_inside(report):
        return _not_dried_through(report, wording)
    if done_but_not_known(report):
        return _not_known(report, wording)
    verdict, because = sentence(verdict_in_brief(report.verdict.value)), sentence(report.judgement.because)
    if not report.verdict.stops:
        return f"{verdict} {because}"
    left = say("About {left} is left.", left=_left(report, wording))
    return f"{verdict} {left} {because} {_further(report, wording)}".rstrip()


def _not_dried_through(report: RunReport, wording: Wording) -> str:
    again = weighable(report.still_removable_g, wording)
    parts = [
        say(
            "Stop: the weight has stopped falling, but about {left} seems to be left, probably inside the pile.",
            left=_left(report, wording),
        ),
        say(
            "Spread the beads thin, stir, and heat again: the same {appliance} can remove about {again} {unit} more.",
            appliance=report.run.start.appliance,
            again=again,
            unit=wording.mass_unit,
        ),
        _further(report, wording) if report.further else "",
        _if_finished(report.services),
    ]
    return " ".join(filter(None, parts))


def result_sentence(report: RunReport, wording: Wording) -> str:
    """Return what a finished run made of the beads; what to do about it was said before."""
    if done_but_not_known(report):
        return say(
            "How much water the beads hold is not known: {grams}. A jar check tells.",
            grams=_left_spread(report, wording),
        )
    left = _left(report, wording)
    if _wet_inside(report):
        return say("The beads hold about {left}, probably inside the pile.", left=left)
    return say("The beads hold about {left}.", left=left)


def _wet_inside(report: RunReport) -> bool:
    return report.verdict.value == _WET_INSIDE


def _left(report: RunReport, wording: Wording) -> str:
    _, left, _ = percents(report.loading_g_per_g)
    return say(
        "{share} water ({mass} {unit})",
        share=left,
        mass=weighable(report.left_g.p50, wording),
        unit=wording.mass_unit,
    )


def _further(report: RunReport, wording: Wording) -> str:
    """Say what other declared appliances would still bring."""
    if not report.has_others:
        return ""
    if not report.further:
        return say("None of your other appliances would remove more than a scale can show.")
    told = [
        say(
            "{appliance}{heat} removes about {water} {unit} more in about {time}",
            appliance=further.appliance,
            heat=at_heat(further.temperature_degc, wording),
            water=weighable(further.water_g, wording),
            unit=wording.mass_unit,
            time=time_spread(further.time_s),
        )
        for further in report.further
    ]
    return say("Another way: {ways}.", ways="; ".join(told))


def _if_finished(services: Sequence[Service]) -> str:
    """Say which boxes half-dry beads are good enough for."""
    good = [service for service in services if service.good]
    usable = good or [service for service in services if not service.of_little_use]
    if not usable:
        return say("If you finish now, they are of little use in any of your boxes.") if services else ""
    limits = [f"{100.0 * limit:.4g}" for limit in by_limit(usable)]
    these = limits[-1]
    if len(limits) > 1:
        these = say("{some} or {last}", some=", ".join(limits[:-1]), last=limits[-1])
    if good:
        return say("Or finish: they are then good enough for boxes with a limit of {these} %.", these=these)
    return say("Or finish: they are then good for a while in boxes with a limit of {these} %.", these=these)


def service_lines(services: Sequence[Service], wording: Wording, of: str = "") -> list[str]:
    """Return what the beads would do, one line for each limit among the boxes; ``of``: the box whose line comes first.

    That box is named by itself: who took its beads out asks about no other.
    """
    mine = [service for service in services if service.box == of]
    rest = by_limit([service for service in services if service.box != of])
    return [
        say(
            "limit {limit} % ({boxes}): {worth}",
            limit=f"{100.0 * alike[0].humidity_limit:.4g}",
            boxes=_boxes(alike),
            worth=worth(alike[0], wording),
        )
        for alike in filter(None, (mine, *rest.values()))
    ]


def _boxes(alike: Sequence[Service]) -> str:
    names = ", ".join(service.box for service in alike[:_NAMED_BOXES])
    if len(alike) == 1:
        return names
    return say("{count} boxes: {names}", count=len(alike), names=names) + (", …" if len(alike) > _NAMED_BOXES else "")


def by_limit(services: Sequence[Service]) -> dict[float, list[Service]]:
    """Return boxes of one limit together, the strictest first: what beads can do there is the same."""
    limits = sorted({service.humidity_limit for service in services})
    return {limit: [service for service in services if service.humidity_limit == limit] for limit in limits}


def worth(service: Service, wording: Wording) -> str:
    """Return what beads are worth in a box: in a word, and in water that they can still take in."""
    word = say("good") if service.good else say("of little use") if service.of_little_use else say("good for a while")
    if weighable(service.usable_g.p50, wording) == "0":
        return say("{word}; they can take in almost no more water", word=word)
    usable = weighable_spread(service.usable_g, wording)
    return say(
        "{word}; they can still take in about {usable}, {share} % of what fully dry beads can",
        word=word,
        usable=usable,
        share=f"{100.0 * service.share:.0f}",
    )


def jar_sentence(report: RunReport) -> str:
    """Return what a jar check should show, for the second opinion that needs no scale."""
    low, middle, high = percents(report.jar_relative_humidity)
    return say(
        "In a closed jar of these beads, a hygrometer should settle near {middle} RH ({low} – {high} %)",
        middle=middle,
        low=low,
        high=high,
    )


def method_sentence(method: Method) -> str:
    """Return what a method leaves in the beads, and how long it takes."""
    left, time = water(method.reach.end_g_per_g), time_spread(method.reach.time_s)
    return say("This method leaves {left} in the beads. It takes about {time}.", left=left, time=time)


def report_headline(report: RunReport) -> str:
    """Return what a run is at as a headline over its sentence."""
    if done_but_not_known(report):
        return sentence(say(_NOT_KNOWN)).removesuffix(".")
    return verdict_headline(report.verdict.value)


def verdict_headline(verdict: str) -> str:
    """Return a verdict as a headline over its sentence.

    >>> verdict_headline("stop: done"), verdict_headline("stir and go on")
    ('Done', 'Still losing water: stir')
    """
    return say(_HEADLINES.get(verdict, verdict))


def holds_until(answer: Assessment, wording: Wording) -> str:
    """Return until when a box holds with the beads that it has, never without its interval."""
    name, limit = answer.box.name, f"{100.0 * answer.box.humidity_limit:.4g}"
    if answer.forecast is None:
        why = sentence(answer.refusal) if answer.refusal else say("There is no forecast yet.")
        return say("{name} has these beads now. {why}", name=name, why=why)
    when = wording.crossing(answer.forecast, answer.as_of)
    if is_over(answer.forecast, answer.as_of):
        return say("With these beads {name} is over its limit of {limit} %.", name=name, limit=limit)
    if answer.forecast.cross_at.p50 is None:
        text = to_say("With these beads {name} reaches its limit of {limit} % {when}.")
        return say(text, name=name, limit=limit, when=when)
    return say("With these beads {name} holds until about {when}.", name=name, when=when)


def _less(end_g: Quantiles, start_g: float) -> Quantiles:
    return Quantiles(*(max(start_g - end, 0.0) for end in (end_g.p95, end_g.p50, end_g.p05)))
