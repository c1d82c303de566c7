"""A run as a page shows it: the one thing to do now, where the beads stand, and what can be put right."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from types import MappingProxyType
from typing import TYPE_CHECKING

from monitor.desk import cautions
from monitor.desk.methods import beads_of
from monitor.desk.told_by_box import came_from
from monitor.presentation.amounts import ago
from monitor.presentation.bead_wording import beads
from monitor.presentation.desk_amounts import minutes, weighable
from monitor.presentation.desk_log_wording import what_was_done
from monitor.presentation.desk_wording import (
    done_but_not_known,
    jar_sentence,
    method_sentence,
    report_headline,
    report_lines,
    result_sentence,
    service_lines,
    verdict_sentence,
    water_left,
)
from monitor.presentation.quantities import heating_s
from monitor.records import Quantiles
from monitor.records.desk_events import HeatTimed, RunWeighed
from monitor.texts import say
from monitor.web.desk.begin import tare_typed
from monitor.web.desk.charges import charge_address, going_since, run_address
from monitor.web.desk.curve import CurveView, curve_view
from monitor.web.desk.into_box import IntoBoxView, into_box_view, names_of
from monitor.web.desk.timing import Moment, TimerView, timer_view

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from monitor.desk import Desk, RunCurve, RunReport
    from monitor.desk.inventory import Inventory, Run
    from monitor.presentation.wording import Wording
    from monitor.records.desk_events import LoggedEvent

INTERRUPTED_AFTER = timedelta(hours=1)
"""Beads that lay out of the appliance for longer are weighed again before they are heated. A judgement: by then open
ones have taken up more than a kitchen scale misses."""
_SAME_SITTING = timedelta(minutes=30)
"""So long a weight that was typed for these beads is offered again. A judgement: beads in the open gain a few grams."""
_SIGNS = MappingProxyType(
    {
        "go on": "due",
        "stir and go on": "due",
        "stop: done": "within",
        "stop: this method cannot go lower in this room": "within",
        "stop: the bed is not dried through": "over",
        "can't tell: no drying curve fits these weighings": "unsure",
    }
)

_STIRRING_HELPS = frozenset({"stir and go on", "stop: the bed is not dried through"})


@dataclass(frozen=True, slots=True)
class WeighingRow:
    """One weighing in the table."""

    when: str
    heat: str
    mass: str
    change: str
    stirred: bool = False
    """Whether the beads were stirred after it."""


@dataclass(frozen=True, slots=True)
class Newest:
    """The newest thing that was logged of a run, which can be taken back with one tap."""

    event_id: int
    what: str


@dataclass(frozen=True, slots=True)
class Standing:
    """Where the beads stand after their newest weighing."""

    headline: str
    sign: str
    stops: bool
    stir: str
    """'wanted' where the verdict says so, 'done' where they were stirred since the last weighing, or ''."""
    left: str
    done_leaves: str
    verdict: str
    next_gain: str
    lines: Sequence[tuple[str, str]]
    remarks: Sequence[str]
    services: Sequence[str]
    curve: CurveView
    further: Sequence[tuple[str, str]]
    """Other appliances that would still remove water, and how much."""
    spilled_between: tuple[str, str, str] | None
    """Minutes before and after the spill that would make a curve fit, and the former as it is typed."""
    result: str
    jar: str


@dataclass(frozen=True, slots=True)
class RunView:
    """The page of a run."""

    name: str
    address: str
    charge: str
    charge_address: str
    what: str
    appliance: str
    kind: str
    said: str
    when: str
    is_open: bool
    step: str
    """'first', 'interrupted', 'heat', 'timer', 'minutes', 'weigh' or 'finished'."""
    seen: str
    """The newest weighing that this page knows, so that one of another device is not passed over."""
    after: str
    after_said: str
    """The heat since the last weighing, as a person says it; '' where there was none."""
    suggested: str
    """Minutes of the next heat: those that were typed, or else the judged step."""
    last: str
    prefilled: str
    tare: str
    unit: str
    too_long: str
    timer: TimerView | None
    rested: str
    """How long ago anything was logged or a timer rang, where that is so long that beads took up water."""
    newest: Newest | None
    method: str
    method_services: Sequence[str]
    cautions: Sequence[str]
    sheet: str
    colors: Sequence[str]
    others: Sequence[str]
    rows: Sequence[WeighingRow]
    standing: Standing | None
    into_box: IntoBoxView | None


def run_view(
    desk: Desk,
    run: Run,
    events: Sequence[LoggedEvent],
    curve: RunCurve | None,
    at: Moment,
    *,
    step: str = "",
    after: str = "",
    too_long: str = "",
    minutes_typed: str = "",
) -> RunView:
    """Return the page of a run; ``step`` and ``after``: what the address asks for."""
    words, inventory = at.words, desk.inventory()
    timer = timer_view(run, at.clock, words) if run.open else None
    now_to_do = _step(run, timer, at.now, step, after)
    kind, method = beads_of(inventory, run.start.charge), desk.method_of(run)
    report = curve.report if curve else None
    return RunView(
        name=run.name,
        address=run_address(run.name),
        charge=run.start.charge,
        charge_address=charge_address(run.start.charge),
        what=beads(kind.kind),
        appliance=run.start.appliance,
        kind=run.start.appliance_kind,
        said=going_since(run, at.now, words),
        when=words.moment(run.started_at),
        is_open=run.open,
        step=now_to_do,
        seen=seen(run),
        after=after,
        after_said=minutes(heating_s(after)) if after and heating_s(after) else "",
        rested=_rested(run, timer, at),
        suggested=minutes_typed or f"{report.judgement.next_step_s / 60.0:g}" if report else minutes_typed,
        last=_last(run, at.now, words),
        prefilled=_prefilled(run, inventory, events, at),
        tare=_tare(run, words),
        unit=words.mass_unit,
        too_long=words.in_own_units(too_long),
        timer=timer,
        newest=_newest(run, events),
        method=words.in_own_units(method_sentence(method)),
        method_services=service_lines(method.services, words, came_from(run, [box.name for box in desk.boxes])),
        cautions=_cautions(inventory, run, words),
        sheet=say(cautions.SHEET),
        colors=kind.dye.colors if kind.dye else (),
        others=[tool.name for tool in desk.appliances if tool.name != run.start.appliance],
        rows=_rows(run, words),
        standing=_standing(curve, words, came_from(run, [box.name for box in desk.boxes])) if curve else None,
        into_box=None if run.open else into_box_view(desk, run, events, at),
    )


def seen(run: Run) -> str:
    """Return what tells the newest weighing of a run from any other."""
    return str(run.shown[-1].event_id) if run.shown else "0"


def newest_deed(run: Run, events: Sequence[LoggedEvent]) -> LoggedEvent | None:
    """Return the newest thing that was logged of a run or, once it is finished, of its beads; no timers."""
    last = run.shown[-1].event_id if run.shown else 0
    names = set() if run.open else names_of(run, [logged for logged in events if logged.event_id > last])
    mine = [logged for logged in events if _is_of(run, names, last, logged)]
    newest = mine[-1] if mine else None
    return newest if newest is None or getattr(newest.event, "run", run.name) == run.name else None


def _is_of(run: Run, names: set[str], last: int, logged: LoggedEvent) -> bool:
    event = logged.event
    if isinstance(event, HeatTimed):
        return False
    of_beads = {getattr(event, "charge", None), getattr(event, "into", None)} & names
    return getattr(event, "run", None) == run.name or (logged.event_id > last and bool(of_beads))


def _newest(run: Run, events: Sequence[LoggedEvent]) -> Newest | None:
    logged = newest_deed(run, events)
    return None if logged is None else Newest(logged.event_id, what_was_done(logged.event))


def _step(run: Run, timer: TimerView | None, now: datetime, step: str, after: str) -> str:
    if not run.open:
        return "finished"
    if not run.weighings:
        return "first"
    if after:
        return "weigh"
    if step == "minutes":
        return "minutes"
    if timer is not None:
        return "timer"
    interrupted = now - run.weighings[-1].at > INTERRUPTED_AFTER and step != "heat"
    return "interrupted" if interrupted else "heat"


def _rested(run: Run, timer: TimerView | None, at: Moment) -> str:
    if not run.weighings or not run.open or (timer is not None and timer.state != "over"):
        return ""
    since = at.now - run.weighings[-1].at
    if timer is not None and run.timer is not None:
        rang_s = run.timer.clock_s + run.timer.planned_s - run.timer.heated_s
        since = timedelta(seconds=at.clock.timestamp() - rang_s)
    return ago(since) if since > INTERRUPTED_AFTER else ""


def _last(run: Run, now: datetime, words: Wording) -> str:
    if not run.weighings:
        return ""
    last = run.weighings[-1]
    return say(
        "{weight} after {heated} of heat, {ago}",
        weight=words.weight(last.mass_g),
        heated=minutes(last.heated_s),
        ago=ago(now - last.at),
    )


def _prefilled(run: Run, inventory: Inventory, events: Sequence[LoggedEvent], at: Moment) -> str:
    """Return the weight that was typed for these beads a moment ago, as the scale with the holder would show it."""
    if run.weighings:
        return ""
    numbers = set(inventory.charge(run.start.charge).events)
    earlier = [logged for logged in events if logged.event_id in numbers and _weighs(logged)]
    if not earlier or at.now - earlier[-1].at > _SAME_SITTING:
        return ""
    return tare_typed(run.mass_before_g + run.start.tare_g, at.words)


def _weighs(logged: LoggedEvent) -> bool:
    return isinstance(logged.event, RunWeighed) or type(logged.event).__name__ in {"ChargePortioned", "RunFinished"}


def _tare(run: Run, words: Wording) -> str:
    return words.weight(run.start.tare_g) if run.start.tare_g else ""


def _cautions(inventory: Inventory, run: Run, words: Wording) -> list[str]:
    told = cautions.at_the_end()
    if run.open:
        kind, start = beads_of(inventory, run.start.charge), run.start
        told = (
            *cautions.at_the_scale(),
            *cautions.before_heating(kind, start.appliance_kind, run.charge_before.holder),
        )
    return [words.in_own_units(caution.text) for caution in told]


def _rows(run: Run, words: Wording) -> list[WeighingRow]:
    rows = []
    for place, weighing in enumerate(run.weighings):
        before_g = run.weighings[place - 1].mass_g if place else None
        change = "" if before_g is None else words.weight(weighing.mass_g - before_g).replace("-", "\N{MINUS SIGN}")
        rows.append(
            WeighingRow(
                words.moment(weighing.at),
                minutes(weighing.heated_s),
                words.weight(weighing.mass_g),
                change,
                stirred=place + 1 in run.stirs,
            )
        )
    return rows


def _standing(curve: RunCurve, words: Wording, box: str) -> Standing:
    report = curve.report
    verdict = report.verdict.value
    only_first = len(report.run.weighings) == 1
    gain, step = report.judgement.next_gain_g, minutes(report.judgement.next_step_s)
    return Standing(
        headline=_headline(report, only_first=only_first),
        sign="unsure" if only_first or done_but_not_known(report) else _SIGNS.get(verdict, "unsure"),
        stops=report.verdict.stops,
        stir=_stir(report),
        left=water_left(report, words),
        done_leaves=f"{weighable(report.floor_g_per_g * report.dry_mass_g.p50, words)} {words.mass_unit}",
        verdict=_plain(verdict_sentence(report, words), words),
        next_gain=""
        if only_first
        else say(
            "{step} more: about {gain} {mass_unit} less",
            step=step,
            gain=weighable(gain.p50, words),
            mass_unit=words.mass_unit,
        ),
        lines=[(label, words.in_own_units(value)) for label, value in report_lines(report, words) if label != "run"],
        remarks=_remarks(report, words),
        services=() if only_first else service_lines(report.services, words, box),
        curve=curve_view(curve, words),
        further=[(each.appliance, _further(each.water_g, each.time_s, words)) for each in report.further],
        spilled_between=_between(report),
        result=_plain(result_sentence(report, words), words),
        jar=jar_sentence(report),
    )


def _stir(report: RunReport) -> str:
    if report.run.stirred_since_last:
        return "done"
    return "wanted" if report.verdict.value in _STIRRING_HELPS else ""


def _headline(report: RunReport, *, only_first: bool) -> str:
    if not report.run.open and not report.verdict.stops:
        return say("Finished before it was done")
    return say("The first weight is saved") if only_first else report_headline(report)


def _further(water_g: float, time_s: Quantiles, words: Wording) -> str:
    return say(
        "about {water} {mass_unit} more in {time}",
        water=weighable(water_g, words),
        mass_unit=words.mass_unit,
        time=minutes(time_s.p50),
    )


def _plain(text: str, words: Wording) -> str:
    return words.in_own_units(text)


def _remarks(report: RunReport, words: Wording) -> list[str]:
    """Return the remarks; the one about weighings that fit no curve is asked about by buttons instead."""
    return [words.in_own_units(remark) for remark in report.remarks if "`" not in remark]


def _between(report: RunReport) -> tuple[str, str, str] | None:
    if report.spilled_between_s is None:
        return None
    before, after = (f"{heated_s / 60.0:g}" for heated_s in report.spilled_between_s)
    return before, after, f"{before}min"
