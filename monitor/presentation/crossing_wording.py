"""When a box passes its limit, as every face says it: as precisely as that is known, never without its interval."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from monitor.day_names import day_of_month, short_month
from monitor.planning.due import due_at, due_odds
from monitor.presentation.amounts import TO
from monitor.presentation.unit_wording import UnitWording
from monitor.records import CrossingForecast
from monitor.texts import say, to_say

FAR_AWAY = timedelta(days=75)
"""Beyond this a crossing is better named by its month. A judgement: its interval is weeks wide then."""
_DAYS_A_MONTH = 30.44  # a twelfth of a year, by definition of the calendar


@dataclass(frozen=True, slots=True)
class CrossingWording(UnitWording):
    """Dates of a forecast in the zone of one shelf."""

    def crossing(self, forecast: CrossingForecast, as_of: datetime) -> str:
        """Return the day of the crossing, never without its interval."""
        return self._crossing(forecast, as_of, in_months=False, between=False)

    def crossing_in_brief(self, forecast: CrossingForecast, as_of: datetime, *, between: bool = False) -> str:
        """Return the crossing as precisely as it is known: by days while it is near, by months when it is far."""
        dates = forecast.cross_at
        in_months = dates.p50 is not None and dates.p50 - as_of >= FAR_AWAY
        return self._crossing(forecast, as_of, in_months=in_months, between=between)

    def holds(self, forecast: CrossingForecast, as_of: datetime, *, brief: bool = False) -> str:
        """Return until when a box holds, by the rule for the day on which it is due, and when it passes its limit."""
        when, due = self.crossing_in_brief(forecast, as_of), due_at(forecast, as_of)
        if due is None or is_over(forecast, as_of):
            return when
        about = when if forecast.cross_at.p50 is None else say("about {when}", when=when)
        until = self.day(due, as_of) if due > as_of else say("today")
        if brief:
            return say("until {until}; passes its limit {about}", until=until, about=about)
        risk = say("after that, the chance that it is over is above {odds}", odds=due_odds())
        return say(
            "until {until} ({risk}); most likely it passes its limit {about}", until=until, risk=risk, about=about
        )

    def _crossing(self, forecast: CrossingForecast, as_of: datetime, *, in_months: bool, between: bool) -> str:
        dates, far = forecast.cross_at, self._beyond(forecast)
        if is_over(forecast, as_of):
            return say("already over")
        if dates.p05 is None:
            return say("in {far} (after {day})", far=far, day=self.day(self._end(forecast, as_of), as_of))
        first, last = self._ends(dates.p05, dates.p95, as_of, in_months=in_months)
        first = say("now") if dates.p05 <= as_of else first
        if dates.p50 is None:
            return say("in {far} (at the earliest {first})", far=far, first=first)
        middle = self._month(dates.p50, as_of) if in_months else self.day(dates.p50, as_of)
        if last is None:
            return say("{middle} ({first} or later)", middle=middle, first=first)
        if first == last:
            return middle
        text = to_say("{middle} (between {first} and {last})") if between else "{middle} ({first} – {last})"
        return say(text, middle=middle, first=first, last=last)

    def _ends(
        self, first: datetime, last: datetime | None, as_of: datetime, *, in_months: bool
    ) -> tuple[str, str | None]:
        """Return the ends of an interval, with month and year once where both share them."""
        name = self._month if in_months else self.day
        start = name(first, as_of)
        if last is None:
            return start, None
        end = name(last, as_of)
        ahead, behind = first.astimezone(self.zone), last.astimezone(self.zone)
        if start != end and ahead.year == behind.year:
            start = short_month(ahead) if in_months else day_of_month(ahead.date())
            if not in_months and ahead.month == behind.month:
                start = str(ahead.day)
        return start, end

    def _span(self, first: datetime, last: datetime, as_of: datetime) -> str:
        """Return the days between which something was, with month and year once where they are the same."""
        start, end = self._ends(first, last, as_of, in_months=False)
        return "" if start == end else f" ({start} {TO} {end})"

    def _month(self, at: datetime, beside: datetime) -> str:
        local, here = at.astimezone(self.zone), beside.astimezone(self.zone)
        name = short_month(local)
        return name if local.year == here.year else say("{month} {year}", month=name, year=local.year)

    def _beyond(self, forecast: CrossingForecast) -> str:
        """Return that something lies beyond what a forecast looks ahead."""
        return say("more than {months} months", months=int((len(forecast.chance_by_day) - 1) / _DAYS_A_MONTH))

    def _end(self, forecast: CrossingForecast, as_of: datetime) -> datetime:
        return as_of + timedelta(days=len(forecast.chance_by_day) - 1)


def is_over(forecast: CrossingForecast, as_of: datetime) -> bool:
    """Return whether a box has most likely passed its limit already."""
    return forecast.cross_at.p50 is not None and forecast.cross_at.p50 <= as_of
