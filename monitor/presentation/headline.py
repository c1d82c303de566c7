"""The whole shelf in one sentence, with names and a day, and beside it what else needs a person."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import timedelta
from typing import TYPE_CHECKING

from monitor.day_names import day_in_month, span_of, weekday
from monitor.planning.due import all_silent, is_read_by_hand, just_filled, leaks_more, silent_for
from monitor.planning.steady import first_days
from monitor.presentation.plan_days import dates_of
from monitor.records import BoxState
from monitor.texts import say, say_many, to_say
from monitor.units import DAYS_PER_WEEK

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence
    from datetime import date, datetime

    from monitor.planning.recharge import RechargePlan
    from monitor.presentation.plan_days import PlanDate
    from monitor.presentation.wording import Wording
    from monitor.records import Assessment

_LATER_DAYS = 2  # days; judgement: what comes after the next two is for the plan to show
_MOST_NAMES = 4  # boxes; judgement: more than four names are not read in a headline


@dataclass(frozen=True, slots=True)
class Headline:
    """What to do first and how long the rest has time, and a sentence for each other thing that needs a person."""

    main: str
    beside: tuple[str, ...] = ()


@dataclass(slots=True)
class _Groups:
    """Declared boxes, each in one group, worst first."""

    planned: list[Assessment] = field(default_factory=list)
    """Dried on the first day of the plan."""
    swapped: list[Assessment] = field(default_factory=list)
    """They get a spare charge on that day."""
    over: list[Assessment] = field(default_factory=list)
    """Over the limit, and not on that day."""
    fresh: list[Assessment] = field(default_factory=list)
    """The same, but with beads that have just gone in."""
    late: list[Assessment] = field(default_factory=list)
    """Not over yet, but due before that day is gone, or today where none is planned."""
    silent: list[Assessment] = field(default_factory=list)
    """What is believed of them rests on old readings, or on none."""
    failed: list[Assessment] = field(default_factory=list)
    """Their estimates, by a defect of ours."""
    unknown: list[Assessment] = field(default_factory=list)
    """Too new for a forecast."""
    holding: list[Assessment] = field(default_factory=list)

    def count(self) -> int:
        return sum(len(getattr(self, name)) for name in self.__slots__)


def headline(answers: Sequence[Assessment], plan: RechargePlan | None, words: Wording) -> Headline:
    """Return what to do first, by the plan, and until when the other boxes hold, by their forecasts."""
    if not answers:
        return Headline(say("There is no box yet."))
    declared = [answer for answer in answers if answer.state is not BoxState.undeclared]
    groups = _grouped(declared, plan, words)
    if all_silent(answers):
        main = say(
            "All sensors are silent: nothing heard for {span}. Check the listener and the broker.",
            span=_silent_span(answers),
        )
        return Headline(main, tuple(_wrong(answers)))
    return Headline(_main(groups, plan, words), tuple(_beside(answers, groups, plan, words)))


def named(names: Sequence[str], most: int = _MOST_NAMES) -> str:
    """Return names in a sentence, cut where they are too many to read.

    >>> named(["a"]), named(["a", "b", "c"]), named(list("abcdef"), 3)
    ('a', 'a, b and c', 'a, b, c and 3 more')
    """
    if len(names) > most:
        return say("{names} and {count} more", names=", ".join(names[:most]), count=len(names) - most)
    if len(names) > 1:
        return say("{names} and {last}", names=", ".join(names[:-1]), last=names[-1])
    return "".join(names)


def _grouped(declared: Iterable[Assessment], plan: RechargePlan | None, words: Wording) -> _Groups:
    groups = _Groups()
    first = _first_date(plan)
    for answer in declared:
        if first and answer.box.name in first.dried:
            groups.planned.append(answer)
        elif first and answer.box.name in first.swapped:
            groups.swapped.append(answer)
        elif answer.state is BoxState.over_limit:
            (groups.fresh if just_filled(answer) else groups.over).append(answer)
        elif answer.state is BoxState.no_readings or silent_for(answer) is not None:
            groups.silent.append(answer)
        elif answer.forecast is None:
            (groups.failed if answer.state is BoxState.estimate_failed else groups.unknown).append(answer)
        else:
            today = words.local_day(answer.as_of)
            is_late = answer.due_at is not None and words.local_day(answer.due_at) <= (first.on if first else today)
            (groups.late if is_late else groups.holding).append(answer)
    return groups


# --- the sentence -----------------------------------------------------------------------------------------------------


def _main(groups: _Groups, plan: RechargePlan | None, words: Wording) -> str:
    rest = _hold(groups, words) if groups.holding else ""
    if act := _act(groups, plan, words):
        return say("{act}; {rest}.", act=act, rest=rest) if rest else f"{act}."
    if rest:
        if groups.count() == len(groups.holding):
            return say("Nothing to dry: {rest}.", rest=rest)
        return say("Nothing to dry yet: {rest}.", rest=rest)
    if not groups.count():
        return say("No box is declared yet.")
    return _nothing_known(groups)


def _act(groups: _Groups, plan: RechargePlan | None, words: Wording) -> str:
    date_of_plan = _first_date(plan)
    if date_of_plan and (there := groups.planned or groups.swapped):
        when = _on(date_of_plan.on, words.local_day(there[0].as_of))
        if not groups.swapped:
            return _dry(groups.planned, when)
        spares = _names(groups.swapped)
        if not groups.planned:
            return say("Put spare beads into {names} {when}", names=spares, when=when)
        return say(
            "Dry {names} and put spare beads into {others} {when}",
            names=_names(groups.planned),
            others=spares,
            when=when,
        )
    first = groups.over or groups.late
    if not first or date_of_plan:
        return ""
    when = say("now") if groups.over else say("today")
    if all(answer.charge is None for answer in first):
        return say("Log the beads of {names} or put some in {when}", names=_names(first), when=when)
    return _dry(first, when)


def _first_date(plan: RechargePlan | None) -> PlanDate | None:
    """Return the first date on which a box gets dry beads."""
    return next((one for one in dates_of(plan) if one.boxes), None) if plan else None


def _dry(answers: Sequence[Assessment], when: str) -> str:
    if all(answer.charge is None for answer in answers):
        return say("Put dry beads into {names} {when}", names=_names(answers), when=when)
    return say("Dry {names} {when}", names=_names(answers), when=when)


def _hold(groups: _Groups, words: Wording) -> str:
    holding, total = groups.holding, groups.count()
    one = len(holding) == 1
    if one and total > 1:
        who = holding[0].box.name
    elif len(holding) == total:
        who = say("this box") if one else say("both boxes") if total == 2 else say("all {total} boxes", total=total)
    elif len(holding) == total - len(groups.planned) - len(groups.swapped):
        who = say("the rest")
    else:
        who = (
            say("{count} others", count=len(holding))
            if groups.planned or groups.swapped
            else say("{count} of {total} boxes", count=len(holding), total=total)
        )
    if one:
        return say("{who} holds {until}", who=who, until=until(holding, words))
    return say("{who} hold {until}", who=who, until=until(holding, words))


def until(holding: Sequence[Assessment], words: Wording) -> str:
    """Return the first day on which one of these boxes is due, or how far their forecasts look where none is."""
    as_of = holding[0].as_of
    first = min((answer.due_at for answer in holding if answer.due_at), default=None)
    if first is not None:
        return say("until {day}", day=day_in_month(words.local_day(first), words.local_day(as_of)))
    days = min(len(answer.forecast.chance_by_day) - 1 for answer in holding if answer.forecast)
    return say("beyond {day}", day=day_in_month(words.local_day(as_of + timedelta(days=days)), words.local_day(as_of)))


def _look_again(fresh: Sequence[Assessment]) -> str:
    if len(fresh) == 1:
        return say("Look again at {names} tomorrow: its beads have just gone in.", names=_names(fresh))
    return say("Look again at {names} tomorrow: their beads have just gone in.", names=_names(fresh))


def _nothing_known(groups: _Groups) -> str:
    if groups.fresh:
        return _look_again(groups.fresh)
    if groups.failed and not groups.unknown:
        return say("Nothing is known: the estimate of {names} failed.", names=_names(groups.failed))
    if groups.silent and not groups.unknown:
        return _nothing_heard(groups.silent)
    if groups.silent:
        new, silent = _are_new(groups.unknown), _are_silent(groups.silent)
        return say("Nothing is known yet: {new}, {silent}.", new=new, silent=silent)
    return say("Nothing is known yet: {need}.", need=_need_more(groups.unknown))


def _nothing_heard(silent: Sequence[Assessment]) -> str:
    if later := [answer for answer in silent if answer.only_later_until]:
        return say("Nothing is known of now: all readings of {names} are dated later.", names=_names(later))
    if all(answer.latest is None for answer in silent):
        return say("No box has sent a reading yet.")
    return say("Nothing is known of now: {silent}.", silent=_are_silent(silent))


# --- what else needs a person -----------------------------------------------------------------------------------------


def _beside(answers: Sequence[Assessment], groups: _Groups, plan: RechargePlan | None, words: Wording) -> Iterator[str]:
    acts = bool(groups.planned or groups.swapped)
    if plan and _first_date(plan):
        yield from _later(groups, plan, words)
    if groups.fresh and (acts or groups.holding):
        yield _look_again(groups.fresh)
    yield from _leaky(answers)
    yield from _silent([a for a in answers if a.state is not BoxState.undeclared])
    if groups.unknown and (acts or groups.holding or groups.over):
        yield f"{_need_more(groups.unknown)}."
    yield from _failed(answers)


def _wrong(answers: Sequence[Assessment]) -> Iterator[str]:
    """Say what is wrong apart from silence."""
    yield from _leaky(answers)
    yield from _failed(answers)


def _leaky(answers: Sequence[Assessment]) -> Iterator[str]:
    if leaky := [answer for answer in answers if leaks_more(answer)]:
        one = to_say("Check the lid of {names}: it leaks more than before.")
        many = to_say("Check the lids of {names}: they leak more than before.")
        yield say(one if len(leaky) == 1 else many, names=_names(leaky))


def _failed(answers: Sequence[Assessment]) -> Iterator[str]:
    if failed := [answer for answer in answers if answer.failed]:
        yield say("The estimate of {names} failed; please report it.", names=_names(failed))
    if strangers := [answer for answer in answers if answer.state is BoxState.undeclared]:
        one = to_say("{names} sends readings and is no box yet: make it one.")
        many = to_say("{names} send readings and are no boxes yet: make them boxes.")
        yield say(one if len(strangers) == 1 else many, names=_names(strangers))


def _later(groups: _Groups, plan: RechargePlan, words: Wording) -> Iterator[str]:
    """Say when those follow that can't wait but are not on the first day."""
    waiting = [*groups.over, *groups.late]
    placed = first_days(plan.days, plan.swaps)
    days = sorted({placed[answer.box.name] for answer in waiting if answer.box.name in placed})
    for on in days[:_LATER_DAYS]:
        there = [answer for answer in waiting if placed.get(answer.box.name) == on]
        today = words.local_day(there[0].as_of)
        text = to_say("{names} follows {day}.") if len(there) == 1 else to_say("{names} follow {day}.")
        yield say(text, names=_names(there), day=_on(on, today))
    if after := sum(placed.get(answer.box.name) in days[_LATER_DAYS:] for answer in waiting):
        yield say_many("{count} more follows later.", "{count} more follow later.", after)
    if over := [answer for answer in groups.over if answer.box.name not in placed]:
        text = to_say("{dry}: it is over the limit.") if len(over) == 1 else to_say("{dry}: they are over the limit.")
        yield say(text, dry=_dry(over, say("now")))
    if late := [answer for answer in groups.late if answer.box.name not in placed]:
        one, many = (
            to_say("{names} has no place in the plan in time."),
            to_say("{names} have no place in the plan in time."),
        )
        yield say(one if len(late) == 1 else many, names=_names(late))


def _silent_span(answers: Sequence[Assessment]) -> str:
    """Return for how long nothing at all has been heard."""
    return _span(answers[0].as_of, max(answer.latest.at for answer in answers if answer.latest))


def _silent(answers: Sequence[Assessment]) -> Iterator[str]:
    silent = [answer for answer in answers if silent_for(answer) is not None]
    lost = [answer for answer in silent if not is_read_by_hand(answer)]
    unread = [answer for answer in silent if is_read_by_hand(answer)]
    unheard = [answer for answer in answers if answer.latest is None and answer.only_later_until is None]
    never, by_kind = ([one for one in unheard if (one.forecast is None) is none] for none in (True, False))
    later = [answer for answer in answers if answer.only_later_until is not None]
    if lost:
        since = max((answer.latest.at for answer in lost if answer.latest), default=lost[0].as_of)
        one = to_say("Nothing heard from {names} for {span}: check its sensor.")
        many = to_say("Nothing heard from {names} for more than {span}: check their sensors.")
        yield say(one if len(lost) == 1 else many, names=_names(lost), span=_span(lost[0].as_of, since))
    if unread:
        one = to_say("Nobody has read the hygrometer of {names} for a while: log what it shows.")
        many = to_say("Nobody has read the hygrometers of {names} for a while: log what they show.")
        yield say(one if len(unread) == 1 else many, names=_names(unread))
    if never and len(never) < len(answers):
        one = to_say("No sensor has ever sent for {names}: switch it on, or log its beads for a forecast without one.")
        many = to_say(
            "No sensors have ever sent for {names}: switch them on, or log their beads for a forecast without."
        )
        yield say(one if len(never) == 1 else many, names=_names(never))
    if by_kind:
        one = to_say("No reading has ever come from {names}: its day rests on its log and its kind.")
        many = to_say("No reading has ever come from {names}: their days rest on their logs and their kinds.")
        yield say(one if len(by_kind) == 1 else many, names=_names(by_kind))
    if later:
        one = to_say("All readings of {names} are dated later: check the clock of its sensor.")
        many = to_say("All readings of {names} are dated later: check the clocks of their sensors.")
        yield say(one if len(later) == 1 else many, names=_names(later))


def _span(as_of: datetime, since: datetime) -> str:
    return span_of(as_of - since)


# --- small words ------------------------------------------------------------------------------------------------------


def _names(answers: Sequence[Assessment]) -> str:
    return named([answer.box.name for answer in answers])


def _need_more(answers: Sequence[Assessment]) -> str:
    if len(answers) == 1:
        return say("{names} needs more readings", names=_names(answers))
    return say("{names} need more readings", names=_names(answers))


def _are_silent(answers: Sequence[Assessment]) -> str:
    text = to_say("{names} is silent") if len(answers) == 1 else to_say("{names} are silent")
    return say(text, names=_names(answers))


def _are_new(answers: Sequence[Assessment]) -> str:
    text = to_say("{names} is too new") if len(answers) == 1 else to_say("{names} are too new")
    return say(text, names=_names(answers))


def _on(day: date, today: date) -> str:
    """Return a day to do something on, as a person says it."""
    ahead = (day - today).days
    if ahead <= 1:
        return say("today") if ahead <= 0 else say("tomorrow")
    if ahead < DAYS_PER_WEEK:  # a weekday alone names no day farther off
        return say("on {weekday}", weekday=weekday(day))
    return say("on {weekday}, {day}", weekday=weekday(day), day=day_in_month(day, today))
