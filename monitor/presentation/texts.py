"""Texts in the person's language: English stands where they are used, another language is one file beside it."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from monitor.errors import SettingsError
from monitor.presentation.shipped import shipped

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

ENGLISH = "en"
_FIELDS = re.compile(r"%\((\w+)\)")


class Texts:
    """The texts of one language; what has no translation stays English."""

    def __init__(self, language: str = ENGLISH, translated: Mapping[str, tuple[str, ...]] | None = None) -> None:
        """``translated``: English texts to their forms in the other language, one for each number."""
        self.language = language
        self._translated = dict(translated or {})

    def gettext(self, text: str) -> str:
        """Return a text in this language."""
        return self._translated.get(text, (text,))[0]

    def ngettext(self, one: str, many: str, count: int) -> str:
        """Return the form of a text for so many; a language has two here, as English and its neighbors have."""
        forms = self._translated.get(one, (one, many))
        return forms[0] if count == 1 else forms[-1]


def texts_of(language: str, folder: Path) -> Texts:
    """Return the texts of a language: from the shelf's folder, else from those that came with siccast.

    Raises
    ------
    SettingsError
        Where there is no file for the language, or it isn't one of translations.
    """
    if language == ENGLISH:
        return Texts()
    import polib  # noqa: PLC0415 -- only where another language is spoken

    places = (folder / f"{language}.po", shipped("dashboards") / "texts" / f"{language}.po")
    path = next((place for place in places if place.is_file()), None)
    if path is None:
        raise SettingsError(f"there are no texts for language '{language}'. Put them into {places[0]}, or write 'en'")
    try:
        entries = polib.pofile(str(path))
    except (OSError, ValueError) as error:
        raise SettingsError(f"{path} can't be read: {error}. It must be a file of gettext translations") from error
    return Texts(language, {entry.msgid: _forms(entry) for entry in entries.translated_entries() if _fits(entry)})


def _forms(entry: object) -> tuple[str, ...]:
    plural: Mapping[int, str] = getattr(entry, "msgstr_plural", {})
    return tuple(plural[number] for number in sorted(plural)) or (str(getattr(entry, "msgstr", "")),)


def _fits(entry: object) -> bool:
    """Return whether a translation asks for nothing that the English text doesn't offer; others would fail in use."""
    offered = set(_FIELDS.findall(str(getattr(entry, "msgid", ""))))
    return all(set(_FIELDS.findall(form)) <= offered for form in _forms(entry))
