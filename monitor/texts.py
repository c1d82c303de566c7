"""Sentences that people read: written in English where they are made, said in the language of whoever looks.

The language belongs to the context of a request, so threads that a page starts have it too. Nobody sets one for the
command line, the log and what programs read: they are English.
"""

from __future__ import annotations

from contextlib import contextmanager
from contextvars import ContextVar
from functools import lru_cache
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Protocol, TypeVar

if TYPE_CHECKING:
    from collections.abc import Callable, Hashable, Iterator, Mapping


_Asked = TypeVar("_Asked", bound="Hashable")


class Translations(Protocol):
    """The texts of a language; each is itself alone, so that answers can be kept by it."""

    def __hash__(self) -> int:
        """Return the hash of its identity."""

    def gettext(self, message: str, /) -> str:
        """Return a text in this language, or as it is."""

    def ngettext(self, one: str, many: str, count: int, /) -> str:
        """Return the form of a text for so many."""


_NOTHING: Mapping[str, str] = MappingProxyType({})
_LANGUAGE: ContextVar[Translations | None] = ContextVar("LANGUAGE", default=None)


class Said(str):
    """A sentence that knows what it was made of: read back from bytes, or said anew, it is in the language there."""

    __slots__ = ("_made_of",)
    _made_of: tuple[str, Mapping[str, Any], str, int | None]

    def __new__(cls, text: str, fields: Mapping[str, Any], many: str = "", count: int | None = None) -> Said:
        """``text`` with its ``fields`` filled in; ``many`` is its form where ``count`` is not one."""
        language = _LANGUAGE.get()
        if language is None:
            form = text if count is None or count == 1 else many
        else:
            form = language.gettext(text) if count is None else language.ngettext(text, many, count)
        made = str.__new__(cls, form.format_map(fields))
        made._made_of = text, fields, many, count
        return made

    def __reduce__(self) -> tuple[Any, ...]:
        _, _, _, count = self._made_of
        return Said, self._made_of[:2] if count is None else self._made_of

    def __str__(self) -> str:
        """Return it whole, so that the text of an error can be said anew too."""
        return self

    def field(self, name: str) -> str:
        """Return one of its fields, or all of it where there is no such field."""
        return str(self._made_of[1].get(name, self))

    def anew(self, instead: Mapping[str, str] = _NOTHING) -> Said:
        """Return it in the language of the present context; of its texts, those named with others ``instead``."""
        text, fields, many, count = self._made_of
        again = {name: said(value, instead) if isinstance(value, str) else value for name, value in fields.items()}
        return Said(instead.get(text, text), again, many, count)


def kept_by_language(function: Callable[[_Asked], str]) -> Callable[[_Asked], str]:
    """Return a function whose answers are kept, those of each language by themselves: for what is said all the time."""

    @lru_cache(maxsize=2000)  # a count; judgement: more than there are texts without fields, and days that are shown
    def kept(_language: Translations | None, asked: _Asked) -> str:
        return function(asked)

    return lambda asked: kept(_LANGUAGE.get(), asked)


@kept_by_language
def _without_fields(text: str) -> str:
    return Said(text, {})


NAMED = "{box}: {why}"
"""A sentence with the box it is about before it; see `without_box`."""


def say(text: str, /, **fields: object) -> str:
    """Return a text with its fields filled in, in the language of the context.

    >>> say("{box} is over its limit.", box="pla-1")
    'pla-1 is over its limit.'
    """
    return Said(text, fields) if fields else _without_fields(text)


def say_many(one: str, many: str, count: int, /, **fields: object) -> str:
    """Return the form of a text for so many, which is its field ``count``.

    >>> say_many("{count} day", "{count} days", 1), say_many("{count} day", "{count} days", 3)
    ('1 day', '3 days')
    """
    return Said(one, {"count": count, **fields}, many, count)


def to_say(text: str) -> str:
    """Return a text of a table as it is, so that it is collected for translation; whoever shows it says it."""
    return text


def together(*sentences: str) -> str:
    """Return sentences one after another, each of which can still be said anew; empty ones are left out."""
    there = [sentence for sentence in sentences if sentence]
    pattern = " ".join(f"{{part_{place}}}" for place in range(len(there)))
    return Said(pattern, {f"part_{place}": sentence for place, sentence in enumerate(there)}) if there else ""


def said(text: str, instead: Mapping[str, str] = _NOTHING) -> str:
    """Return a sentence that was made elsewhere in the language of the context; what is no such sentence, as it is.

    ``instead``: texts to others of the same fields, where a face has words of its own for a thing.
    """
    return text.anew(instead) if isinstance(text, Said) else text


def without_box(text: str, box: str) -> str:
    """Return a sentence without the box that it names first, for where that is named already."""
    alone, named = text.field("why") if isinstance(text, Said) else text, f"{box}: "
    return alone.removeprefix(named) if alone.startswith(named) else alone


@contextmanager
def speaking(language: Translations | None) -> Iterator[None]:
    """Say everything in a language while the body runs; in English where it is None."""
    token = _LANGUAGE.set(language)
    try:
        yield
    finally:
        _LANGUAGE.reset(token)
