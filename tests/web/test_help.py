"""The page that explains the others: all states and signs, its pictures, and that every page leads to it."""

from __future__ import annotations

import html
import json
import re
from collections.abc import Iterator

import pytest
from in_process import InProcess, in_process
from shelf_on_page import keeper_by_hand, make_shelf

from monitor.desk import cautions
from monitor.planning.due import rule_of_days
from monitor.presentation.shipped import shipped
from monitor.records import BoxState, EntryKind
from monitor.web.app import create_app
from monitor.web.box.course import SIGNS as LOG_SIGNS
from monitor.web.help.pages import PICTURES


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[InProcess]:
    shelf = make_shelf(tmp_path_factory.mktemp("shelf"))
    with in_process(create_app(shelf, keeper_by_hand(shelf))) as page:
        yield page


def test_it_explains_every_state_every_sign_of_the_log_and_every_caution(page: InProcess) -> None:
    text = html.unescape(page.get("/help").text)
    for state in BoxState:
        assert f"<b>{state.value}</b>: " in text
    for kind in EntryKind:
        assert f'class="sign {LOG_SIGNS[kind]}"' in text
    assert rule_of_days() in text
    for caution in (*cautions.at_the_end(), *cautions.at_the_scale(), cautions.STEAM, cautions.HOT_GLASS):
        assert caution.text in text.replace("\N{NARROW NO-BREAK SPACE}", " ")
    assert "cobalt" in text


def test_its_pictures_are_served_and_wait_until_they_are_seen(page: InProcess) -> None:
    text = page.get("/help").text
    assert text.count('loading="lazy"') == text.count("<img") == len(PICTURES)
    for name in PICTURES:
        assert f'src="/assets/pictures/{name}.png?' in text
        picture = page.get(f"/assets/pictures/{name}.png")
        assert picture.headers["content-type"] == "image/png"
        assert len(picture.content) < 400_000  # bytes; judgement: a phone has it in a second
        known = {"if-none-match": picture.headers["etag"]}
        assert page.get(f"/assets/pictures/{name}.png", headers=known).status_code == 304


def test_its_words_are_each_a_name_and_a_sentence(page: InProcess) -> None:
    text = page.get("/help").text
    told = re.findall(r"<dt>(.*?)</dt><dd>(.*?)</dd>", text.partition('<dl class="words">')[2].partition("</dl>")[0])
    assert ("charge", "A weighed portion of beads that stays together: in a box, in an appliance, or spare.") in told
    assert [name.lower() for name, _ in told] == sorted(name.lower() for name, _ in told)
    assert all(sentence[0].isupper() and sentence.endswith(".") for _, sentence in told)
    assert "<span>A reading that doesn" in text


@pytest.mark.parametrize("path", ["/", "/box/soon", "/plan", "/desk", "/house", "/nowhere", "/help", "/look"])
def test_every_page_leads_to_it_and_shows_no_value_as_python_writes_it(page: InProcess, path: str) -> None:
    text = page.get(path).text
    assert '<a class="to-help" href="/help">' in text
    assert not re.search(r"Markup\(|Quantiles\(|datetime\.|&lt;\w+ object|>None<", text)


def test_it_shows_the_table_of_what_planning_is_worth(page: InProcess) -> None:
    """The very numbers of the file that the simulation makes, with how many site-years ran."""
    told = json.loads((shipped("dashboards") / "worth.json").read_text(encoding="utf-8"))
    shown = html.unescape(page.get("/help").text).split('id="worth"')[1].split("</section>")[0]
    assert f"{told['site_years']} shelves with {told['boxes']} boxes" in shown
    assert told["made_on"] in shown
    assert shown.count('<th scope="row">') == len(told["rows"])
    for row in told["rows"]:
        for mean, error in (row["heating_days"], row["over_days"]):
            assert f"<td>{mean:.1f} ± {error:.1f}</td>" in shown
    by_intervals = [row for row in told["rows"] if row["rule"] in ("one rule", "best interval", "allotted intervals")]
    told_of_rule = f"{told['one_rule']['longer_pct']:.0f} % of the shelves"
    assert told_of_rule in shown.replace("\N{NARROW NO-BREAK SPACE}", " ")
    assert len(by_intervals) == shown.count("<li>") == 3
    for row in by_intervals:
        (saved, saved_error), (more, error) = row["fewer_heating_pct"], row["more_over_days"]
        assert f"the plan heats on {saved:.0f} ± {saved_error:.0f}" in shown
        days = f"{abs(more):.1f} ± {error:.1f}" if round(more, 1) else "as many"
        assert f"{days} box-days a year" in shown
