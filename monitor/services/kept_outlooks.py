"""Which boxes are answered from what was kept, which are updated, and which are fitted again; and what is kept then.

An outlook is made of code, declared box, logged entries and readings up to its instant; a digest of these is kept with
it. For an hour it is given as it is. After that the fit behind it is updated by the hours since. Where the digest is
another one, the box is fitted again, and the others only where they have something to learn from it.

Whether they had was last looked at for certain teachings of all boxes; a digest of these is kept once for the shelf.
Whoever was killed between two boxes, or overtaken by another process, leaves teachings of which it is not the digest.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from enum import StrEnum
from functools import partial
from hashlib import blake2b
from typing import TYPE_CHECKING, Any

from monitor.records import KeptOutlook, Outlook, WhatIf
from monitor.services.box_by_box import BoxByBox
from monitor.services.packing import unpacked, version_of_code

if TYPE_CHECKING:
    from monitor.inference import (
        DisturbanceRates,
        Fitted,
        LastFit,
        LeakObservation,
        RefitReason,
        SharedRooms,
        Supposable,
        Teaching,
        Workers,
    )
    from monitor.services.histories import Histories
    from monitor.services.packed_answers import PackedAnswer, PackedAt
    from monitor.store.kept_contracts import KeptOutlooks

Progress = Callable[[float], None]

AS_IT_IS_FOR = timedelta(hours=1)
"""So long an outlook is given as it is. A judgement: humidity moves in hours, and hours are what estimates rest on."""
_AHEAD = timedelta(minutes=1)
"""One that is newer than a question by no more answers it: another process was quicker. A judgement."""
_AT_A_TIME = 16
"""Outlooks kept in one transaction. [boxes] A judgement: two megabytes, so that a listener's commit hardly waits."""
_NOT_TRIED = 8
"""Where another process writes, so many portions are not kept before the next try. A judgement: a hundred boxes take a
second at least, and a backlog about as long."""
_UPDATES_PER_FIT = 3
"""So many updates are the work of one fit. [boxes] A judgement; only a progress bar rests on it."""


class NothingKept:
    """For one who keeps nothing."""

    def all(self, box: str | None = None) -> Mapping[str, KeptOutlook]:  # noqa: ARG002
        """Return nothing."""
        return {}

    def stamps(self) -> Mapping[str, tuple[datetime, bytes]]:
        """Return nothing."""
        return {}

    def fit(self, box: str, rests_on: bytes) -> bytes | None:  # noqa: ARG002
        """Return nothing."""
        return None

    def heard(self) -> bytes:
        """Return nothing."""
        return b""

    def keep(
        self,
        kept: Sequence[tuple[KeptOutlook, bytes | None]],  # noqa: ARG002
        boxes: Collection[str],  # noqa: ARG002
        heard: bytes = b"",  # noqa: ARG002
    ) -> bool:
        """Keep nothing."""
        return False


class Round:
    """One question to all boxes of a shelf: their answers, and what of them is kept for the next question."""

    def __init__(
        self,
        histories: Histories,
        kept: KeptOutlooks,
        *,
        held: Collection[str] = (),
        of_the_past: bool = False,
        fresh: bool = False,
        workers: Workers = None,
        progress: Progress = lambda _share: None,
    ) -> None:
        """``held`` are the boxes that are asked about with something changed afterwards.

        ``of_the_past`` says that a person wants to know how it was. Otherwise the question is about now, and what is
        kept of a later instant comes from a clock that was wrong.
        """
        self._histories, self._kept, self._held = histories, kept, held
        self._workers, self._progress = workers, progress
        self._boxes = {box.name: box for box in histories.boxes}
        there = kept.all(next(iter(self._boxes)) if len(self._boxes) == 1 else None)
        self._known = {name: there[name] for name in self._boxes if name in there and not fresh}
        """What was kept of each box; whether it still holds is another matter."""
        self._of_later = {name for name, one in there.items() if of_the_past and one.as_of > histories.as_of + _AHEAD}
        """Boxes asked about as they were: what is kept of them is of more use."""
        self._answers: dict[str, Outlook] = {}
        self._refused: dict[str, str] = {}
        """Boxes without a forecast, and why."""
        self._teaching: dict[str, Teaching] = {}
        self._fits: dict[str, PackedAnswer] = {}
        """What was found of the boxes held."""
        self._teachings = {name: one.teaching for name, one in self._known.items()}
        """As they are kept."""
        self._to_be_kept: list[tuple[KeptOutlook, bytes | None]] = []
        self._all_kept, self._not_tried = True, 0
        self._known_rates: DisturbanceRates | None = None
        self._rooms: SharedRooms | None = None
        """Of the boxes that things are supposed about."""
        self._all_asked = False
        """Whether every fit is one of now, as all were asked."""

    def outlooks(self) -> Mapping[str, Outlook]:
        """Return the outlook of every box, and keep what is new."""
        self._answers = {name: outlook for name in self._boxes if (outlook := self._as_it_is(name)) is not None}
        self._known = {name: replace(one, answer=b"") for name, one in self._known.items()}  # read, or not of now
        if len(self._answers) < len(self._boxes) or self._kept.heard() != self._digest_of(self._teachings):
            self._answer_anew()
        self._refused = {name: one.refusal for name, one in self._answers.items() if one.forecast is None}
        self._all_asked = True
        return self._answers

    def refusals(self) -> Mapping[str, str]:
        """Ask for outlooks and let go of them; return why boxes have no forecast, where they have none.

        For one who only supposes things from here on: answers of a thousand boxes take some fifty megabytes.
        """
        self.outlooks()
        self._answers = {}
        return self._refused

    def with_something_changed(
        self, names: Iterable[str], humidity_limit: float | None, change: WhatIf | None
    ) -> Mapping[str, Outlook]:
        """Return the outlooks of some boxes at another limit, or with something changed beside them; none is kept."""
        found = {name: self._answers[name] for name in names}
        for name in found.keys() - self._teaching.keys():
            self._read_teaching(name)
        limits = {name: humidity_limit or self._boxes[name].humidity_limit for name in found}
        fits = [name for name in found if name in self._teaching and self._fitted_until(name) is not None]
        given = self._update(fits, humidity_limits=[limits[name] for name in fits], change=change)
        found |= {name: one.outlook for name, one in given if not isinstance(one, StrEnum)}
        again = [name for name, one in found.items() if one is self._answers[name] and not one.refusal]
        for name in self._known.keys() - self._teaching.keys() if again else ():
            self._read_teaching(name)
        how = {"humidity_limits": [limits[name] for name in again], "change": change, "keep": False}
        return found | {name: one.outlook for name, one in self._fitted(again, **how)}

    def supposable(self, name: str) -> Supposable | None:
        """Return a box that is ``held``, its fit at hand; None where it has no forecast.

        Ask for outlooks first, else it hears only what other boxes taught when outlooks were kept.
        """
        from monitor.inference import RECENT_DAYS, SharedRooms, supposable  # noqa: PLC0415

        self._rooms = self._rooms or SharedRooms()
        if name in self._refused:
            return None
        now_s, until = self._histories.as_of.timestamp(), self._fitted_until(name)
        if until is not None and (self._all_asked or self._fit_holds(name)):
            history = partial(self._histories.history, self._boxes[name], until - timedelta(days=RECENT_DAYS))
            found = supposable(self._fit_of(name), history, now_s, self._rates(), self._rooms)
            if not isinstance(found, StrEnum):
                return found
        for other in self._known.keys() - self._teaching.keys():
            self._read_teaching(other)
        [(_, again)] = self._fitted([name], keep=True)
        if again.last_fit is None:
            return None
        history = partial(self._histories.history, self._boxes[name], None)
        found = supposable(again.last_fit, history, now_s, self._rates(), self._rooms)
        return None if isinstance(found, StrEnum) else found

    def _as_it_is(self, name: str) -> Outlook | None:
        """The outlook that was kept, where it can be given for now."""
        one = self._known.get(name)
        if one is None or one.as_of + AS_IT_IS_FOR <= self._histories.as_of:
            return None
        return unpacked(one.answer, Outlook) if self._holds(name, one.as_of, one.rests_on) else None

    def _answer_anew(self) -> None:
        """Fit what must be, let the others hear of it, update what only grew, and keep all that."""
        for name in self._known:
            if name in self._answers or self._fit_holds(name):
                self._read_teaching(name)
        for name in self._boxes:  # before anything is read, so that what comes meanwhile is noticed
            self._made_of(name, self._histories.as_of)
        new = self._fit([name for name in self._boxes if name not in self._teaching], 0.0)
        rates, others = self._rates(), [name for name in self._boxes if name not in new]
        taught = self._with_more_to_learn(others)
        grown = [
            name for name in others
            if name not in taught and (name not in self._answers or self._teaching[name].rates_moved(rates))
        ]  # fmt: skip
        done = len(new) / (len(new) + len(grown) / _UPDATES_PER_FIT + len(taught) or 1)
        new |= self._take(self._update(grown, as_kept=self._sealing(), progress=self._from(done)))
        overtaken = {name for name in grown if name not in new and self._another_answered(name)}
        left = [name for name in others if name not in new | overtaken and (name in taught or name in grown)]
        self._fit(left, 1.0 - len(left) / max(len(self._boxes), 1))
        if self._all_kept and not self._of_later and not (left and self._with_more_to_learn(self._boxes)):
            self._kept.keep((), self._boxes, self._digest_of(self._teachings))

    def _another_answered(self, name: str) -> bool:
        """Take the answer of a process that was quicker, and has put a newer fit in the place of the one known here."""
        there = self._kept.all(name).get(name)
        if there is None or there.as_of == self._known[name].as_of:
            return False
        self._known[name] = there
        answer = self._as_it_is(name)
        if answer is None:
            return False
        self._answers[name], self._teachings[name] = answer, there.teaching
        self._read_teaching(name)
        return True

    def _with_more_to_learn(self, names: Iterable[str]) -> set[str]:
        """Those boxes to whose fits the others have something to teach."""
        from monitor.inference import KnownLeaks  # noqa: PLC0415

        known = KnownLeaks(self._observations())
        return {name for name in names if self._teaching[name].pooled_moved(self._boxes[name], known)}

    def _fit(self, names: Sequence[str], done: float) -> set[str]:
        """Fit boxes anew, the others informing them."""
        return self._take(self._fitted(names, as_kept=self._sealing(), progress=self._from(done)))

    def _fitted(self, names: Sequence[str], **how: Any) -> Iterator[tuple[str, Fitted]]:
        from monitor.inference import fitted  # noqa: PLC0415

        if not names:
            return
        these = set(names)
        given = fitted(
            BoxByBox(self._histories, [self._boxes[name] for name in names]),
            self._histories.as_of,
            others=[one for one in self._observations() if one.box not in these],
            rates=self._rates(),
            workers=self._workers,
            **how,
        )
        yield from zip(names, given, strict=True)

    def _update(self, names: Sequence[str], **how: Any) -> Iterator[tuple[str, Fitted | RefitReason]]:
        from monitor.inference import RECENT_DAYS, updated  # noqa: PLC0415

        if not names:
            return
        recent = timedelta(days=RECENT_DAYS)
        since = [until and until - recent for until in map(self._fitted_until, names)]
        given = updated(
            ((self._fit_of(name), self._teaching[name]) for name in names),
            BoxByBox(self._histories, [self._boxes[name] for name in names], since),
            self._histories.as_of,
            rates=self._rates(),
            workers=self._workers,
            **how,
        )
        yield from zip(names, given, strict=True)

    def _sealing(self) -> PackedAt:
        from monitor.services.packed_answers import PackedAt  # noqa: PLC0415

        return PackedAt(self._histories.as_of.timestamp())

    def _take(self, found: Iterable[tuple[str, Fitted | RefitReason]]) -> set[str]:
        """Answer by what was found, keep it, and let go of it: one box after another."""
        from monitor.services.packed_answers import PackedAnswer  # noqa: PLC0415

        new = set()
        for name, given in found:
            if isinstance(given, StrEnum):
                continue
            one = given if isinstance(given, PackedAnswer) else self._sealing()(given)
            new.add(name)
            self._answers[name], self._teaching[name] = one.outlook, one.teaching
            self._teachings[name] = one.kept_teaching
            if name in self._held and one.fit is not None:
                self._fits[name] = one
            if not one.outlook.trace and name not in self._of_later:
                self._keep(self._to_keep(name, one))
        self._keep_rest()
        return new

    def _read_teaching(self, name: str) -> None:
        from monitor.inference import Teaching  # noqa: PLC0415

        teaching = unpacked(self._known[name].teaching, Teaching)
        if teaching is not None:
            self._teaching[name] = teaching

    def _keep(self, one: tuple[KeptOutlook, bytes | None]) -> None:
        self._to_be_kept.append(one)
        if len(self._to_be_kept) == _AT_A_TIME:
            self._keep_rest()

    def _keep_rest(self) -> None:
        if self._to_be_kept and self._not_tried:
            self._not_tried -= 1
        elif self._to_be_kept and not self._kept.keep(self._to_be_kept, self._boxes):
            self._all_kept, self._not_tried = False, _NOT_TRIED
        self._to_be_kept = []

    def _digest_of(self, teachings: Mapping[str, bytes]) -> bytes:
        """A digest of all that boxes could hear of one another."""
        digest = blake2b(self._histories.digest_of_use())
        for name, teaching in sorted(teachings.items()):
            digest.update(blake2b(name.encode()).digest() + blake2b(teaching).digest())
        return digest.digest()

    def _to_keep(self, name: str, one: PackedAnswer) -> tuple[KeptOutlook, bytes | None]:
        as_of, made_of = self._histories.as_of, self._made_of(name, self._histories.as_of)
        kept = KeptOutlook(name, as_of, made_of, one.answer, one.kept_teaching)
        if one.fitted_until_s is None:
            return kept, None
        if one.fit is not None:
            return replace(kept, fitted_until=as_of, fit_rests_on=made_of), one.fit
        before = self._known[name]
        return replace(kept, fitted_until=before.fitted_until, fit_rests_on=before.fit_rests_on), None

    def _made_of(self, name: str, until: datetime) -> bytes:
        """A digest of all that an outlook of this box is made of, if it is made for that instant."""
        return version_of_code() + self._histories.digest(self._boxes[name], until)

    def _holds(self, name: str, until: datetime | None, made_of: bytes) -> bool:
        """Whether what was made for an instant is made of just what is there now, up to that instant."""
        if until is None or until > self._histories.as_of + _AHEAD:
            return False
        box = self._boxes[name]
        return not self._histories.logged_since(box, until) and self._made_of(name, until) == made_of

    def _fit_holds(self, name: str) -> bool:
        one = self._known[name]
        return self._holds(name, one.fitted_until, one.fit_rests_on)

    def _fitted_until(self, name: str) -> datetime | None:
        if name in self._fits:
            return self._histories.as_of
        return self._known[name].fitted_until if name in self._known else None

    def _fit_of(self, name: str) -> LastFit | Callable[[], LastFit | None]:
        """The fit behind what is known of a box, or what unpacks it where it is updated."""
        from monitor.services.packed_answers import last_fit_of  # noqa: PLC0415

        if name in self._fits:
            return self._fits[name].last_fit or partial(last_fit_of, self._fits[name].fit)
        kept = self._kept.fit(name, self._known[name].fit_rests_on) if name in self._known else None
        return partial(last_fit_of, kept)

    def _observations(self) -> list[LeakObservation]:
        return [one for teaching in self._teaching.values() for one in teaching.observations if one.finite]

    def _rates(self) -> DisturbanceRates:
        from monitor.inference import rates_of  # noqa: PLC0415

        if self._known_rates is None:
            self._known_rates = rates_of(self._histories.entries.values(), self._histories.as_of.timestamp())
        return self._known_rates

    def _from(self, done: float) -> Progress:
        return lambda share: self._progress(done + (1.0 - done) * share)
