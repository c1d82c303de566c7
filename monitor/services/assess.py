"""Store → inference → planning; one ``Assessment`` a box, the same for every face."""

from __future__ import annotations

import logging
import math
from contextlib import closing, contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np

from monitor.errors import ClusterError, StoreError
from monitor.planning.due import (
    ALMOST_SURE,
    OVER_FROM_CHANCE,
    due_at,
    silent_for,
    state_of,
)
from monitor.records import (
    ROOM,
    Assessment,
    Box,
    BoxState,
    CrossingForecast,
    DateQuantiles,
    LedgerEntry,
    Outlook,
    Reading,
    ReadingSeries,
    RoomClimate,
    WhatIf,
)
from monitor.records.logged import FILLINGS
from monitor.records.names import hint
from monitor.records.readings import NOT_GOOD
from monitor.series.open_lid import lid_open_since
from monitor.series.sensor_faults import TWO_SENSORS_REMEDY, two_sensors_days
from monitor.series.usual_interval import usual_interval
from monitor.services.at_rest import weak_recharge
from monitor.services.histories import TWO_SENSORS_WITHIN, Histories
from monitor.services.kept_outlooks import NothingKept, Round
from monitor.services.sensor_habit import with_habit
from monitor.texts import say, to_say, without_box

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterator, Mapping, Sequence

    from monitor.inference import Workers
    from monitor.store.contracts import Ledger, Readings
    from monitor.store.kept_contracts import KeptOutlooks

STALE_AFTER_DAYS = 3.0
"""A newest reading older than this is said beside the forecast. A judgement: a box may have been opened since."""

_WORTH_SAYING = 0.05
"""A chance of being over the limit already that is lower goes unsaid (a judgement: one in twenty)."""

_log = logging.getLogger(__name__)


def assess(
    readings: Readings,
    ledger: Ledger,
    boxes: Sequence[Box],
    as_of: datetime,
    *,
    kept: KeptOutlooks | None = None,
    room_climate: RoomClimate | None = None,
    humidity_limit: float | None = None,
    change: WhatIf | None = None,
    asked: Collection[str] | None = None,
    of_the_past: bool = False,
    fresh: bool = False,
    workers: int | None = None,
    dask: str | None = None,
    progress: Callable[[float], None] = lambda _share: None,
) -> tuple[Assessment, ...]:
    """Return what is believed about every declared box, then every box that reports without being declared.

    Only readings and entries stamped before ``as_of`` are seen. Boxes of one style inform each other, so ask for all of
    them even to show one. ``humidity_limit`` takes the place of every box's own; ``change`` asks beside the forecast
    for that of the same box with something changed: both only for the boxes ``asked`` about, or all.

    What is ``kept`` from earlier questions is answered from, unless ``fresh`` says otherwise, and what is new is kept
    there; of a question ``of_the_past`` only where nothing of a later instant is. Many boxes are spread over
    ``workers`` processes, by default one for each core, or over the workers of a ``dask`` cluster at some address, or
    "local"; ``progress`` is told the share done.
    """
    latest, histories = readings.latest(), Histories.of(readings, ledger, boxes, as_of, room_climate)
    held = [box.name for box in boxes if asked is None or box.name in asked]
    special = None if humidity_limit is None and change is None else _Special(held, humidity_limit, change)
    with _where(workers, dask) as workplace:
        question = Round(
            histories,
            kept or NothingKept(),
            held=held if special else (),
            of_the_past=of_the_past,
            fresh=fresh,
            workers=workplace,
            progress=progress,
        )
        answers, apart = _ask(question, histories, special)
    if humidity_limit is not None:
        boxes = [replace(box, humidity_limit=humidity_limit) if box.name in held else box for box in boxes]
    declared = (_assessment(histories, box, answers[box.name], latest.get(box.name), apart) for box in boxes)
    return (*declared, *_undeclared(readings, latest, boxes, histories.as_of))


@contextmanager
def _where(workers: int | None, dask: str | None) -> Iterator[Workers]:
    """Say where boxes are fitted."""
    if dask is None:
        yield workers
        return
    try:
        from monitor.services.dask_cluster import DaskCluster  # noqa: PLC0415 -- only installed where it is wanted
    except ModuleNotFoundError as error:
        raise ClusterError(
            say("the Dask library is not installed ({error}). Remedy: pip install 'siccast[dask]'", error=error)
        ) from error
    with closing(DaskCluster(dask, workers)) as cluster:
        yield cluster


def with_newest(
    assessments: Sequence[Assessment], latest: Mapping[str, Reading], as_of: datetime
) -> tuple[tuple[Assessment, ...], bool]:
    """Return what is believed, carried on to an instant soon after, and whether that is all there is to it.

    What was shown since is put in where it is no more than a figure. A box that is new, that speaks again, or whose
    reading passes its limit either way has to be assessed anew; until then it stays as it was, so that nothing that is
    returned contradicts its own state.
    """
    names = {assessment.box.name for assessment in assessments} | {a.box.room for a in assessments} | {ROOM}
    whole = all(name in names or reading.at >= as_of for name, reading in latest.items())
    carried = []
    for one in assessments:
        newest = latest.get(one.box.name)
        if newest is None or newest.at >= as_of or (one.latest is not None and newest.at <= one.latest.at):
            newest = one.latest
        elif not _is_a_figure(one, newest):
            newest, whole = one.latest, False
        carried.append(replace(one, as_of=as_of, latest=newest))
    return tuple(carried), whole


def _is_a_figure(assessment: Assessment, newest: Reading) -> bool:
    """Return whether a newer reading changes nothing that is said of a box but its figure."""
    before = assessment.latest
    if before is None or silent_for(assessment) is not None:
        return False
    over = _reading_is_over(assessment, newest)
    return over is None or over is _reading_is_over(assessment, before)


def _reading_is_over(assessment: Assessment, reading: Reading) -> bool | None:
    """Return whether a reading shows a box to be over its limit, as ``_shows_over``; None where it says nothing."""
    if assessment.state is BoxState.undeclared:
        return False
    if reading.marks & NOT_GOOD:
        return None
    if assessment.charge is not None and reading.at <= assessment.charge.at:
        return False
    return reading.relative_humidity > assessment.box.humidity_limit


@dataclass(frozen=True)
class _Special:
    """What is asked beside, or in place of, the boxes as they are."""

    names: Sequence[str]
    """Of which boxes."""
    humidity_limit: float | None
    change: WhatIf | None


def _ask(question: Round, histories: Histories, special: _Special | None) -> tuple[Mapping[str, Outlook], str]:
    """Return one outlook for each box, and where asking for all together failed, why each was asked alone."""
    apart = ""
    try:
        answers = question.outlooks()
        if special is not None:
            answers = {**answers, **question.with_something_changed(**vars(special))}
    except (ClusterError, StoreError):
        raise
    except Exception as error:
        _log.exception("the boxes can't be looked at together; each is asked alone")
        apart = say(
            "the boxes could not be looked at together ({kind}: {error}), so none could learn from the "
            "others; please report it",
            kind=type(error).__name__,
            error=error,
        )
        answers = {box.name: _ask_alone(histories, box, special) for box in histories.boxes}
    for name, answer in answers.items():
        if answer.trace:
            trace = "" if answer.trace == answer.refusal else f"\n{answer.trace}"
            _log.error("box %s: %s%s", name, answer.refusal, trace)
    return answers, apart


def _ask_alone(histories: Histories, box: Box, special: _Special | None) -> Outlook:
    from monitor import inference  # noqa: PLC0415 -- what was kept is answered without any model

    limit = special.humidity_limit if special and special.humidity_limit is not None else box.humidity_limit
    change = special.change if special else None
    try:
        [one] = inference.fitted([histories.history(box)], histories.as_of, [limit], change=change, keep=False)
    except Exception as error:
        return inference.refused(error)
    return one.outlook


def _assessment(histories: Histories, box: Box, answer: Outlook, newest: Reading | None, apart: str) -> Assessment:
    as_of, recent = histories.as_of, histories.recent(box)
    latest = _latest(recent, newest, as_of)
    charge = _charge(histories.entries[box.name])
    over = _shows_over(box, recent, charge)
    dated_later = newest is not None and latest is None
    forecast = over_already(answer.forecast, as_of, shown=over) if answer.forecast and not dated_later else None
    due = due_at(forecast, as_of) if forecast else None
    assessment = Assessment(
        box=box,
        as_of=as_of,
        state=BoxState.over_limit if over else _state(answer, forecast, latest, as_of),
        latest=latest,
        only_later_until=newest.at if newest and dated_later else None,
        charge=charge,
        leak=None if dated_later else answer.leak,
        forecast=forecast,
        due_at=as_of if over else due,
        evidence=(
            *_two_sensors(recent, as_of),
            *_over_now(forecast, shown=over, seen=_is_of(latest, charge)),
            *answer.evidence,
            *_staleness(latest, as_of),
            *filter(None, (apart,)),
        ),
        sharpen=answer.sharpen,
        refusal=without_box(answer.refusal, box.name) if latest or forecast else _why_none(newest, box.name),
        forecast_if=over_already(answer.forecast_if, as_of) if answer.forecast_if and not dated_later else None,
        failed=bool(answer.trace),
        apart=apart,
        unlogged_rise_at=answer.unlogged_rise_at if latest else None,
        lid_open_since=_lid_open_since(recent, histories.recent_room(box), as_of),
        reads_every=usual_interval(with_habit(histories.readings, recent, latest.at).at_s) if latest else None,
    )
    return replace(assessment, weak_recharge=weak_recharge(assessment, histories.readings))


def _lid_open_since(recent: ReadingSeries, room: ReadingSeries, as_of: datetime) -> datetime | None:
    good, good_of_room = ((series.marks & NOT_GOOD) == 0 for series in (recent, room))
    since_s = lid_open_since(
        recent.at_s[good],
        recent.relative_humidity[good],
        room.at_s[good_of_room],
        room.relative_humidity[good_of_room],
        as_of.timestamp(),
    )
    return None if since_s is None else datetime.fromtimestamp(since_s, UTC)


def _shows_over(box: Box, readings: ReadingSeries, charge: LedgerEntry | None) -> bool:
    """True where the last good reading is over the limit: no estimate is needed to see that.

    A reading from before the beads that are in the box now says nothing of it.
    """
    good = np.flatnonzero((readings.marks & NOT_GOOD) == 0)
    if good.size == 0 or (charge is not None and readings.at_s[good[-1]] <= charge.at.timestamp()):
        return False
    return bool(readings.relative_humidity[good[-1]] > box.humidity_limit)


def over_already(forecast: CrossingForecast, as_of: datetime, *, shown: bool = False) -> CrossingForecast:
    """Return a forecast whose dates don't lie ahead where the box is over its limit, as shown or more likely than not.

    Inference gives the dates of a crossing that is still to come, beside the chance that it is not.
    """
    if forecast.chance_over_already < OVER_FROM_CHANCE and not shown:
        return forecast
    certain = forecast.chance_over_already >= 0.95  # of all chances, those below the 95 % point: by definition
    return replace(forecast, cross_at=DateQuantiles(as_of, as_of, as_of if certain else forecast.cross_at.p95))


def _is_of(latest: Reading | None, charge: LedgerEntry | None) -> bool:
    """Return whether a reading tells of the beads that are in the box now."""
    return latest is not None and (charge is None or latest.at > charge.at)


def _over_now(forecast: CrossingForecast | None, *, shown: bool, seen: bool) -> tuple[str, ...]:
    """Say how far the estimate and the last reading agree on whether a box is over its limit already."""
    if forecast is None:
        return ()
    chance = forecast.chance_over_already
    if shown and chance > ALMOST_SURE:
        return (say("It is over the limit even if the sensor shows a slightly wrong value."),)
    if chance > ALMOST_SURE:
        return (say("By all that is known together, it is almost surely over the limit already."),)
    in_words = (
        f"{100.0 * chance:.0f} %" if chance >= 0.01 else say("less than 1 %")
    )  # judgement: a simulation tells no less
    if shown:
        return (
            say(
                "Its last reading is over the limit. By all readings together, the chance that it is over is "
                "{chance}. The sensor may show a slightly wrong value, or the rise may pass.",
                chance=in_words,
            ),
        )
    if chance < _WORTH_SAYING:
        return ()
    by_sensor = to_say(
        "The chance that it is over the limit already is {chance}: the sensor may show a slightly wrong value."
    )
    unseen = to_say("The chance that it is over the limit already is {chance}.")
    return (say(by_sensor if seen else unseen, chance=in_words),)


def _state(answer: Outlook, forecast: CrossingForecast | None, latest: Reading | None, as_of: datetime) -> BoxState:
    if answer.trace and latest is not None:
        return BoxState.estimate_failed
    if forecast is not None:
        return state_of(forecast, as_of)
    return BoxState.no_readings if latest is None else BoxState.not_enough_evidence


def _why_none(later: Reading | None, box: str) -> str:
    """Return why there is no reading to go by: none ever came, or all that came are dated later than the question."""
    if later is None:
        by_hand = hint("log", "reading", box, then="RH TEMPERATURE")
        return say(
            "no sensor has sent for this box yet. Log its beads, and there is a first forecast; a reading off any "
            "display makes it sharper: {by_hand}",
            by_hand=by_hand,
        )
    return say(
        "all its readings are dated later, up to {at} UTC. Unless you ask about the past, a clock was wrong: set those "
        "of its sensor and of this machine by NTP",
        at=f"{later.at:%Y-%m-%d %H:%M}",
    )


def _latest(series: ReadingSeries, newest: Reading | None, as_of: datetime) -> Reading | None:
    """Return the newest reading before the instant: the store's own where it is old enough, else the series' last."""
    if newest is not None and newest.at < as_of:
        return newest
    if len(series) == 0:
        return None
    return Reading(
        box=series.box,
        at=datetime.fromtimestamp(float(series.at_s[-1]), UTC),
        temperature_degc=float(series.temperature_degc[-1]),
        relative_humidity=float(series.relative_humidity[-1]),
    )


def _charge(entries: Sequence[LedgerEntry]) -> LedgerEntry | None:
    return next((entry for entry in reversed(entries) if entry.kind in FILLINGS), None)


def _two_sensors(series: ReadingSeries, as_of: datetime) -> tuple[str, ...]:
    """Said first where two sensors seem to report as one box: whatever follows rests on a mixture."""
    week = slice(int(np.searchsorted(series.at_s, (as_of - TWO_SENSORS_WITHIN).timestamp())), None)
    if not two_sensors_days(series.at_s[week], series.relative_humidity[week]).any():
        return ()
    return (
        say(
            "Two sensors seem to send as this box, and their readings are mixed here. Remedy: {remedy}.",
            remedy=say(TWO_SENSORS_REMEDY),
        ),
    )


def _staleness(latest: Reading | None, as_of: datetime) -> tuple[str, ...]:
    if latest is None or (silent := as_of - latest.at) <= timedelta(days=STALE_AFTER_DAYS):
        return ()
    return (say("The newest reading is {days} days old. What happened since is unknown.", days=silent.days),)


def _undeclared(
    readings: Readings, latest: Mapping[str, Reading], boxes: Sequence[Box], as_of: datetime
) -> Iterator[Assessment]:
    known = {ROOM} | {box.name for box in boxes} | {box.room for box in boxes}
    for name in sorted(set(latest) - known):
        newest = latest[name] if latest[name].at < as_of else _latest(readings.series(name, end=as_of), None, as_of)
        if newest is not None:
            yield Assessment(
                box=Box(name=name, volume_liter=math.nan),
                as_of=as_of,
                state=BoxState.undeclared,
                latest=newest,
                refusal=say("no box of this name is declared; {hint} makes it one", hint=hint("adopt", name)),
            )
