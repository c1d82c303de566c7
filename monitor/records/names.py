"""The one rule for names, and how a name stands in a command that a person may copy into a shell.

What a feed can store, a person can declare, log and see: boxes, appliances, lots, charges and the site share the rule.
"""

from __future__ import annotations

import shlex
import unicodedata

from monitor.texts import to_say

LONGEST_NAME = 64  # letters; judgement: fits a line of a table and any file name; the rule in words says it too
NAME_RULE = to_say(
    "1 to 64 letters of any script, digits, spaces, dots, dashes or underscores, "
    "beginning with a letter, a digit or an underscore and not ending with a space"
)
_SIGNS = frozenset(" ._-")
_BLANKS = frozenset("\u034f\u115f\u1160\u17b4\u17b5\u180b\u180c\u180d\u180f\u3164\uffa0") | frozenset(
    chr(code)
    for code in (*range(0xFE00, 0xFE10), *range(0xE0100, 0xE01F0))  # code points of Unicode's variation selectors
)
"""Letters and marks by their category that show nothing (Unicode's Default_Ignorable_Code_Point)."""


def is_name(text: str) -> bool:
    """Return whether a text may name something.

    >>> is_name("Kiste 3 (links)"), is_name("Kiste 3, links"), is_name("Schrank_2. Fach"), is_name("..")
    (False, False, True, False)
    """
    return (
        0 < len(text) <= LONGEST_NAME
        and unicodedata.is_normalized("NFC", text)
        and _begins(text[0])
        and text[-1] != " "
        and all(map(_may_stand, text))
    )


def tidy(text: str) -> str:
    """Return a name as it is kept: an accent is one with its letter, however a keyboard or a node wrote it."""
    return text if text.isascii() else unicodedata.normalize("NFC", text)


def hint(*words: str, then: str = "") -> str:
    """Return a command of ours between backticks, fit to be copied into a shell.

    >>> hint("adopt", "left top")
    "`siccast adopt 'left top'`"
    """
    return f"`{command(*words, then=then)}`"


def command(*words: str, then: str = "") -> str:
    """Return a command of ours, every word quoted for a shell; ``then`` (options, placeholders) is added as it is.

    >>> command("adopt", "; reboot"), command("adopt", "--help")
    ("siccast adopt '; reboot'", 'siccast adopt -- --help')
    """
    quoted = [shlex.quote(_shown(word)) for word in words]
    options = next((place for place, word in enumerate(words) if word.startswith("-")), None)
    if options is not None:
        quoted.insert(options, "--")
    return " ".join(filter(None, ("siccast", *quoted, then)))


def _begins(letter: str) -> bool:
    return _may_stand(letter) and (letter == "_" or unicodedata.category(letter)[0] in "LN")


def _may_stand(letter: str) -> bool:
    if letter in _SIGNS:
        return True
    category = unicodedata.category(letter)
    return (category[0] == "L" or category in ("Nd", "Mn", "Mc")) and letter not in _BLANKS


def _shown(word: str) -> str:
    """Return a word without what a terminal obeys; such a word names nothing we keep."""
    return "".join(letter if letter.isprintable() else "\N{REPLACEMENT CHARACTER}" for letter in word)
