"""The whole shelf in one sentence, with names and a day, and beside it what else needs a person."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import timedelta
from typing import TYPE_CHECKING

from monitor.records import BoxState
from monitor.services.assess import all_silent, just_filled, leaks_more, silent_for

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence
    from datetime import date, datetime

    from monitor.presentation.wording import Wording
    from monitor.records import Assessment
    from monitor.services.assess import RechargePlan

_MOST_NAMES = 4  # boxes; judgement: more than four names are not read in a headline
_DAYS_A_WEEK = 7  # days, by definition: a weekday alone names no day farther off


@dataclass(frozen=True, slots=True)
class Headline:
    """What to do first and how long the rest has time, and a sentence for each other thing that needs a person."""

    main: str
    beside: tuple[str, ...] = ()


@dataclass(slots=True)
class _Groups:
    """Declared boxes, each in one group, worst first."""

    planned: list[Assessment] = field(default_factory=list)
    """On the first day of the plan."""
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
        return Headline("There is no box yet.")
    declared = [answer for answer in answers if answer.state is not BoxState.undeclared]
    groups = _grouped(declared, plan, words)
    if all_silent(answers):
        main = f"All sensors are silent: nothing heard for {_silent_span(answers)}. Check the listener and the broker."
        return Headline(main, tuple(_wrong(answers)))
    return Headline(_main(groups, plan, words), tuple(_beside(answers, groups, plan, words)))


def named(names: Sequence[str], most: int = _MOST_NAMES) -> str:
    """Return names in a sentence, cut where they are too many to read.

    >>> named(["a"]), named(["a", "b", "c"]), named(list("abcdef"), 3)
    ('a', 'a, b and c', 'a, b, c and 3 more')
    """
    if len(names) > most:
        return f"{', '.join(names[:most])} and {len(names) - most} more"
    return " and ".join(filter(None, (", ".join(names[:-1]), *names[-1:])))


def _grouped(declared: Iterable[Assessment], plan: RechargePlan | None, words: Wording) -> _Groups:
    groups = _Groups()
    first = plan.days[0] if plan and plan.days else None
    for answer in declared:
        if first and answer.box.name in first.boxes:
            groups.planned.append(answer)
        elif answer.state is BoxState.over_limit:
            (groups.fresh if just_filled(answer) else groups.over).append(answer)
        elif answer.latest is None or silent_for(answer) is not None:
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
        return f"{act}; {rest}." if rest else f"{act}."
    if rest:
        return f"Nothing to dry{'' if groups.count() == len(groups.holding) else ' yet'}: {rest}."
    if not groups.count():
        return "No box is declared yet."
    return _nothing_known(groups)


def _act(groups: _Groups, plan: RechargePlan | None, words: Wording) -> str:
    if groups.planned and plan:
        as_of = groups.planned[0].as_of
        return f"{_dry(groups.planned)} {_on(plan.days[0].on, words.local_day(as_of))}"
    first = groups.over or groups.late
    return f"{_dry(first)} {'now' if groups.over else 'today'}" if first and not (plan and plan.days) else ""


def _dry(answers: Sequence[Assessment]) -> str:
    none_in = all(answer.charge is None for answer in answers)
    return f"{'Put dry beads into' if none_in else 'Dry'} {_names(answers)}"


def _hold(groups: _Groups, words: Wording) -> str:
    holding, total = groups.holding, groups.count()
    one = len(holding) == 1
    if one and total > 1:
        who = holding[0].box.name
    elif len(holding) == total:
        who = "this box" if one else "both boxes" if total == 2 else f"all {total} boxes"
    elif len(holding) == total - len(groups.planned):
        who = "the rest"
    else:
        who = f"{len(holding)} others" if groups.planned else f"{len(holding)} of {total} boxes"
    return f"{who} {'holds' if one else 'hold'} {until(holding, words)}"


def until(holding: Sequence[Assessment], words: Wording) -> str:
    """Return the first day on which one of these boxes is due, or how far their forecasts look where none is."""
    as_of = holding[0].as_of
    first = min((answer.due_at for answer in holding if answer.due_at), default=None)
    if first is not None:
        return f"until {_day(words.local_day(first), words.local_day(as_of))}"
    days = min(len(answer.forecast.chance_by_day) - 1 for answer in holding if answer.forecast)
    return f"beyond {_day(words.local_day(as_of + timedelta(days=days)), words.local_day(as_of))}"


def _nothing_known(groups: _Groups) -> str:
    if groups.fresh:
        return f"Look again at {_names(groups.fresh)} tomorrow: {_its(groups.fresh, 'beads')} have just gone in."
    if groups.failed and not groups.unknown:
        return f"Nothing is known: the estimate of {_names(groups.failed)} failed."
    if groups.silent and not groups.unknown:
        if all(answer.latest is None for answer in groups.silent):
            return "No box has sent a reading yet."
        return f"Nothing is known of now: {_few(groups.silent)} silent."
    if groups.silent:
        return f"Nothing is known yet: {_few(groups.unknown)} too new, {_few(groups.silent)} silent."
    return f"Nothing is known yet: {_names(groups.unknown)} {_needs(groups.unknown)} more readings."


# --- what else needs a person -----------------------------------------------------------------------------------------


def _beside(answers: Sequence[Assessment], groups: _Groups, plan: RechargePlan | None, words: Wording) -> Iterator[str]:
    if plan and plan.days:
        yield from _later(groups, plan, words)
    if groups.fresh and (groups.planned or groups.holding):
        yield f"Look again at {_names(groups.fresh)} tomorrow: {_its(groups.fresh, 'beads')} have just gone in."
    yield from _leaky(answers)
    yield from _silent([a for a in answers if a.state is not BoxState.undeclared])
    if groups.unknown and (groups.planned or groups.holding or groups.over):
        yield f"{_names(groups.unknown)} {_needs(groups.unknown)} more readings."
    yield from _failed(answers)


def _wrong(answers: Sequence[Assessment]) -> Iterator[str]:
    """Say what is wrong apart from silence."""
    yield from _leaky(answers)
    yield from _failed(answers)


def _leaky(answers: Sequence[Assessment]) -> Iterator[str]:
    if leaky := [answer for answer in answers if leaks_more(answer)]:
        lids, they = ("lid", "it leaks") if len(leaky) == 1 else ("lids", "they leak")
        yield f"Check the {lids} of {_names(leaky)}: {they} more than before."


def _failed(answers: Sequence[Assessment]) -> Iterator[str]:
    if failed := [answer for answer in answers if answer.failed]:
        yield f"The estimate of {_names(failed)} failed; please report it."
    if strangers := [answer for answer in answers if answer.state is BoxState.undeclared]:
        send, are = ("sends", "is") if len(strangers) == 1 else ("send", "are")
        yield f"{_names(strangers)} {send} readings but {are} not in shelf.toml."


def _later(groups: _Groups, plan: RechargePlan, words: Wording) -> Iterator[str]:
    """Say when those follow that can't wait but are not on the first day."""
    waiting = [*groups.over, *groups.late]
    for planned in plan.days[1:]:
        if there := [answer for answer in waiting if answer.box.name in planned.boxes]:
            today = words.local_day(there[0].as_of)
            yield f"{_names(there)} {'follows' if len(there) == 1 else 'follow'} {_on(planned.on, today)}."
    placed = {name for planned in plan.days for name in planned.boxes}
    if over := [answer for answer in groups.over if answer.box.name not in placed]:
        yield f"{_dry(over)} now: {'it is' if len(over) == 1 else 'they are'} over the limit."
    if late := [answer for answer in groups.late if answer.box.name not in placed]:
        yield f"{_names(late)} {'has' if len(late) == 1 else 'have'} no place in the plan in time."


def _silent_span(answers: Sequence[Assessment]) -> str:
    """Return for how long nothing at all has been heard."""
    return _span(answers[0].as_of, max(answer.latest.at for answer in answers if answer.latest))


def _silent(answers: Sequence[Assessment]) -> Iterator[str]:
    lost = [answer for answer in answers if silent_for(answer) is not None]
    never = [answer for answer in answers if answer.latest is None]
    if lost:
        since = max((answer.latest.at for answer in lost if answer.latest), default=lost[0].as_of)
        least = "" if len(lost) == 1 else "more than "
        sensors = "its sensor" if len(lost) == 1 else "their sensors"
        yield f"Nothing heard from {_names(lost)} for {least}{_span(lost[0].as_of, since)}: check {sensors}."
    if never and len(never) < len(answers):
        yield f"No reading has ever come from {_names(never)}: check {_its(never, 'sensor')}."


def _span(as_of: datetime, since: datetime) -> str:
    silent = as_of - since
    in_days = silent >= timedelta(days=2)  # judgement: fewer are counted in hours, as `today` does
    return f"{silent.days} days" if in_days else f"{silent // timedelta(hours=1)} hours"


# --- small words ------------------------------------------------------------------------------------------------------


def _names(answers: Sequence[Assessment]) -> str:
    return named([answer.box.name for answer in answers])


def _its(answers: Sequence[Assessment], thing: str) -> str:
    if len(answers) == 1:
        return f"its {thing}"
    return f"their {thing}" if thing.endswith("s") else f"their {thing}s"


def _needs(answers: Sequence[Assessment]) -> str:
    return "needs" if len(answers) == 1 else "need"


def _few(answers: Sequence[Assessment]) -> str:
    return f"{_names(answers)} {'is' if len(answers) == 1 else 'are'}"


def _on(day: date, today: date) -> str:
    """Return a day to do something on, as a person says it."""
    ahead = (day - today).days
    if ahead <= 1:
        return "today" if ahead <= 0 else "tomorrow"
    return f"on {day:%A}" if ahead < _DAYS_A_WEEK else f"on {day:%A}, {_day(day, today)}"


def _day(day: date, today: date) -> str:
    return f"{day.day} {day:%B}" + ("" if day.year == today.year else f" {day.year}")
