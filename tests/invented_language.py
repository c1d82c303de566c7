"""A language that nobody speaks: every text of the catalog in letters that English has not, so that what is not said in
it is found."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from html.parser import HTMLParser
from pathlib import Path

import polib

from monitor.presentation.shipped import shipped

LANGUAGE = "xx"
_KEPT = re.compile(r"(%\(\w+\)s|\{\w*\}|%%|</?[a-z][^>]*>|&#?\w+;|`[^`]*`)")
"""What is no word of a text: its fields, marks of a page, and commands, which are the same in any language."""
_WIDE = {ord(letter): ord(letter) + 0xFEE0 for letter in map(chr, (*range(65, 91), *range(97, 123)))}
_FIELD = re.compile(r"\{\w*\}")
"""What a script of the page fills in."""
_WORD = re.compile(r"[A-Za-z]{2,}")
_SHOWN = {"title", "aria-label", "placeholder", "alt", "aria-description", "label", "data-words"}
_UNSEEN = {"script", "style", "code", "template"}
"""Elements whose text nobody reads, or that hold what is typed into a machine."""


def invented(text: str) -> str:
    """Return a text in the letters of that language."""
    parts = _KEPT.split(text)
    return "⟦" + "".join(part if place % 2 else part.translate(_WIDE) for place, part in enumerate(parts)) + "⟧"


def write_language(folder: Path) -> None:
    """Write the file of that language beside a shelf file: all that the catalog holds."""
    catalog = polib.pofile(str(shipped("dashboards") / "texts" / "siccast.pot"))
    catalog.metadata["Plural-Forms"] = "nplurals=3; plural=n==1 ? 0 : n==2 ? 1 : 2;"
    for entry in catalog:
        if entry.msgid_plural:
            forms = (entry.msgid, entry.msgid_plural, entry.msgid_plural)
            entry.msgstr_plural = {number: invented(form) for number, form in enumerate(forms)}
        else:
            entry.msgstr = invented(entry.msgid)
    catalog.save(str(folder / f"{LANGUAGE}.po"))


class _Texts(HTMLParser):
    """Collects what a person sees or hears of a page."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []
        self._within: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag in _UNSEEN:
            self._within.append(tag)
        self.found += [value for name, value in attrs if value and name in _SHOWN]

    def handle_endtag(self, tag: str) -> None:
        if self._within and self._within[-1] == tag:
            self._within.pop()

    def handle_data(self, data: str) -> None:
        if not self._within and data.strip():
            self.found.append(data.strip())


def texts_of_page(html: str) -> list[str]:
    """Return every text of a page that a person sees or hears."""
    page = _Texts()
    page.feed(html)
    return page.found


def english_in(html: str, names: Iterable[str] = ()) -> Iterator[str]:
    """Yield the texts of a page in which a word stands that is neither of that language nor a name."""
    known = sorted(names, key=len, reverse=True)
    for text in texts_of_page(html):
        left = _FIELD.sub("", text)
        for name in known:
            left = re.sub(rf"(?<![A-Za-z]){re.escape(name)}(?![A-Za-z])", "", left)
        if _WORD.search(left):
            yield text
