"""What every page of one shelf works with: its declarations, the newest snapshot, its stores, and how to answer."""

from __future__ import annotations

import threading
from contextlib import contextmanager
from dataclasses import dataclass, field
from http import HTTPStatus
from typing import TYPE_CHECKING, TypeVar

from starlette.exceptions import HTTPException

from monitor.desk import Desk
from monitor.errors import SettingsError
from monitor.presentation.amounts import sentence
from monitor.presentation.clock import utc_now
from monitor.presentation.plan_days import next_visits
from monitor.presentation.texts import Texts, texts_of
from monitor.presentation.wording import Wording
from monitor.settings import load_shelf_again
from monitor.settings.shelf import shelf_stamp
from monitor.store.opening import open_stores, require_database
from monitor.texts import say
from monitor.web.forms import Tokens
from monitor.web.rendering import Renderer
from monitor.web.work import Work

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from contextlib import AbstractContextManager
    from datetime import datetime
    from typing import Any

    from starlette.responses import HTMLResponse

    from monitor.planning.recharge import RechargePlan
    from monitor.settings import Shelf
    from monitor.store.opening import Stores
    from monitor.web.notices import Notice
    from monitor.web.snapshot import Keeper, Snapshot

_Asked = TypeVar("_Asked")
_Answer = TypeVar("_Answer")


class ShelfFile:
    """The shelf as its file says; read anew after it was saved. Where it can't be read, the last one counts."""

    def __init__(self, shelf: Shelf) -> None:
        self._shelf, self._stamp = shelf, shelf.stamp
        self._one_at_a_time = threading.Lock()
        self.fault = ""
        """What is wrong with the file as it is now."""

    @property
    def now(self) -> Shelf:
        """Return the shelf as it is declared now; who asks while it is read waits for that."""
        if shelf_stamp(self._shelf.folder) != self._stamp:
            with self._one_at_a_time:
                stamp = shelf_stamp(self._shelf.folder)
                if stamp != self._stamp:
                    self._read(stamp)
        return self._shelf

    def _read(self, stamp: object) -> None:
        try:
            self._shelf, self.fault = load_shelf_again(self._shelf), ""
        except SettingsError as error:
            self.fault = str(error)
        self._stamp = stamp


@dataclass(eq=False)
class Site:
    """One shelf with its pages' common things."""

    file: ShelfFile
    keeper: Keeper
    tokens: Tokens = field(default_factory=Tokens)
    work: Work = field(default_factory=Work)
    """Where slow answers are worked out."""
    standing: Sequence[Notice] = ()
    """What is wrong with the site, as it was seen last."""
    _words: tuple[Shelf, RechargePlan | None, Wording] | None = None
    """How things are said, and by which declarations and plan."""
    texts: Texts = field(init=False)
    renderer: Renderer = field(init=False)

    def __post_init__(self) -> None:
        self.texts = texts_of(self.shelf.language, self.shelf.folder)
        self.renderer = Renderer(self.tokens, self.texts)

    def in_its_language(self, function: Callable[[_Asked], _Answer]) -> Callable[[_Asked], _Answer]:
        """Return a function that says what it says in the language of the shelf, wherever it runs."""

        def speaking(asked: _Asked) -> _Answer:
            with self.texts.speaking():
                return function(asked)

        return speaking

    @property
    def shelf(self) -> Shelf:
        """What is declared."""
        return self.file.now

    @property
    def words(self) -> Wording:
        """How this shelf wants things said."""
        return self.words_of(self.keeper.newest)

    def words_of(self, snapshot: Snapshot | None) -> Wording:
        """Return how things are said of a state, which need not be the newest yet: with the days its plan has."""
        plan, shelf = snapshot.plan if snapshot else None, self.shelf
        made = self._words
        if made is None or made[0] is not shelf or made[1] is not plan:
            said = Wording.of(shelf, plan.decided, next_visits(plan)) if plan else Wording.of(shelf)
            made = self._words = shelf, plan, said
        return made[2]

    def now(self) -> datetime:
        """Return the instant of now; of a recording, its end."""
        return self.shelf.now(self.keeper.clock())

    def reading(self) -> AbstractContextManager[Stores]:
        """Open the stores to look."""
        return open_stores(self.shelf.database_path, influx=self.shelf.influx, read_only=True)

    @contextmanager
    def writing(self) -> Iterator[Stores]:
        """Open the stores for a deed; afterwards every page shows it, and all is looked at anew.

        A page never begins a database: it would stand empty in the place of one that vanished.
        """
        require_database(self.shelf.database_path)
        with open_stores(self.shelf.database_path, influx=self.shelf.influx, now=utc_now()) as stores:
            yield stores
        self.keeper.look_soon()
        self.keeper.carry_on_now()

    @contextmanager
    def writing_of(self, box: str) -> Iterator[Stores]:
        """Open the stores for a deed on a box, as the only one who writes until it has landed.

        Another device or command may have renamed the box since its page was shown.
        """
        with self.writing() as stores, stores.events.transaction():
            if box not in {each.name for each in self.shelf.boxes} | stores.readings.latest(removed=True).keys():
                raise self.not_found(say("There is no box of this name."))
            yield stores

    def desk(self, stores: Stores) -> Desk:
        """Return the recharge desk, which checks each deed before it is kept."""
        shelf = self.shelf
        return Desk(stores, shelf.boxes, shelf.appliances, shelf.room, clock=utc_now)

    def page(
        self, template: str, *, snapshot: Snapshot | None, status: int = HTTPStatus.OK, **values: Any
    ) -> HTMLResponse:
        """Return a whole page."""
        notices = self.standing
        return self.renderer.page(self.shelf, template, snapshot=snapshot, notices=notices, status=status, **values)

    def waiting(self) -> HTMLResponse:
        """Return the page that stands there until there is a first snapshot."""
        heading = sentence(self.keeper.failure) if self.keeper.failure else say("Working out the boxes")
        return self.renderer.message(self.shelf, heading, waiting=True, trouble=bool(self.keeper.failure))

    def not_found(self, words: str) -> HTTPException:
        """Return the error that says what there is not."""
        return HTTPException(HTTPStatus.NOT_FOUND, words)
