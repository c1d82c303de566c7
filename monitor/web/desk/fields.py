"""Fields of the desk's forms: an empty one is none, and a slip is named beside its field."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeVar

from monitor.errors import SiccastError, TypedError, UnconfirmedError
from monitor.presentation.amounts import sentence

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from monitor.presentation.wording import Wording

Read = TypeVar("Read")


@dataclass(frozen=True, slots=True)
class Problem:
    """What is wrong with a form, and at which field; '' where it is none of them."""

    text: str
    field: str = ""


def typed(form: Mapping[str, str], name: str) -> str | None:
    """Return what a field holds; None where it is empty."""
    return form.get(name, "").strip() or None


def as_typed(form: Mapping[str, str]) -> Mapping[str, str]:
    """Return a form for a template, where a field that was not sent is empty."""
    return defaultdict(str, form)


def read(form: Mapping[str, str], name: str, reader: Callable[[str], Read]) -> Read | None:
    """Return what a field means; None where it is empty."""
    text = typed(form, name)
    if text is None:
        return None
    try:
        return reader(text)
    except UnconfirmedError:
        raise
    except SiccastError as error:
        raise TypedError(str(error), field=name) from error


def needed(form: Mapping[str, str], name: str, reader: Callable[[str], Read], missing: str) -> Read:
    """Return what a field means that has to be filled in."""
    found = read(form, name, reader)
    if found is None:
        raise TypedError(missing, field=name)
    return found


def checked(form: Mapping[str, str], name: str, reader: Callable[[str], object]) -> str | None:
    """Return a field as it was typed, once it is sure that it means something; None where it is empty."""
    read(form, name, reader)
    return typed(form, name)


def problem(error: SiccastError, words: Wording) -> Problem:
    """Return what to show of an error, in the units of the shelf."""
    return Problem(sentence(words.in_own_units(str(error))), error.field if isinstance(error, TypedError) else "")
