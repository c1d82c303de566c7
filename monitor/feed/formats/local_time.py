"""Clock times without a zone: the autumn hour that comes twice, and the spring hour that never comes.

Which pass of the repeated hour a row is from can't be read off the row. The order of the file tells it: rows of one
box follow one another in time, so a clock that jumps back has begun its second pass.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta, tzinfo

from monitor.errors import UnusableMessageError
from monitor.records.local_times import instants_of

_HOUR = timedelta(hours=1)  # by definition
_DAY = timedelta(days=1)  # by definition


@dataclass(slots=True)
class _Last:
    """What a box's row before told: its clock time, its instant, and how long after the row before that it was."""

    clock: datetime
    at: datetime
    step: timedelta | None


@dataclass(slots=True)
class LocalClock:
    """Turns the clock times of a table's rows, in the order of the rows, into instants."""

    zone: tzinfo
    newest_first: bool = False
    repeated_on: set[date] = field(default_factory=set)
    """Days on which rows of an hour that came twice were told apart."""
    _last: dict[str, _Last] = field(default_factory=dict)
    _day_changes: dict[date, bool] = field(default_factory=dict)

    def instant(self, box: str, clock: datetime) -> datetime:
        """Return the instant at which a clock of the zone showed this on the wall of a box.

        Raises
        ------
        UnusableMessageError
            When it never showed that, because the hour was skipped.
        """
        first = clock.replace(tzinfo=self.zone).astimezone(UTC)
        at = self._on_a_day_of_change(box, clock, first) if self._changes_on(clock.date()) else first
        before = self._last.get(box)
        self._last[box] = _Last(clock, at, abs(clock - before.clock) if before else None)
        return at

    def told_apart(self) -> str:
        """Return one line on the hours that came twice; empty where no row is of one."""
        days = ", ".join(f"{day:%Y-%m-%d}" for day in sorted(self.repeated_on))
        return (
            f"on {days} one hour came twice: siccast used the order of the rows to tell which is which" if days else ""
        )

    def _on_a_day_of_change(self, box: str, clock: datetime, first: datetime) -> datetime:
        shown = instants_of(clock, self.zone)
        if not shown:
            raise UnusableMessageError(
                f"t is '{clock:%Y-%m-%d %H:%M}', which did not exist in {self.zone}: clocks skipped that hour."
                " Give the zone of the file with --timezone, for example UTC or a zone without summer time"
            )
        if len(shown) == 1:
            return first
        first, second = shown
        self.repeated_on.add(clock.date())
        return second if self._is_second_pass(self._last.get(box), clock, first, second) else first

    def _is_second_pass(self, before: _Last | None, clock: datetime, first: datetime, second: datetime) -> bool:
        if before is None:
            return self.newest_first
        if clock == before.clock and (before.step is None or before.step < _HOUR):
            return before.at == second  # the same row again, not the same minute an hour later
        return second < before.at if self.newest_first else first <= before.at

    def _changes_on(self, day: date) -> bool:
        """Return whether clocks were changed that day."""
        known = self._day_changes.get(day)
        if known is None:
            midnight = datetime.combine(day, time(), self.zone)
            known = midnight.utcoffset() != (midnight + _DAY).utcoffset()
            self._day_changes[day] = known
        return known
