"""Names that an object of JSON gives twice: RFC 8259, section 4, calls what a reader makes of them unpredictable.

The fast reader keeps the last value without a word. Whether it left anything out shows by counting colons, which costs
little; who repeated what is looked up only where the counts differ.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any, NamedTuple

import orjson

from monitor.errors import UnusableMessageError

if TYPE_CHECKING:
    from collections.abc import Callable

_DEEPER = "the payload is nested deeper than siccast looks for names that are given twice"
_SHOWN_VALUES = 3  # values of one name; judgement: more of them make no line clearer
_BETWEEN = " \t\n\r,"  # what stands between elements (RFC 8259, section 2)


class RefusedElement(NamedTuple):
    """An element of an array that gives a name twice."""

    reason: str
    text: str
    """As it was sent: written out anew it would lack a value."""


def is_whole(content: Any, payload: bytes, colons: int) -> bool:
    """Return whether what was read is surely all that was written; where not, a closer look is needed.

    Outside of texts a colon stands only between name and value (RFC 8259, section 2), so whatever was left out had
    one. In a text an escape may stand for a colon.
    """
    if type(content) is dict:
        for value in content.values():
            if type(value) is str:  # nearly always the time, and the only text with colons
                if colons == len(content) + value.count(":") and b"\\" not in payload:
                    return True
                break
    elif type(content) is list and set(map(type, content)) == {dict} and colons == sum(map(len, content)):
        return True
    try:
        again = orjson.dumps(content)
    except orjson.JSONEncodeError:  # nested deeper than it writes
        return False
    return again == payload or (b"\\" not in payload and colons == again.count(b":"))


def refuse_duplicates(payload: bytes, content: Any, shown: Callable[[Any], str]) -> Any:
    """Return what was read if each name in it is given once; of an array, refuse only elements that repeat one.

    Raises
    ------
    UnusableMessageError
        Where the payload is no array of several elements; it names what is repeated, and the values.
    """
    text = payload.decode()
    try:
        if not isinstance(content, list) or len(content) == 1:
            _closely(shown).decode(text)
            return content
        return _elements(text.strip(_BETWEEN)[1:-1], content, shown)
    except RecursionError:
        raise UnusableMessageError(_DEEPER) from None


def _elements(text: str, content: list[Any], shown: Callable[[Any], str]) -> list[Any]:
    """Return the elements of an array, in place of each that repeats a name the refusal of it."""
    by_extent, closely, at = json.JSONDecoder(), _closely(shown), 0
    found: list[Any] = []
    for element in content:
        while text[at] in _BETWEEN:
            at += 1
        end = by_extent.raw_decode(text, at)[1]
        try:
            closely.decode(text[at:end])
            found.append(element)
        except UnusableMessageError as error:
            found.append(RefusedElement(str(error), text[at:end]))
        at = end
    return found


def _closely(shown: Callable[[Any], str]) -> json.JSONDecoder:
    """Return a reader that sees each pair, and stops where an object repeats a name."""

    def once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        read = dict(pairs)
        if len(read) == len(pairs):
            return read
        names = [name for name, _ in pairs]
        repeated = next(name for name in names if names.count(name) > 1)
        values = [shown(value) for name, value in pairs if name == repeated]
        told = ", ".join(values[:_SHOWN_VALUES]) + (", …" if len(values) > _SHOWN_VALUES else "")
        raise UnusableMessageError(f"{shown(repeated)} is given {len(values)} times: {told}; it must be given once")

    return json.JSONDecoder(object_pairs_hook=once)
