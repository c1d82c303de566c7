"""Collect the texts of the pages into `texts/siccast.pot`: `python dashboards/collect_texts.py`.

A translation is a copy of it, filled in with any editor of gettext files, or begun by `pybabel init -i
dashboards/texts/siccast.pot -o de.po -l de`; it lies beside the shelf file or in `dashboards/texts/`. Needs the `test`
extra of the package.
"""

from __future__ import annotations

import io
import tomllib
from pathlib import Path
from typing import TYPE_CHECKING

from babel.messages.catalog import Catalog
from babel.messages.extract import extract_from_dir
from babel.messages.pofile import write_po

import monitor
from monitor.physics.calculators import desiccant_kinds
from monitor.physics.sorption.caveats import TURNING
from monitor.records.words import APPLIANCE_KINDS

if TYPE_CHECKING:
    from collections.abc import Iterator

HERE = Path(__file__).resolve().parent
COLLECTED = HERE / "texts" / "siccast.pot"
_WIDTH = 120  # letters a line; judgement: as the code has it
_METHODS = [("**.html", "jinja2"), ("**.svg", "jinja2"), ("**.py", "python")]
_OPTIONS = {"**.html": {"trimmed": "true", "newstyle_gettext": "true"}}
_OPTIONS["**.svg"] = _OPTIONS["**.html"]
_SAID_BY = {"say": None, "say_many": (1, 2), "to_say": None}
"""What marks a text in Python (`monitor/texts.py`), and at which places its forms stand: by definition of these."""


_KEYS = {"title", "damage", "caution", "dry_color", "wet_color"}
"""What holds texts in the tables of materials."""


def _in_table(value: object, key: str = "") -> Iterator[str]:
    if isinstance(value, dict):
        for name, inner in value.items():
            yield from _in_table(inner, name)
    elif isinstance(value, str) and key in _KEYS:
        yield value


def collected() -> str:
    """Return the catalog of all texts: those of the templates, then those of the package, in the order of the files."""
    catalog = Catalog(project="siccast", header_comment="# Texts of siccast's pages, to be translated.")
    package = Path(monitor.__file__).parent
    in_templates = sorted(extract_from_dir(HERE / "templates", _METHODS[:2], _OPTIONS), key=lambda one: one[:2])
    in_package = sorted(extract_from_dir(package, _METHODS[2:], keywords=_SAID_BY), key=lambda one: one[:2])
    for file, _line, text, comments, context in (*in_templates, *in_package):
        catalog.add(text, None, [(file, None)], auto_comments=comments, context=context)
    for table in sorted((package / "physics" / "tables").glob("*.toml")):
        for text in _in_table(tomllib.loads(table.read_text(encoding="utf-8"))):
            catalog.add(text, None, [(f"physics/tables/{table.name}", None)])
    for kind in (*desiccant_kinds(), *APPLIANCE_KINDS, TURNING):
        catalog.add(kind.replace("_", " "), None, [("records/words.py", None)])
    written = io.BytesIO()
    write_po(written, catalog, width=_WIDTH, omit_header=True)
    return written.getvalue().decode()


if __name__ == "__main__":
    COLLECTED.parent.mkdir(exist_ok=True)
    COLLECTED.write_text(collected(), encoding="utf-8")
