"""Collect the texts of the pages into `texts/siccast.pot`: `python dashboards/collect_texts.py`.

A translation is a copy of it, filled in with any editor of gettext files, or begun by `pybabel init -i
dashboards/texts/siccast.pot -o de.po -l de`; it lies beside the shelf file or in `dashboards/texts/`. Needs the `test`
extra of the package.
"""

from __future__ import annotations

import io
from pathlib import Path

from babel.messages.catalog import Catalog
from babel.messages.extract import extract_from_dir
from babel.messages.pofile import write_po

HERE = Path(__file__).resolve().parent
COLLECTED = HERE / "texts" / "siccast.pot"
_WIDTH = 120  # letters a line; judgement: as the code has it
_METHODS = [("**.html", "jinja2")]
_OPTIONS = {"**.html": {"trimmed": "true", "newstyle_gettext": "true"}}


def collected() -> str:
    """Return the catalog of all texts, in the order of the templates; nothing in it hangs on the day."""
    catalog = Catalog(project="siccast", header_comment="# Texts of siccast's pages, to be translated.")
    found = extract_from_dir(HERE / "templates", _METHODS, _OPTIONS)
    for template, _line, text, comments, context in sorted(found, key=lambda one: (one[0], one[1])):
        catalog.add(text, None, [(template, None)], auto_comments=comments, context=context)
    written = io.BytesIO()
    write_po(written, catalog, width=_WIDTH, omit_header=True)
    return written.getvalue().decode()


if __name__ == "__main__":
    COLLECTED.parent.mkdir(exist_ok=True)
    COLLECTED.write_text(collected(), encoding="utf-8")
