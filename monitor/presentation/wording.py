"""States, reasons and what to do as every face says them, in the units and the zone of the shelf."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime
from typing import TYPE_CHECKING

from monitor.day_names import near_day
from monitor.planning.decisions import NOTHING_DECIDED
from monitor.planning.due import (
    ALMOST_SURE,
    BEGIN_WITHOUT_SENSOR,
    CHECK_THE_CLOCK,
    CHECK_THE_LID,
    CHECK_THE_SENSOR,
    READ_THE_SENSOR,
    as_decided,
    dries_now,
    is_from_before_beads,
    is_read_by_hand,
    just_filled,
    leaks_more,
    next_oven_day,
    silent_for,
    what_is_due,
    what_to_do,
    why_by_then,
    why_check_the_lid,
    why_over,
)
from monitor.presentation.amounts import ago, chance, duration, limit_percent, percent, sentence, spread
from monitor.presentation.bead_wording import beads, method
from monitor.presentation.crossing_wording import FAR_AWAY, CrossingWording
from monitor.presentation.plan_days import planned_words
from monitor.records import (
    Assessment,
    BoxState,
    LeakEstimate,
    LedgerEntry,
    Tightness,
    WhatIf,
)
from monitor.records.logged import FILLINGS
from monitor.records.words import NOT_DRIED
from monitor.texts import said, say, to_say

if TYPE_CHECKING:
    from collections.abc import Mapping

    from monitor.planning.decisions import PlanConstraints
    from monitor.presentation.plan_days import NextVisit
    from monitor.settings import Shelf

CHANCES_WITHIN_DAYS = (7, 30)  # judgement: this week, and the month in which a day can be found
_WITHOUT_FORECAST = {
    BoxState.undeclared: to_say("make it a box"),
    BoxState.estimate_failed: to_say("report the failure"),
}
"""What to do about a box without a forecast that is not over its limit; the others wait."""
FRESH = to_say("fresh beads")
"""The state of a box over its limit whose beads have just gone in."""
FULL_BEADS = to_say("Full beads hold so much water that the box is at its limit.")


@dataclass(frozen=True, slots=True)
class Wording(CrossingWording):
    """How one shelf wants things said."""

    oven_weekdays: tuple[int, ...] = ()
    """Days on which beads are dried, Monday is 0; none where nobody said."""
    decided: PlanConstraints | None = None
    """What a person asked of the plan."""
    visits: Mapping[str, NextVisit] = field(default_factory=dict)
    """When the plan has each box get dry beads next, where a plan is at hand."""

    @classmethod
    def of(
        cls, shelf: Shelf, decided: PlanConstraints | None = None, visits: Mapping[str, NextVisit] | None = None
    ) -> Wording:
        """Return how a shelf wants things said."""
        return cls(shelf.timezone, shelf.fahrenheit, shelf.ounces, shelf.plan.weekdays, decided, visits or {})

    def state(self, answer: Assessment, *, iso: bool = False) -> str:
        """Return the state of a box in plain words; in a record for machines, its state alone."""
        if answer.state is BoxState.due and answer.due_at is not None:
            due = self.local_day(answer.due_at).isoformat() if iso else self.day(answer.due_at, answer.as_of)
            return f"due by {due}" if iso else say("due by {due}", due=due)
        if iso:
            return answer.state.value
        return say(FRESH if dries_now(answer) else answer.state.value)

    def limit(self, answer: Assessment) -> str:
        """Return the limit of a box; an undeclared box has none."""
        return "–" if answer.state is BoxState.undeclared else limit_percent(answer.box.humidity_limit)

    def reading(self, answer: Assessment, *, brief: bool = False) -> str:
        """Return the last humidity that a box showed; an old one never without its age."""
        if answer.latest is None:
            return "–" if brief else say("no reading")
        return percent(answer.latest.relative_humidity, 1) + self._age(answer, brief=brief)

    def reading_of_temperature(self, answer: Assessment) -> str:
        """Return the last temperature that a box showed; an old one never without its age."""
        if answer.latest is None:
            return "–"
        return self.temperature(answer.latest.temperature_degc) + self._age(answer, brief=False)

    def _age(self, answer: Assessment, *, brief: bool) -> str:
        silent = silent_for(answer)
        if silent is not None:
            return " " + say("(old)") if brief else f", {ago(silent)}"
        if is_from_before_beads(answer):
            return " " + say("(old)") if brief else ", " + say("from before the fresh beads")
        return ""

    def estimate_now(self, answer: Assessment) -> str:
        """Return what humidity is by estimate where the last reading is too old to go by; nothing elsewhere."""
        is_old = answer.latest is None or silent_for(answer) is not None or is_from_before_beads(answer)
        if answer.forecast is None or not is_old:
            return ""
        return say(
            "about {humidity} now, by estimate",
            humidity=percent(answer.forecast.present_relative_humidity.p50, 1),
        )

    def fault(self, answer: Assessment) -> str:
        """Return since when a box leaks more than it did, with what to do; nothing where it does not."""
        return why_check_the_lid(answer, self.zone)

    def oven_day(self, as_of: datetime) -> date | None:
        """Return the next day on which beads are dried, where the shelf names such days."""
        days_off = self.decided.days_off if self.decided else ()
        return next_oven_day(self.local_day(as_of), self.oven_weekdays, days_off)

    def to_do(self, answer: Assessment, *, all_silent: bool = False) -> str:
        """Return what to do about a box, with the day to do it by: a lid and a sensor that fail come first.

        Where all sensors are silent, that is said once for all of them, and of no single one.
        """
        first = []
        if leaks_more(answer):
            first.append(say(CHECK_THE_LID))
        is_silent = silent_for(answer) is not None and answer.state is not BoxState.undeclared
        if is_silent and not all_silent:
            first.append(say(READ_THE_SENSOR if is_read_by_hand(answer) else CHECK_THE_SENSOR))
        waits = answer.forecast is None and answer.state is BoxState.not_enough_evidence
        return "; ".join(first if first and waits else [*first, self._to_do(answer)])

    def _to_do(self, answer: Assessment) -> str:
        if answer.state is BoxState.over_limit:
            decided = self.decided or NOTHING_DECIDED
            today, oven_day = self.local_day(answer.as_of), self.oven_day(answer.as_of)
            return what_to_do(answer, today, oven_day, decided, self._planned(answer))
        if answer.state is BoxState.no_readings:
            return say(CHECK_THE_CLOCK if answer.only_later_until else BEGIN_WITHOUT_SENSOR)
        if answer.forecast is None:
            waits = to_say("keep closed, wait") if answer.charge else to_say("log its beads, keep closed")
            return say(_WITHOUT_FORECAST.get(answer.state) or waits)
        if answer.due_at is None:
            return say("nothing before {year}", year=self._end(answer.forecast, answer.as_of).year)
        decided = self.decided or NOTHING_DECIDED
        phrase = as_decided(answer.box.name, decided, self.local_day(answer.as_of)) or self._planned(answer)
        by = say("{do} {by_day}", do=what_is_due(answer), by_day=self._by(answer.due_at, answer.as_of))
        return f"{by} ({phrase})" if phrase else by

    def _planned(self, answer: Assessment) -> str:
        """Return when and how the plan has a box get dry beads, as a phrase; nothing where it has none."""
        visit = self.visits.get(answer.box.name)
        return planned_words(visit, self.local_day(answer.as_of)) if visit else ""

    def _by(self, due_at: datetime, as_of: datetime) -> str:
        if due_at <= as_of:
            return say("today")
        on = self.local_day(due_at)
        near = due_at - as_of < FAR_AWAY
        return say("by {day}", day=near_day(on, self.local_day(as_of)) if near else self.day(due_at, as_of))

    def reason(self, answer: Assessment) -> str:
        """Return in a sentence or two why that is the thing to do."""
        return f"{self.fault(answer)} {self._reason(answer)}".strip()

    def _reason(self, answer: Assessment) -> str:
        if answer.state is BoxState.over_limit:
            return why_over(answer)
        if answer.forecast is None:
            return sentence(answer.refusal) if answer.refusal else ""
        if silent := silent_for(answer):
            return say(
                "Its last reading is from {ago}. Humidity is {estimate_now}.",
                ago=ago(silent),
                estimate_now=self.estimate_now(answer),
            )
        if answer.charge is None:
            return say("No beads are logged for it.")
        return say("Its beads are {share} full.", share=percent(answer.forecast.capacity_used.p50))

    def why_then(self, answer: Assessment) -> str:
        """Return in a sentence why a box has the day that it has; nothing where it has none."""
        if answer.forecast is None or answer.state is BoxState.over_limit:
            return ""
        if answer.due_at is None:
            return say("It stays under {limit} that long.", limit=limit_percent(answer.box.humidity_limit))
        return why_by_then(
            answer, self.day(answer.due_at, answer.as_of) if answer.due_at > answer.as_of else say("today")
        )

    def course(self, answer: Assessment) -> str:
        """Return when a box passes its limit and how likely that is soon, in sentences; nothing without a forecast."""
        there = answer.forecast
        if there is None:
            return ""
        limit = limit_percent(there.humidity_limit)
        if answer.state is BoxState.over_limit:
            if there.chance_over_already > ALMOST_SURE:
                return say("It is almost surely above {limit} now.", limit=limit)
            return say(
                "The chance that it is above {limit} now is {chance}.",
                limit=limit,
                chance=chance(there.chance_over_already),
            )
        soon, later = (chance(there.chance_within(days)) for days in CHANCES_WITHIN_DAYS)
        within = say(
            "{soon} in the next {soon_days} days and {later} in the next {later_days}",
            soon=soon,
            soon_days=CHANCES_WITHIN_DAYS[0],
            later=later,
            later_days=CHANCES_WITHIN_DAYS[1],
        )
        if soon == later:
            within = say("{later} in the next {later_days} days", later=later, later_days=CHANCES_WITHIN_DAYS[1])
        if there.cross_at.p50 is None:
            stays = say(
                "Humidity will probably stay below {limit} for {beyond}.", limit=limit, beyond=self._beyond(there)
            )
            return say("{stays} The chance that it rises above it is {within}.", stays=stays, within=within)
        when = self.crossing_in_brief(there, answer.as_of, between=True)
        return say(
            "Humidity will probably rise above {limit} about {when}. The chance of that is {within}.",
            limit=limit,
            when=when,
            within=within,
        )

    def evidence(self, answer: Assessment, *, with_grams: bool) -> list[str]:
        """Return what a forecast rests on, in the units of the shelf; of grams only where grams are shown.

        Over its limit a box needs dry beads and no scale.
        """
        texts = [*answer.evidence, *filter(None, [grams_rest_on(answer) if with_grams else ""])]
        return [sentence(self.in_own_units(said(text))) for text in texts]

    def sharpen(self, answer: Assessment) -> str:
        """Return what would make a forecast surer; nothing while beads that just went in dry the air of their box."""
        waits = answer.state is BoxState.over_limit and just_filled(answer)
        return sentence(answer.sharpen) if answer.sharpen and not waits else ""

    def beads_full(self, answer: Assessment, *, brief: bool = False) -> str:
        """Return how full the beads of a box are: what they hold as a share of what they can hold at its limit."""
        if answer.charge is not None and just_filled(answer) and answer.charge.method != NOT_DRIED:
            return (
                say("fresh") if brief else say("fresh since {since}", since=self._since(answer.charge.at, answer.as_of))
            )
        if answer.charge is None and answer.state is not BoxState.undeclared:
            return "–" if brief else say("none logged")
        if answer.forecast is None:
            return "–" if brief else say("unknown")
        held = answer.forecast.capacity_used
        if held.p50 >= 1.0:
            return say("full")
        most = say("full") if held.p95 >= 1.0 else f"{100.0 * held.p95:.0f}"
        if brief:
            return percent(held.p50)
        least = f"{100.0 * held.p05:.0f}"
        return say("{share} full ({least} – {most})", share=percent(held.p50), least=least, most=most)

    def _since(self, at: datetime, as_of: datetime) -> str:
        """Return a time of today, or else a day."""
        is_today = self.local_day(at) == self.local_day(as_of)
        return f"{at.astimezone(self.zone):%H:%M}" if is_today else self.day(at, as_of)

    def opening(self, leak: LeakEstimate) -> str:
        """Return what one opening brings, beside the leak; nothing where the room is as dry as the box."""
        if leak.opening_g is None or leak.opening_hours is None:
            return ""
        brings, hours = self.mass(leak.opening_g.p50), duration(leak.opening_hours.p50 / 24.0)
        return say(
            "Each opening lets in about {brings} of water. The leak takes {hours} to let in as much.",
            brings=brings,
            hours=hours,
        )

    def for_its_kind(self, leak: LeakEstimate) -> str:
        """Return in a word how a box closes for one of its style, with what to do where it closes badly."""
        if leak.for_its_kind is None:
            return "–"
        if leak.for_its_kind is Tightness.leaky:
            return say("leaky: check the lid")
        return say(leak.for_its_kind.value)

    def change(self, leak: LeakEstimate, as_of: datetime) -> str:
        """Return since when a box is leakier or tighter than it was, how much, and what that may come from."""
        if leak.changed_at is None or leak.change_factor is None:
            return ""
        since = self.day(leak.changed_at, as_of)
        span = self._span(*(leak.changed_between or (leak.changed_at, leak.changed_at)), as_of)
        times = say(
            "Since {since}{span} it has been {times} times as leaky as before.",
            since=since,
            span=span,
            times=spread(leak.change_factor),
        )
        return f"{times} {said(leak.change_words)}".rstrip()

    def changes(self, change: WhatIf, limit: float | None = None) -> list[str]:
        """Return what is supposed to be changed about a box of such a limit, a phrase each."""
        told = []
        if change.humidity_limit is not None:
            new = say("a limit of {limit}", limit=limit_percent(change.humidity_limit))
            told.append(new if limit is None else say("{new} instead of {old}", new=new, old=percent(limit)))
        if change.conductance_factor != 1.0:
            times = say("{times} times the leak", times=f"{change.conductance_factor:g}")
            told.append({0.5: say("half the leak"), 2.0: say("double the leak")}.get(change.conductance_factor, times))
        if change.dry_mass_g is not None or change.desiccant is not None:
            mass = say("as much") if change.dry_mass_g is None else self.mass(change.dry_mass_g)
            kind = say("the same kind") if change.desiccant is None else beads(change.desiccant)
            told.append(say("fresh beads put in now, {mass} of {kind}", mass=mass, kind=kind))
        if (climate := change.room_climate) is not None:
            held = percent(climate.relative_humidity)
            told.append(
                say(
                    "a room of {temperature} and {held} on average",
                    temperature=self.temperature(climate.temperature_degc),
                    held=held,
                )
            )
        return told

    def method(self, way: str) -> str:
        """Return how beads were dried, as a person says it.

        >>> from zoneinfo import ZoneInfo
        >>> words = Wording(ZoneInfo("UTC"))
        >>> words.method("oven_115C"), words.method("hot_air_65C_4h"), words.method("oven_120C_3h")
        ('oven, 115 °C', 'hot air, 65 °C, 4 hours', 'three hours in the oven at 120 °C')
        """
        return self.in_own_units(method(way))

    def entry(self, entry: LedgerEntry) -> str:
        """Return what a person wrote down, in one sentence's worth of words."""
        words = []
        if entry.kind in FILLINGS and entry.dry_mass_g is not None:
            words.append(say("{mass} of {kind}", mass=self.mass(entry.dry_mass_g), kind=beads(entry.desiccant)))
        if entry.mass_g is not None:
            words.append(say("weighed {mass}", mass=self.mass(entry.mass_g)))
        if entry.method:
            words.append(self.method(entry.method))
        if entry.color:
            words.append(say(entry.color))
        if entry.note:
            words.append(entry.note)
        return "; ".join(words)


def grams_rest_on(answer: Assessment) -> str:
    """Return what the grams of a box rest on; nothing that asks for a scale where it is dry beads that are needed."""
    if answer.leak is None or (answer.state is BoxState.over_limit and not answer.leak.grams_known):
        return ""
    return said(answer.leak.grams_words)
