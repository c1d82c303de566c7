"""Is a file text in the encoding it is said to be in, and if not, in which one is it likely to be?"""

from __future__ import annotations

import codecs
from typing import IO, TYPE_CHECKING

from monitor.errors import ImportFileError

if TYPE_CHECKING:
    from pathlib import Path

_AT_ONCE = 2**20  # bytes; judgement: any file in little memory
_MARKS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
"""Byte order marks; the longer before the shorter that they begin with."""
_LOOKED_AT = 4096  # bytes; judgement: a screenful of rows
_MANY_ZEROS = 0.2
"""Share of the bytes. A stray zero costs its row; where every second letter is one, the encoding is another (a
judgement)."""
_SHOWN = 60  # letters; judgement: fits a line of a terminal


def require_text(file: IO[bytes], encoding: str, path: Path) -> None:
    """Read a file through and refuse it, before any of it is kept, where it is no text in this encoding."""
    decoder, line = codecs.getincrementaldecoder(encoding)(), 1
    beginning = b""
    while True:
        part = file.read(_AT_ONCE)
        beginning = beginning or part[:_LOOKED_AT]
        try:
            text = decoder.decode(part, final=not part)
        except UnicodeError as error:
            raise _refusal(path, encoding, error, line, beginning) from error
        if line == 1 and text[:_LOOKED_AT].count("\0") > _MANY_ZEROS * len(text[:_LOOKED_AT]):
            raise _wrong(path, "line 1", encoding, likely_encoding(beginning), beginning)
        line += text.count("\n")
        if not part:
            return


def likely_encoding(text: bytes) -> str:
    """Return the encoding that these bytes, which are no UTF-8, are likely in.

    A byte order mark says it; else UTF-16 shows by its zeros. Other text of one byte a letter is mostly Windows' own
    western code page, which leaves five bytes unused.
    """
    for mark, name in _MARKS:
        if text.startswith(mark):
            return name
    if b"\0" in text:
        return "utf-16-le" if text[1::2].count(0) >= text[::2].count(0) else "utf-16-be"
    try:
        text.decode("cp1252")
    except UnicodeDecodeError:
        return "latin-1"
    return "cp1252"


def _refusal(path: Path, encoding: str, error: UnicodeError, line: int, beginning: bytes) -> ImportFileError:
    if not isinstance(error, UnicodeDecodeError):  # UTF-16 without its mark
        return _wrong(path, f"{error}", encoding, likely_encoding(beginning), beginning)
    before, after = error.object[: error.start], error.object[error.start :]
    start = before.rfind(b"\n") + 1
    at = line + before.count(b"\n")
    shown = before[start:][-_SHOWN:] + after.split(b"\n", 1)[0][:_SHOWN]
    likely = likely_encoding(beginning if any(beginning.startswith(mark) for mark, _ in _MARKS) else shown)
    return _wrong(path, f"line {at}", encoding, likely, shown)


def _wrong(path: Path, where: str, encoding: str, likely: str, shown: bytes) -> ImportFileError:
    line = next((each for each in shown.decode(likely, "replace").lstrip("\ufeff").splitlines() if each), "")
    text = "".join(letter if letter.isprintable() else " " for letter in line)[:_SHOWN].strip()
    return ImportFileError(
        f"{path}, {where}: this is not {encoding.upper()} text. Nothing was saved."
        f" It is probably {likely}, which reads '{text}'. If so, add --encoding {likely}"
    )
