"""Texts of the pages: one catalog, another language is one file; what a file lacks or spoils stays English."""

from __future__ import annotations

import runpy
from pathlib import Path

import httpx
import pytest
from shelf_on_page import keeper_by_hand, make_shelf, serving

from monitor.errors import SettingsError
from monitor.presentation.shipped import shipped
from monitor.presentation.texts import texts_of

INVENTED = """
msgid "Boxes"
msgstr "Dosen"

msgid "Plan"
msgstr ""

msgid "%(n)s day"
msgid_plural "%(n)s days"
msgstr[0] "%(n)s Tag"
msgstr[1] "%(n)s Tage"

msgid "House"
msgstr "%(nobody)s Haus"
"""


def test_the_catalog_holds_every_text_of_the_templates() -> None:
    script = runpy.run_path(str(shipped("dashboards") / "collect_texts.py"))
    kept = script["COLLECTED"].read_text(encoding="utf-8")
    assert kept == script["collected"](), "run `python dashboards/collect_texts.py`"
    assert 'msgid "Boxes"' in kept


def test_another_language_is_a_file_beside_the_shelf_file(tmp_path: Path) -> None:
    (tmp_path / "xx.po").write_text(INVENTED, encoding="utf-8")
    shelf = make_shelf(tmp_path, 'language = "xx"\n')
    with serving(shelf, keeper_by_hand(shelf)) as address:
        page = httpx.get(address, timeout=None).text
    assert '<html lang="xx">' in page
    assert ">Dosen</a>" in page
    assert ">Plan</a>" in page, "what has no translation stays English"
    assert ">House</a>" in page, "a translation that asks for what is not offered is left out"


def test_numbers_choose_their_form(tmp_path: Path) -> None:
    (tmp_path / "xx.po").write_text(INVENTED, encoding="utf-8")
    texts = texts_of("xx", tmp_path)
    assert texts.ngettext("%(n)s day", "%(n)s days", 1) == "%(n)s Tag"
    assert texts.ngettext("%(n)s day", "%(n)s days", 3) == "%(n)s Tage"


@pytest.mark.parametrize(
    ("content", "told"), [(None, "there are no texts for language 'xx'"), ("msgid", "can't be read")]
)
def test_a_file_that_won_t_do_is_one_line(tmp_path: Path, content: str | None, told: str) -> None:
    if content is not None:
        (tmp_path / "xx.po").write_text(content, encoding="utf-8")
    with pytest.raises(SettingsError, match=told) as raised:
        texts_of("xx", tmp_path)
    assert "\n" not in str(raised.value)
