"""The texts of the person's language: English stands where they are used, another language is one file beside it."""

from __future__ import annotations

import io
import re
import string
from dataclasses import dataclass, field
from gettext import GNUTranslations, NullTranslations
from typing import TYPE_CHECKING, Any

from monitor.errors import SettingsError
from monitor.named_files import require_file
from monitor.presentation.shipped import shipped
from monitor.texts import speaking

if TYPE_CHECKING:
    from contextlib import AbstractContextManager
    from pathlib import Path

ENGLISH = "en"
_PERCENT_FIELDS = re.compile(r"%\((\w+)\)")


@dataclass(frozen=True, eq=False)
class Texts:
    """The texts of one language; what has no translation stays English."""

    language: str = ENGLISH
    translations: NullTranslations = field(default_factory=NullTranslations)

    def gettext(self, text: str) -> str:
        """Return a text in this language."""
        return self.translations.gettext(text) if text else text  # '' is the key of a file's header

    def ngettext(self, one: str, many: str, count: int) -> str:
        """Return the form of a text for so many, by the rule of the language."""
        return self.translations.ngettext(one, many, count)

    def speaking(self) -> AbstractContextManager[None]:
        """Say everything in this language while the body runs."""
        return speaking(None if self.language == ENGLISH else self)


def texts_of(language: str, folder: Path) -> Texts:
    """Return the texts of a language: from the shelf's folder, else from those that came with siccast.

    Raises
    ------
    SettingsError
        Where there is no file for the language, or it isn't one of translations.
    """
    if language == ENGLISH:
        return Texts()
    places = (folder / f"{language}.po", shipped("dashboards") / "texts" / f"{language}.po")
    path = next((place for place in places if place.is_file()), None)
    if path is None:
        raise SettingsError(
            f"there are no texts for language '{language}'. Copy {places[1].with_name('siccast.pot')} to {places[0]}"
            " and translate what you like in it, or write 'en'"
        )
    try:
        require_file(path)
        return Texts(language, _translations(path))
    except (OSError, ValueError) as error:
        raise SettingsError(f"{path} can't be read: {error}. It must be a file of gettext translations") from error


def _translations(path: Path) -> GNUTranslations:
    """Return what a file translates, with its rule for numbers; what doesn't fit its English text is left out."""
    import polib  # noqa: PLC0415 -- only where another language is spoken

    file = polib.pofile(str(path), encoding="utf-8")
    file.metadata["Content-Type"] = "text/plain; charset=UTF-8"
    for entry in [entry for entry in file if not _fits(entry)]:
        file.remove(entry)
    return GNUTranslations(io.BytesIO(file.to_binary()))


def _fits(entry: Any) -> bool:
    """Return whether a translation asks for nothing that the English text doesn't offer; others would fail in use."""
    forms = [entry.msgstr, *entry.msgstr_plural.values()]
    offered = _asked_for(entry.msgid_plural or entry.msgid)
    return offered is not None and all((asked := _asked_for(form)) is not None and asked <= offered for form in forms)


def _asked_for(text: str) -> frozenset[str] | None:
    """Return the fields of a text, of a page's template or of ours; None where they can't be filled in."""
    if found := _PERCENT_FIELDS.findall(text):
        return frozenset(found)
    try:
        parts = list(string.Formatter().parse(text))
    except ValueError:
        return None
    if any(spec or conversion for _, _, spec, conversion in parts):
        return None
    return frozenset(name for _, name, _, _ in parts if name is not None)
