"""Is the site well: clocks, store, disk, permissions, silent boxes, estimates; each finding with its remedy."""

from __future__ import annotations

import os
import shlex
import shutil
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from typing import TYPE_CHECKING

from monitor.day_names import span_of
from monitor.errors import SiccastError
from monitor.feed.clocks import TOLERANCE
from monitor.feed.formats.values import MAX_AHEAD
from monitor.physics.compiled import filter_kernel
from monitor.records import ROOM, BoxState, Mark
from monitor.records.names import hint
from monitor.records.readings import ReadingSource
from monitor.series.sensor_faults import TWO_SENSORS_REMEDY, two_sensors_days
from monitor.series.usual_interval import patience_with, usual_interval
from monitor.services.doubtful_units import doubtful_units
from monitor.services.sensor_habit import with_habit
from monitor.texts import say, say_many, to_say

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence
    from pathlib import Path

    from monitor.records import Assessment, Box, Forwarding, Listener, Reading, ReadingSeries
    from monitor.store.contracts import Ledger, Readings, Upkeep

_LITTLE_SPACE_BYTES = 500 * 1024 * 1024  # judgement: a year of a dozen boxes, or room for a backup
_HEALTHY_WEEK = timedelta(days=7)  # judgement: long enough to know a node's habits by
_MANY_WAITING = 5000
"""More than one batch of readings on their way to a second store (a judgement: one batch is nothing to speak of)."""


class Severity(StrEnum):
    """How a finding is meant."""

    well = "well"
    look = "look"
    fault = "fault"


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing looked at: how it is, and what to do where it is not well."""

    subject: str
    verdict: Severity
    found: str
    remedy: str = ""


def check_folder(folder: Path) -> Iterator[Finding]:
    """Look at the shelf folder: may we write there, and is there space."""
    if folder.exists() and not os.access(folder, os.W_OK | os.X_OK):
        yield Finding(
            say("folder"),
            Severity.fault,
            say("siccast can't write to {folder}", folder=folder),
            f"chown or chmod {shlex.quote(str(folder))} for this user",
        )
    if os.name == "posix" and folder.exists() and folder.stat().st_mode & 0o002:
        yield Finding(
            say("folder"),
            Severity.look,
            say("anyone on this machine may write to {folder}", folder=folder),
            f"chmod o-w {shlex.quote(str(folder))}",
        )
    if folder.exists():
        free = shutil.disk_usage(folder).free
        few = free < _LITTLE_SPACE_BYTES
        yield Finding(
            say("disk"), Severity.look if few else Severity.well, say("{size} GiB free", size=f"{free / 2**30:.1f}"),
            say("free some space, or move the shelf folder. The listener waits while the disk is full") if few else "",
        )  # fmt: skip


def check_privacy(database: Path) -> Iterator[Finding]:
    """Look whether others on this machine may read the database, its log or a copy beside it.

    Ours are made for their owner alone; a file of an older siccast, or one that was copied in, keeps its own mode.
    """
    if os.name != "posix":
        return
    files = sorted(database.parent.glob(f"{database.stem}*{database.suffix}*"))
    if wide := [each for each in files if _is_for_others(each)]:
        names = ", ".join(each.name for each in wide)
        remedy = f"chmod 600 {shlex.join(map(str, wide))}"
        yield Finding(
            say("permissions"), Severity.look, say("other users of this machine can read {names}", names=names), remedy
        )


def _is_for_others(file: Path) -> bool:
    try:
        return bool(file.stat().st_mode & 0o077)
    except OSError:  # the last to close a database takes its log away
        return False


def check_files(folder: Path, database: Path, doubts: Iterable[str]) -> Iterator[Finding]:
    """Look at the folder, at who may read in it, and at what its shelf file says and hardly means."""
    yield from check_folder(folder)
    yield from check_privacy(database)
    for doubt in doubts:
        yield Finding(say("shelf file"), Severity.look, doubt)


def check_at_hand(readings: Readings, ledger: Ledger, declared: Iterable[Box], now: datetime) -> Iterator[Finding]:
    """Look at what the stores tell at once: boxes, their clocks and units, and messages that could not be used."""
    boxes = tuple(declared)
    yield from check_boxes(readings, boxes, now)
    for doubt in doubtful_units(readings, ledger, boxes, now):
        yield Finding(doubt.name, Severity.look, doubt.found, doubt.remedy)
    yield from check_rejected(ledger, now)


def check_rejected(ledger: Ledger, now: datetime) -> Iterator[Finding]:
    """Say that messages were rejected; what nobody sends any more needs nobody."""
    newest = ledger.rejected(1)
    if newest:
        lately = newest[0].arrived_at > now - _HEALTHY_WEEK
        text = to_say("{count} rejected so far") if lately else to_say("{count} rejected so far, none in the last week")
        found = say(text, count=ledger.rejected_count())
        yield Finding(
            say("messages"), Severity.look if lately else Severity.well, found, say("`siccast rejected` shows why")
        )


def check_store(upkeep: Upkeep) -> Iterator[Finding]:
    """Let the database check itself."""
    try:
        faults = upkeep.faults()
    except SiccastError as error:
        faults = [str(error)]
    size = upkeep.path.stat().st_size / 2**20
    if faults:
        yield Finding(
            say("store"), Severity.fault, _in_one_line(faults), say("stop the listener, then restore the newest backup")
        )
    else:
        yield Finding(
            say("store"),
            Severity.well,
            say("{path}, {size} MiB, no damage found", path=upkeep.path.name, size=f"{size:.1f}"),
        )


def _in_one_line(faults: Sequence[str]) -> str:
    """Return the first thing that SQLite finds wrong with a file, and how many more there are."""
    lines = [line for fault in faults for line in fault.splitlines() if not line.startswith("***")]
    first, more = (lines or faults)[0], len(lines) - 1
    return say("{first}, and {count} more faults", first=first, count=more) if more > 0 else first


def check_boxes(readings: Readings, declared: Iterable[Box], now: datetime) -> Iterator[Finding]:
    """Look for silent boxes, boxes nobody declared, and clocks that are wrong."""
    latest = readings.latest()
    boxes = tuple(declared)
    known = {box.name for box in boxes}
    rooms = {box.room for box in boxes} | {ROOM}
    for name in sorted(known - set(latest)):
        yield Finding(
            name,
            Severity.look,
            say("declared, but it never sent a reading"),
            say(
                "is its node on, and is its topic right? Without a sensor, log what a display shows: {reading}",
                reading=hint("log", "reading", name, then="RH TEMPERATURE"),
            ),
        )
    possible = readings.latest(before=now + MAX_AHEAD)
    for name, reading in sorted(latest.items()):
        if name not in known | rooms:
            yield Finding(
                name, Severity.look, say("seen, not declared"), say("{hint} makes it a box", hint=hint("adopt", name))
            )
        if name in possible:
            week = readings.series(name, possible[name].at - _HEALTHY_WEEK, now + MAX_AHEAD)
            yield from _check_silence(with_habit(readings, week, possible[name].at), possible[name], now)
            yield from _check_two_sensors(week)
            yield from _check_clock(possible[name], now)
        if name not in possible or possible[name].at < reading.at:
            yield _from_the_future(readings, reading, now, alone=name not in possible)


def needs_no_listener(latest: Mapping[str, Reading], boxes: Sequence[Box]) -> bool:
    """Return whether there are boxes, and no sensor ever sent for any: their readings are typed in or imported."""
    return bool(boxes) and all(reading.source is not ReadingSource.sensor for reading in latest.values())


def check_listener(listeners: Sequence[Listener], broker: Sequence[Finding] = ()) -> Iterator[Finding]:
    """Look whether a listener is at work on this shelf, or, by what the broker was told, on another machine."""
    at_work = [listener for listener in listeners if listener.at_work]
    for listener in at_work:
        found = say(
            "process {process} has listened for this shelf since {since} UTC",
            process=listener.process,
            since=f"{listener.since:%Y-%m-%d %H:%M}",
        )
        yield Finding(say("listener"), Severity.well, found)
    elsewhere = any(each.subject.startswith("listener") and each.verdict is Severity.well for each in broker)
    if not at_work and not elsewhere:
        found = say("none is running for this shelf")
        if listeners:
            last = max(listeners, key=lambda listener: listener.since)
            started = f"{last.since:%Y-%m-%d %H:%M}"
            text = to_say("{found}; the last one, started {since} UTC, {ended}")
            found = say(text, found=found, since=started, ended=_ended(last))
        yield Finding(
            say("listener"),
            Severity.look,
            found,
            say("start `siccast listen`; make it a service if it should always run"),
        )


def _ended(listener: Listener) -> str:
    return say("ended: {ended}", ended=listener.ended) if listener.ended else say("ended without a message")


def check_forwarding(forwarding: Forwarding, url: str) -> Iterator[Finding]:
    """Look whether the second store takes our readings, and how many it lacks."""
    behind = say("{count} readings wait for it", count=forwarding.waiting)
    if forwarding.oldest_at:
        oldest = f"{forwarding.oldest_at:%Y-%m-%d %H:%M}"
        behind = say("{behind}, the oldest of {oldest} UTC", behind=behind, oldest=oldest)
    if forwarding.trouble:
        yield Finding(
            "InfluxDB", Severity.fault, f"{url} {forwarding.trouble}; {behind}",
            say("start it, or correct [influx]. Nothing is lost: the shelf's own database has every reading"),
        )  # fmt: skip
    elif forwarding.waiting > _MANY_WAITING:
        yield Finding(
            "InfluxDB",
            Severity.look,
            say("{url} answers; {behind}", url=url, behind=behind),
            say("`siccast listen` forwards them"),
        )
    else:
        yield Finding("InfluxDB", Severity.well, say("{url} answers; {behind}", url=url, behind=behind))


def check_estimates(assessments: Sequence[Assessment]) -> Iterator[Finding]:
    """Look for estimates that failed by a defect of ours, and for boxes over their limit."""
    if apart := next((a.apart for a in assessments if a.apart), ""):
        yield Finding(say("estimates"), Severity.fault, apart, say("please report this, with the trace on stderr"))
    for a in assessments:
        if a.failed:
            yield Finding(a.box.name, Severity.fault, a.refusal, say("please report this, with the trace on stderr"))
        if a.state is BoxState.over_limit:
            found = say("over its limit of {limit} %", limit=f"{100.0 * a.box.humidity_limit:g}")
            yield Finding(a.box.name, Severity.look, found, say("`siccast today` says what to do"))
    if not any(a.failed or a.apart for a in assessments):
        yield Finding(
            say("estimates"), Severity.well, say("{count} boxes, and no estimate failed", count=len(assessments))
        )
    _, why_not = filter_kernel()
    by = (
        say("estimates run in Python, a few times slower: {why_not}", why_not=why_not)
        if why_not
        else say("estimates are compiled")
    )
    yield Finding(say("speed"), Severity.well, by)


def _check_two_sensors(week: ReadingSeries) -> Iterator[Finding]:
    if two_sensors_days(week.at_s, week.relative_humidity).any():
        yield Finding(
            week.box, Severity.look, say("two sensors seem to report under this name"),
            TWO_SENSORS_REMEDY,
        )  # fmt: skip


def _check_silence(week: ReadingSeries, latest: Reading, now: datetime) -> Iterator[Finding]:
    silent = now - latest.at
    if silent > patience_with(week):
        yield Finding(
            latest.box,
            Severity.look,
            _silent(silent, usual_interval(week.at_s)),
            say("check its battery, its distance to the radio, and its clock"),
        )  # fmt: skip


def _silent(silent: timedelta, every: timedelta | None) -> str:
    if every is None:
        return say("silent for {span}", span=span_of(silent))
    return say("silent for {span}; usually it sends every {every}", span=span_of(silent), every=span_of(every))


def _from_the_future(readings: Readings, latest: Reading, now: datetime, *, alone: bool) -> Finding:
    """A clock that was wrong once must not be complained of until its time has come."""
    dated = say_many(
        "One of its readings is dated in the future, {at}. A clock was wrong. siccast does not use it",
        "{count} of its readings are dated in the future, up to {at}. A clock was wrong. siccast does not use them",
        len(readings.series(latest.box, now + MAX_AHEAD)),
        at=f"{latest.at:%Y-%m-%d %H:%M} UTC",
    )
    return Finding(
        latest.box,
        Severity.look if alone else Severity.well,
        say("{dated}, and there are no others", dated=dated) if alone else dated,
        say("set the clocks of node and machine by NTP") if alone else "",
    )


def _check_clock(latest: Reading, now: datetime) -> Iterator[Finding]:
    if latest.at > now + TOLERANCE or latest.marks & Mark.clock_ahead.bit:
        yield Finding(
            latest.box, Severity.look, say("its clock, or this machine's, is ahead or behind"), say("set both by NTP")
        )
    elif latest.marks & Mark.clock_behind.bit:
        yield Finding(latest.box, Severity.look, say("its clock is behind"), say("set it by NTP, or leave 't' out"))
