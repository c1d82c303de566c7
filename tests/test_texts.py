"""Sentences: English where nobody set a language, said anew in another, through bytes, threads and contexts."""

from __future__ import annotations

import ast
import asyncio
import pickle
import threading
from datetime import date
from pathlib import Path

import pytest
from anyio import to_thread

from monitor.day_names import day_in_full, near_day
from monitor.errors import TypedError
from monitor.presentation.amounts import ages_for_scripts
from monitor.presentation.texts import Texts, texts_of
from monitor.records import Outlook
from monitor.services.packing import packed, unpacked
from monitor.texts import NAMED, said, say, say_many, speaking, together, without_box

PACKAGE = Path(__file__).resolve().parent.parent / "monitor"
SLAVIC = """
msgid ""
msgstr ""
"Plural-Forms: nplurals=3; plural=(n==1 ? 0 : n%10>=2 && n%10<=4 && (n%100<12 || n%100>14) ? 1 : 2);\\n"

msgid "{count} day ago"
msgid_plural "{count} days ago"
msgstr[0] "pred {count} dnem"
msgstr[1] "pred {count} dny"
msgstr[2] "pred {count} dnu"

msgid "{box} is over its limit."
msgstr "Nad limitem je {box}."

msgid "{box} is {state}."
msgstr "{box}: {state.__class__}"

msgid "{count} of {total} boxes"
msgstr "{count} z {total:>9}"

msgid "March"
msgstr "března"

msgid "{weekday} {day}"
msgstr "{day} ({weekday})"
"""
"""Three forms, as Czech and Polish have them (gettext manual, section 11.2.6); the words need not be right."""


@pytest.fixture
def slavic(tmp_path: Path) -> Texts:
    (tmp_path / "cs.po").write_text(SLAVIC, encoding="utf-8")
    return texts_of("cs", tmp_path)


def test_a_sentence_is_english_until_somebody_speaks_another_language(slavic: Texts) -> None:
    kept = say("{box} is over its limit.", box="pla")
    assert kept == "pla is over its limit."
    with slavic.speaking():
        assert kept == "pla is over its limit."
        assert said(kept) == "Nad limitem je pla."
        assert say("{box} is over its limit.", box="pla") == said(kept)
    assert said(kept) == kept
    assert said("as somebody typed it") == "as somebody typed it"


@pytest.mark.parametrize(
    ("count", "words"), [(1, "dnem"), (3, "dny"), (5, "dnu"), (12, "dnu"), (22, "dny"), (112, "dnu")]
)
def test_a_language_has_its_own_rule_for_numbers(slavic: Texts, count: int, words: str) -> None:
    with slavic.speaking():
        assert say_many("{count} day ago", "{count} days ago", count) == f"pred {count} {words}"
        one, many, others = ages_for_scripts()["steps"][0][2:]
    assert (others.get(str(count)) or (one if count == 1 else many)).replace(
        "{}", str(count)
    ) == f"pred {count} {words}"


def test_what_would_fail_in_use_or_reach_into_values_stays_english(slavic: Texts) -> None:
    with slavic.speaking():
        assert say("{box} is {state}.", box="pla", state="wet") == "pla is wet."
        assert say("{count} of {total} boxes", count=1, total=2) == "1 of 2 boxes"


def test_a_kept_sentence_is_in_the_language_of_whoever_reads_it_back(slavic: Texts) -> None:
    inner = say("{box} is over its limit.", box="pla")
    outlook = Outlook(refusal=say(NAMED, box="pla", why=inner), evidence=(together(inner, "Typed."),))
    bytes_of = packed(outlook)
    assert unpacked(bytes_of, Outlook) == outlook
    with slavic.speaking():
        for back in (unpacked(bytes_of, Outlook), pickle.loads(pickle.dumps(outlook))):
            assert back is not None
            assert said(back.refusal) == "pla: Nad limitem je pla."
            assert without_box(said(back.refusal), "pla") == "Nad limitem je pla."
            assert said(back.evidence[0]) == "Nad limitem je pla. Typed."


def test_a_kept_sentence_takes_hardly_more_room_than_its_letters() -> None:
    plain = "The sensor cannot show less than 10 %. It was at that floor 41 % of the time."
    text = "The sensor cannot show less than {floor}. It was at that floor {share} % of the time."
    sentence = say(text, floor="10 %", share="41")
    assert sentence == plain
    assert len(packed(Outlook(sharpen=sentence))) < len(packed(Outlook(sharpen=plain))) + 100  # bytes, of some 100,000


def test_an_error_can_be_said_anew(slavic: Texts) -> None:
    error = TypedError(say("{box} is over its limit.", box="pla"))
    with slavic.speaking():
        assert said(str(error)) == "Nad limitem je pla."


def test_threads_of_a_request_speak_its_language_and_others_english(slavic: Texts) -> None:
    found: dict[str, str] = {}

    def look(where: str) -> None:
        found[where] = say("{box} is over its limit.", box="pla")

    async def request() -> None:
        with slavic.speaking():
            await asyncio.to_thread(look, "a thread of asyncio")
            await to_thread.run_sync(look, "a thread of a handler")
            bare = threading.Thread(target=look, args=("a thread of its own",))
            bare.start()
            bare.join()
        look("afterwards")

    asyncio.run(request())
    assert [where for where, words in found.items() if words.startswith("Nad")] == [
        "a thread of asyncio",
        "a thread of a handler",
    ]


def test_days_have_the_names_of_the_language(slavic: Texts) -> None:
    on, today = date(2026, 3, 7), date(2026, 3, 4)
    assert (near_day(on, today), day_in_full(on, today)) == ("Sat 7 Mar", "Saturday 7 March")
    with slavic.speaking():
        assert day_in_full(on, today) == "7 března (Saturday)"
    with speaking(None):
        assert day_in_full(date(2027, 1, 2), today) == "Saturday 2 January 2027"


def _literals(tree: ast.AST) -> list[str]:
    calls = [node for node in ast.walk(tree) if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)]
    marked = [call for call in calls if getattr(call.func, "id", "") in ("say", "say_many", "to_say") and call.args]
    return [call.args[0].value for call in marked if isinstance(call.args[0], ast.Constant)]


def test_every_marked_text_is_in_the_catalog() -> None:
    """The collector reads no text within an f-string, so that nothing may be said there."""
    polib = pytest.importorskip("polib")
    catalog = {entry.msgid for entry in polib.pofile(str(PACKAGE.parent / "dashboards" / "texts" / "siccast.pot"))}
    modules = [path for path in PACKAGE.rglob("*.py") if path.parent.name != "cli" and "cli" not in path.parts]
    texts = {text for path in modules for text in _literals(ast.parse(path.read_text(encoding="utf-8")))}
    assert len(texts) > 700
    assert texts - catalog == set()
