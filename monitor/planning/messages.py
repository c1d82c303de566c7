"""Which message goes out by which route, and when: quiet hours, digest, once more, and a second route."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

from monitor.records.alerts import MessageKind, Sent, Told
from monitor.records.local_times import in_utc
from monitor.records.names import hint
from monitor.units import DAYS_PER_WEEK, ONE_DAY

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence
    from datetime import tzinfo

    from monitor.records.alerts import Digest, HeldMessage, QuietHours, Route, StandingAlert

MOST_REPEATS = 3
"""How many times an alert is said again on one route. A judgement: who has not heard it by then reads another one."""
_NAMES = 3  # boxes; judgement: what a phone shows of a subject
_NOTHING_SENT = Sent()


def steps_due(
    route: Route, standing: Iterable[StandingAlert], said: Mapping[int, Sent], now: datetime
) -> Iterator[tuple[int, MessageKind, int]]:
    """Yield what has to be put on its way by a route: the number of the alert, the kind of message, and its step."""
    for one in standing:
        before = said.get(one.alert_id, _NOTHING_SENT)
        kind = _due(route, one, before, now)
        if kind is not None:
            yield one.alert_id, kind, before.steps


def _due(route: Route, one: StandingAlert, before: Sent, now: datetime) -> MessageKind | None:
    if one.ended_at is not None:
        return MessageKind.over if route.says_end and before.steps else None
    if one.heard_at is not None or not route.takes(one.alert):
        return None
    if not before.steps:
        return MessageKind.first if has_lasted(one.since, now, route.after) else None
    return MessageKind.again if _again(route, before, now) else None


def _again(route: Route, before: Sent, now: datetime) -> bool:
    if route.again_after is None or before.sent_at is None or before.steps > MOST_REPEATS:
        return False
    return has_lasted(before.sent_at, now, route.again_after)


def released(route: Route, held: Iterable[HeldMessage], now: datetime, zone: tzinfo) -> list[HeldMessage]:
    """Return what may go out now: quiet hours hold it back, and a digest until its hour. Nothing is lost by either."""
    quiet = route.quiet is not None and is_quiet(route.quiet, now, zone)
    return [
        one
        for one in held
        if (route.urgent_passes and one.standing.alert.urgent) or (not quiet and _is_its_hour(route, one, now, zone))
    ]


def _is_its_hour(route: Route, one: HeldMessage, now: datetime, zone: tzinfo) -> bool:
    """Return whether the hour of a digest came since a message was made, or was made up by a clock that was wrong."""
    if route.digest is None:
        return True
    return one.made_at <= latest_slot(route.digest, now, zone) or one.made_at - now >= ONE_DAY


def has_lasted(since: datetime, now: datetime, span: timedelta) -> bool:
    """Return whether something has been so for a span of time.

    An instant further ahead than that was noted by a clock that was wrong then, and must not be waited for.
    """
    return abs(now - since) >= span


def is_quiet(hours: QuietHours, now: datetime, zone: tzinfo) -> bool:
    """Return whether an instant lies in the quiet hours of a day, by the clock of a site.

    Where clocks are changed, an hour that comes twice counts twice, and one that is left out ends when it would have:
    nobody is woken earlier than they said.
    """
    today = now.astimezone(zone).date()
    for day in (today - ONE_DAY, today):
        end_day = day if hours.start < hours.end else day + ONE_DAY
        starts = [datetime.combine(day, hours.start.replace(fold=fold), zone) for fold in (0, 1)]
        ends = [datetime.combine(end_day, hours.end.replace(fold=fold), zone) for fold in (0, 1)]
        if min(at.astimezone(UTC) for at in starts) <= now < max(at.astimezone(UTC) for at in ends):
            return True
    return False


def latest_slot(digest: Digest, now: datetime, zone: tzinfo) -> datetime:
    """Return the newest instant, not after now, at which a digest was to go out."""
    today = now.astimezone(zone).date()
    for ago in range(DAYS_PER_WEEK + 1):
        day = today - timedelta(days=ago)
        at = datetime.combine(day, digest.at, zone).astimezone(UTC)
        if at <= now and digest.weekday in (None, day.weekday()):
            return at
    raise AssertionError("every week has each of its days")


def told(one: HeldMessage, zone: tzinfo) -> Told:
    """Return an alert as its message tells it, with its end where it is over by now."""
    standing, text = one.standing, one.standing.alert.text
    if standing.ended_at is not None:
        over = f"Over since {say_moment(standing.ended_at, zone)}."
        text = f"{over} It was: {text}" if one.kind is MessageKind.over else f"{text} {over} Nothing is left to do."
    elif one.kind is MessageKind.again:
        text = f"Still so, since {say_moment(standing.since, zone)}: {text}"
    return Told(
        box=standing.alert.box,
        matter=standing.alert.kind.value,
        text=text,
        kind=one.kind.value,
        urgent=standing.alert.urgent,
        since=in_utc(standing.since),
        ended_at=in_utc(standing.ended_at) if standing.ended_at else None,
        about=standing.alert.about,
    )


def subject_of(site: str, told: Sequence[Told], kind: MessageKind) -> str:
    """Return what a message is about, in a line."""
    if len(told) > 1:
        boxes = sorted({one.box for one in told if one.box})
        shown = ", ".join(boxes[:_NAMES]) + (f" and {len(boxes) - _NAMES} more" if len(boxes) > _NAMES else "")
        return f"siccast {site}: {len(told)} alerts" + (f" ({shown})" if boxes else "")
    one = told[0]
    what = {MessageKind.over: f"no longer {one.matter}", MessageKind.again: f"still {one.matter}"}
    return f"siccast {site}: " + (f"{one.box}: " if one.box else "") + what.get(kind, one.matter)


def text_of(told: Sequence[Told], made_at: datetime, zone: tzinfo, *, before: str, can_hear: bool) -> str:
    """Return a message for a person: its alerts, a paragraph each, as of when, and how to say that they are heard."""
    parts = [one.text for one in told]
    if before:
        parts.append(f"Told before, and still so: {before}.")
    if can_hear:
        boxes = {one.box for one in told if one.box}
        who = boxes.pop() if len(boxes) == 1 and all(one.box for one in told) else "all"
        parts.append(f"To be told no more of it: {hint('watch', 'heard', who)}.")
    parts.append(f"As of {say_moment(made_at, zone)}.")
    return "\n\n".join(parts)


def say_moment(at: datetime, zone: tzinfo) -> str:
    """Return an instant as a person says it, by the clock of the site."""
    local = at.astimezone(zone)
    return f"{local:%a} {local.day} {local:%b}, {local:%H:%M}"
