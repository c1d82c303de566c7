"""The recharge desk by plain forms: a whole run, each slip asked about, other devices, and what strangers send."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import httpx
import pytest
from desk_on_page import MICROWAVE, Hand, desk_of, desk_served, make_desk
from made_up import AS_OF
from typer.testing import CliRunner

from monitor.cli.app import app
from monitor.records import EntryKind, LedgerEntry
from monitor.records.desk_events import (
    BeadsSpilled,
    BeadsStirred,
    ChargeMoved,
    ChargePortioned,
    ChargeSplit,
    ColorSeen,
    DeskEvent,
    LotBought,
    RunFinished,
    RunStarted,
    RunWeighed,
    ScaleCorrected,
)
from monitor.store.opening import open_stores
from monitor.web.desk.charges import BeadsRow, headline
from monitor.web.desk.deeds import DEEDS

RUN = "/desk/run/bowl-1"


@contextmanager
def at_the_desk(folder: Path, *events: DeskEvent) -> Iterator[Hand]:
    with (
        desk_served(folder, *events) as (address, shelf, clock),
        httpx.Client(base_url=address, timeout=None) as client,
    ):
        yield Hand(client, shelf, clock)


@pytest.fixture
def hand(tmp_path: Path) -> Iterator[Hand]:
    with at_the_desk(tmp_path) as hand:
        yield hand


def begun(hand: Hand, *weights: tuple[str, str], appliance: str = "microwave") -> Hand:
    """Start a run of the bowl, with weighings that were made before."""
    assert hand.send("/desk/charge/bowl/start", appliance=appliance).status_code == 200
    hand.weighed_before(*weights)
    return hand


def asked(hand: Hand) -> str:
    """Return what the page asks; nothing of it was saved."""
    assert hand.status == 400
    found = re.search(r'<section class="asked".*?</section>', hand.text, re.S)
    assert found, hand.text
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", found[0]))


# --- a whole run ------------------------------------------------------------------------------------------------------


def test_the_page_logs_what_the_command_line_logs(hand: Hand, tmp_path: Path) -> None:
    begun(hand)
    for weight, after in MICROWAVE[:3]:
        assert hand.weigh(weight, after).status_code == 200, hand.text
    hand.send(f"{RUN}/finish")
    assert "The beads hold about" in hand.text
    hand.send(f"{RUN}/put", box="pa-dry", sure="1")  # they are half dry
    by_hand = make_desk(tmp_path / "typed")
    commands = [("start", "bowl", "microwave", "--weight", "617")]
    commands += [("weigh", weight, "--after", after) for weight, after in MICROWAVE[1:3]]
    commands += [("finish",)]
    for words in commands:
        result = CliRunner().invoke(app, ["--shelf", str(by_hand.folder), "recharge", *words])
        assert result.exit_code == 0, (words, result.output, result.exception)
    assert (
        CliRunner().invoke(app, ["--shelf", str(by_hand.folder), "charge", "put", "bowl", "pa-dry", "--sure"]).exit_code
        == 0
    )
    with open_stores(by_hand.database_path, read_only=True) as stores:
        typed = [logged.event for logged in stores.events.events()]
        [entry] = stores.ledger.entries("pa-dry")
    assert hand.events() == typed
    assert [replace(mine, at=entry.at, logged_at=entry.logged_at) for mine in hand.entries("pa-dry")] == [entry]


def test_each_page_says_what_to_do_next(hand: Hand) -> None:
    assert "bowl" in hand.look("/desk")
    page = hand.look("/desk/charge/bowl")
    for shown in (
        "of water stay",
        "Start in the microwave",
        "Steam needs much room",
        "The maker's sheet",
        "20.0 °C, 50 % RH",
    ):
        assert shown in page, shown
    hand.send("/desk/charge/bowl/start", appliance="microwave")
    assert "Weight before heating" in hand.text
    assert "with the holder (355.0 g empty)" in hand.text
    assert "Single beads get far hotter" in hand.text
    hand.weigh("617")
    assert "262.0 g after 0 min of heat" in hand.text
    assert "Start the timer" in hand.text
    hand.look(f"{RUN}?step=minutes")
    assert "Minutes of heat since the last weighing" in hand.text
    hand.look(f"{RUN}?after=4")
    assert "After 4 min more heat" in hand.text
    hand.weigh("596", "4")
    for shown in (
        "Still losing water: stir",
        "Water left: about",
        "As dry as this appliance gets them",
        "next step",
        "−21.0 g",
    ):
        assert shown in hand.text, shown
    assert "A run is going on." in hand.look("/desk")
    assert "4 min of heat, last 241.0 g" in hand.text


def test_what_done_leaves_is_said_in_grams_and_finishing_comes_first(hand: Hand) -> None:
    begun(hand, *MICROWAVE, ("571", "4"))
    hand.look(RUN)
    assert re.search(r"<h2 class=\"state within\">.*?Done", hand.text, re.S)
    assert re.search(r"about [\d.]+ g of water stay", hand.text)
    assert 'class="button main broad">Finish this run' in hand.text


def test_a_box_that_got_the_beads_is_said_to_hold(hand: Hand) -> None:
    begun(hand, *MICROWAVE)
    hand.send(f"{RUN}/finish")
    hand.clock.passes(minutes=1)
    hand.send(f"{RUN}/put", box="pla", part="100")
    for _ in range(200):
        hand.clock.passes(seconds=1)
        if "With these beads" in hand.look(RUN):
            break
    assert re.search(r"With these beads pla holds until about 30 Mar \(\d+ Mar – \d Apr\)\.", hand.text), hand.text
    assert "bowl-part2 is in pla" in hand.text
    assert "How much of the 116 g" in hand.text
    assert [type(event) for event in hand.events()[-2:]] == [ChargeSplit, ChargeMoved]
    hand.send(f"{RUN}/put", box="pla", part="200")
    assert "'200' is too much" in hand.text


def test_the_box_that_the_beads_came_from_is_chosen(hand: Hand) -> None:
    with open_stores(hand.shelf.database_path) as stores:
        stores.events.log(ChargeMoved("bowl", "box:pla"), AS_OF, AS_OF)
    begun(hand, *MICROWAVE)
    hand.send(f"{RUN}/finish")
    assert '<option value="pla" selected>' in hand.text


NEW = {"source": "kind:silica_gel_type_A", "holder": "glass", "tare": "0"}


def test_beads_that_were_weighed_out_by_a_slip_are_taken_back_with_the_lot_made_up_for_them(hand: Hand) -> None:
    before = hand.events()
    hand.send("/desk/new", **NEW, name="slip", weight="10kg")
    assert len(hand.events()) == len(before) + 2
    assert 'action="/desk/charge/slip/undo"' in hand.text
    assert hand.send("/desk/charge/slip/undo").url.path == "/desk"
    assert hand.events() == before
    assert "slip" not in hand.look("/desk")
    hand.send("/desk/charge/slip/undo")
    assert hand.status == 404, "sent twice, or by the back button"
    assert hand.events() == before


def test_only_what_nothing_else_was_logged_of_is_taken_back_so(hand: Hand) -> None:
    hand.send("/desk/new", **NEW, name="first", weight="100")
    hand.send("/desk/new", **NEW | {"source": "lot:silica_gel_type_A"}, name="second", weight="50", sure="1")
    hand.send("/desk/charge/first/undo")
    lots = [event.lot for event in hand.events() if isinstance(event, LotBought)]
    assert "silica_gel_type_A" in lots, "the second is of that lot"
    begun(hand)
    assert 'action="/desk/charge/bowl/undo"' not in hand.look("/desk/charge/bowl")
    kept = hand.events()
    hand.send("/desk/charge/bowl/undo")
    assert "More was logged of bowl since it was weighed out." in hand.text
    assert hand.events() == kept


def test_beads_of_a_box_that_nobody_declared_need_three_answers(hand: Hand) -> None:
    assert "/desk/new?box=pa-dry" in hand.look("/desk")
    page = hand.look("/desk/new?box=pa-dry")
    assert "The beads of pa-dry" in page
    assert 'value="pa-dry-beads"' in page
    new = {"box": "pa-dry", "source": "kind:silica_gel_type_A", "holder": "glass", "name": "pa-dry-beads"}
    hand.send("/desk/new", **new, weight="355", tare="355")
    assert "must weigh more than the empty holder" in hand.text
    assert hand.send("/desk/new", **new, weight="505", tare="355").status_code == 200
    assert "Dry pa-dry-beads" in hand.text
    assert hand.events()[2:] == [
        LotBought("silica_gel_type_A", "silica_gel_type_A", 150.0, AS_OF.date()),
        ChargePortioned("pa-dry-beads", "silica_gel_type_A", 150.0, "glass", 355.0, "unknown"),
    ]
    assert "/desk/new?box=pa-dry" not in hand.look("/desk")
    hand.send("/desk/charge/pa-dry-beads/start", appliance="oven")
    assert 'value="505" data-wants-focus' in hand.text.replace('aria-invalid="true" ', "")


KIND = "silica_gel_orange_indicating"
TAKEN_OUT = {"box": "pa-dry", "source": f"kind:{KIND}", "holder": "glass", "tare": "0", "name": "pa-dry-beads"}
STOPS_HIGH = (("170.0", "0"), ("165.0", "4"), ("162.0", "4"), ("161.1", "4"), ("161.0", "4"))
"""Beads that stop 11 g above what the log of their box says: invented."""


def told_by_its_log(hand: Hand) -> Hand:
    """Log beads of a box: 150 g when fully dry, 154 g after their last drying."""
    entry = LedgerEntry(
        EntryKind.charge,
        "pa-dry",
        AS_OF - timedelta(days=60),
        mass_g=154.0,
        desiccant=KIND,
        dry_mass_g=150.0,
        method="microwave",
    )
    with open_stores(hand.shelf.database_path) as stores:
        desk_of(hand.shelf, stores).log(entry, confirmed=True)
    return hand


def test_what_the_log_of_a_box_says_goes_with_its_beads(hand: Hand) -> None:
    told_by_its_log(hand)
    assert "150 g of orange indicating gel when fully dry, 154 g after the last drying" in hand.look(
        "/desk/new?box=pa-dry"
    )
    hand.send("/desk/new", **TAKEN_OUT, weight="170.0")
    portioned = hand.events()[-1]
    assert isinstance(portioned, ChargePortioned)
    assert (portioned.of_box, portioned.dry_mass_g, portioned.dried_g) == ("pa-dry", 150.0, 154.0)
    assert "from pa-dry" in hand.text
    hand.send("/desk/new", **{**TAKEN_OUT, "source": "kind:silica_gel_type_A", "name": "others"}, weight="170.0")
    assert hand.events()[-1] == ChargePortioned("others", "silica_gel_type_A", 170.0, "glass")


@pytest.mark.parametrize(("weight", "why"), [("120", "Is it only a part of them"), ("400", "Is the holder included")])
def test_beads_that_are_not_all_those_of_the_log_are_asked_about(hand: Hand, weight: str, why: str) -> None:
    told_by_its_log(hand)
    before = hand.events()
    hand.send("/desk/new", **TAKEN_OUT, weight=weight)
    assert "the log of pa-dry says 150 g when fully dry" in asked(hand)
    assert why in asked(hand)
    assert hand.events() == before
    hand.answer("They are other beads, or a part of them: go on")
    assert hand.events()[-1] == ChargePortioned("pa-dry-beads", KIND, float(weight), "glass")


def test_beads_are_not_called_done_while_nobody_knows_how_dry_they_are(hand: Hand) -> None:
    told_by_its_log(hand)
    hand.send("/desk/new", **TAKEN_OUT, weight="170.0")
    hand.send("/desk/charge/pa-dry-beads/start", appliance="microwave")
    hand.weighed_before(*STOPS_HIGH, run="pa-dry-beads-1")
    page = hand.look("/desk/run/pa-dry-beads-1")
    for shown in (
        "No longer losing water, but how much is left is not known",
        "Water left: not known (",
        "Heat them much longer, at least 16 min, and weigh again",
        "Or close the cold beads in a jar with a hygrometer",
        "The log of pa-dry says 150 g when fully dry (154 g after the last drying). These beads will not come below",
        "Are they other beads, or more of them? Or are they still wet inside?",
    ):
        assert shown in hand.text, shown
    assert "Stop: done" not in page
    assert '<h2 class="state unsure">' in page
    result = CliRunner().invoke(app, ["--shelf", str(hand.shelf.folder), "recharge", "status"])
    assert "how much water is left is not known" in result.output
    assert "Stop: done" not in result.output
    hand.send("/desk/run/pa-dry-beads-1/finish")
    assert "How much water the beads hold is not known" in hand.text
    assert "no longer losing water, but how much is left is not known; now from pa-dry" in hand.look("/desk")
    hand.send("/desk/run/pa-dry-beads-1/put", box="pa-dry")
    assert "Before, it said 150 g of these beads" in asked(hand)
    assert len(hand.entries("pa-dry")) == 1
    hand.answer("Put them in all the same")
    assert len(hand.entries("pa-dry")) == 2


def test_the_box_that_the_beads_came_from_is_named_first_and_by_itself(tmp_path: Path) -> None:
    lot = LotBought("autumn", KIND, 1000.0)
    with at_the_desk(tmp_path, lot, ChargePortioned("pla-beads", "autumn", 262.0, "glass", 355.0, "room")) as hand:
        hand.send("/desk/charge/pla-beads/start", appliance="microwave")
        lines = re.findall(r"<li>(limit [^<]+)</li>", hand.text)
        assert lines[0].startswith("limit 20 % (pla): ")


def test_cautions_are_in_full_at_the_start_and_folded_later(hand: Hand) -> None:
    begun(hand)
    assert "What else to be careful of" not in hand.text
    hand.weigh("617")
    careful = re.search(r'<aside class="careful".*?</aside>', hand.text, re.S)
    assert careful
    before, _, folded = careful[0].partition("<details")
    assert "Weigh the beads cold and covered" in before
    assert "Single beads get far hotter" in folded


@pytest.mark.parametrize(
    ("boxes", "said"),
    [("a", "a"), ("a b", "a and b"), ("a b c", "a, b and c"), ("a b c d e", "a, b, c and 2 more")],
)
def test_the_headline_names_three_boxes_and_counts_the_rest(boxes: str, said: str) -> None:
    rows = [BeadsRow(f"beads of {box}", "", "", box, "over", "") for box in boxes.split()]
    assert headline(0, rows) == f"Dry the beads of {said} next."


# --- slips, asked about in place --------------------------------------------------------------------------------------


def test_a_heavier_weighing_is_asked_about_and_saved_when_they_stood_open(hand: Hand) -> None:
    begun(hand, *MICROWAVE[:2])
    before = hand.events()
    hand.weigh("604", "4")
    assert "604 g is 8 g more than last time" in asked(hand)
    assert "siccast lot undo" not in asked(hand)
    assert hand.events() == before
    assert 'value="604"' in hand.text
    hand.answer("The beads stood open: save it")
    assert hand.events()[-1] == RunWeighed("bowl-1", 480.0, 604.0)
    assert "The beads took up water in between" in hand.text


def test_a_missed_decimal_point_is_put_right_by_the_first_button(hand: Hand) -> None:
    begun(hand, *MICROWAVE[:2])
    hand.weigh("5815", "4")
    assert "Is the decimal point elsewhere: 581.5 g?" in asked(hand)
    assert "The beads stood open" not in asked(hand)
    assert re.findall(r'name="answer" value="[^"]+">([^<]+)<', hand.text)[0] == "581.5 g?"
    assert f'href="{RUN}?after=4">Save nothing' in hand.text
    hand.answer("581.5 g?")
    assert hand.events()[-1] == RunWeighed("bowl-1", 480.0, 581.5, 0.1)


def test_a_gain_is_said_as_fine_as_the_scale_shows_it(hand: Hand) -> None:
    begun(hand, ("617.0", "0"))
    hand.weigh("596.0", "4")
    hand.weigh("596.8", "4")
    assert "596.8 g is 0.8 g more than last time" in asked(hand)


def test_minutes_typed_before_the_timer_go_with_a_weighing_without_it(hand: Hand) -> None:
    begun(hand, *MICROWAVE[:2])
    hand.send(f"{RUN}/timer", timer="past", minutes="7")
    assert "Minutes of heat since the last weighing" in hand.text
    assert 'value="7"' in hand.text
    hand.send(f"{RUN}/timer", timer="start", minutes="70")
    assert f'href="{RUN}?step=heat&amp;minutes=70">Save nothing' in hand.text
    assert 'value="70"' in hand.look(f"{RUN}?step=heat&minutes=70")


def test_the_weighing_before_can_be_the_wrong_one(hand: Hand) -> None:
    begun(hand, *MICROWAVE[:1])
    hand.weigh("580", "4")
    if hand.status == 400:
        hand.answer("It is right: save it")
    hand.weigh("590", "4")
    hand.answer("The last weighing was wrong: drop that one")
    assert hand.events()[3:] == [RunWeighed("bowl-1", 0.0, 617.0), RunWeighed("bowl-1", 480.0, 590.0)]


def test_another_unit_is_a_button(hand: Hand) -> None:
    begun(hand)
    hand.weigh(f"{617 / 1.03:.0f}")
    assert "milliliters of milk" in asked(hand)
    assert "--scale" not in asked(hand)
    hand.answer("The scale is set to milliliters of milk")
    while hand.status == 400:
        hand.answer("On the scale as it is set now")
    [weighed] = hand.events()[3:]
    assert isinstance(weighed, RunWeighed)
    assert weighed.factor == 1.03
    assert hand.inventory().run("bowl-1").weighings[0].mass_g == pytest.approx(262.0, abs=8.0)


def test_all_weighings_were_of_another_scale(hand: Hand) -> None:
    begun(hand)
    hand.weigh("599")
    hand.answer("It is right: save it")
    hand.send(f"{RUN}/rescale", unit="milk")
    while hand.status == 400:
        hand.answer("In grams" if "if the empty holder" in asked(hand) else "It is right: change all weighings")
    assert isinstance(hand.events()[-1], ScaleCorrected)
    hand.send(f"{RUN}/rescale", unit="lead")
    assert "'lead' is not valid" in hand.text


def test_beads_that_fell_out_are_logged_with_the_weighing(hand: Hand) -> None:
    begun(hand, *MICROWAVE[:3])
    hand.weigh("500", "4")
    assert "siccast recharge spilled" not in asked(hand)
    hand.answer("Beads fell out before this weighing")
    assert hand.events()[-2:] == [BeadsSpilled("bowl-1", 3), RunWeighed("bowl-1", 720.0, 500.0)]


def test_a_spill_of_known_and_of_unknown_grams(hand: Hand) -> None:
    begun(hand, *MICROWAVE[:2])
    hand.send(f"{RUN}/spilled", lost="20")
    assert hand.events()[-1] == BeadsSpilled("bowl-1", 2, 20.0)
    hand.send(f"{RUN}/spilled", lost="")
    assert "nobody knows how many. Weigh what is left." in hand.text
    hand.send(f"{RUN}/finish")
    assert "Weigh once more" in hand.text
    hand.send(f"{RUN}/spilled", lost="900")
    assert "can't have fallen out" in hand.text
    assert hand.events()[-1] == BeadsSpilled("bowl-1", 2)


def test_stirring_is_logged_shown_where_it_was_and_undone_and_changes_no_estimate(hand: Hand) -> None:
    begun(hand, *MICROWAVE[:3])
    before = hand.look(RUN)
    assert "Stir the beads, then heat again" in before
    [left] = re.findall(r'<p class="leaves">[^<]*', before)
    hand.send(f"{RUN}/stir")
    assert hand.events()[-1] == BeadsStirred("bowl-1")
    assert "The estimate stays the same" in hand.text
    assert left in hand.text
    assert 'id="stir-form"' not in hand.text
    assert "stirred after 8 min" in hand.text
    hand.weigh("575", "4")
    assert re.search(r">8 min</th>(?:<td>[^<]*</td>)*</tr><tr class=\"stirred\">", hand.text), hand.text
    assert "The estimate stays the same" not in hand.text
    assert 'id="stir-form"' in hand.text
    [place] = re.findall(r'name="event" value="(\d+)"', hand.text)
    hand.send(f"{RUN}/undo", event=place)
    assert "Undo “stirred”" in hand.text
    hand.send(f"{RUN}/undo", event=re.findall(r'name="event" value="(\d+)"', hand.text)[0])
    assert not any(isinstance(event, BeadsStirred) for event in hand.events())
    assert hand.look(RUN).count("stirred") == before.count("stirred")


def test_stirring_at_the_command_line_is_the_same_event(tmp_path: Path) -> None:
    shelf = make_desk(tmp_path)

    def said(*words: str) -> str:
        result = CliRunner().invoke(app, ["--shelf", str(shelf.folder), *words])
        assert result.exit_code == 0, (words, result.output, result.exception)
        return result.output

    said("recharge", "start", "bowl", "microwave", "--weight", "617")
    answer = said("recharge", "stir")
    assert "bowl-1 were stirred" in answer
    assert "The estimate stays the same" in answer
    assert "stirred" in said("lot", "log")
    assert json.loads(said("recharge", "status", "--json"))["stirred_after_min"] == [0.0]
    said("lot", "undo", answer.split("siccast lot undo ")[1].split("`")[0])
    assert "stirred" not in said("lot", "log")


def test_hot_beads_count_for_less_and_a_number_that_is_none_is_named_at_its_field(hand: Hand) -> None:
    begun(hand, *MICROWAVE[:1])
    hand.weigh("596", "4", hot="1")
    assert "Hot weighings count for less. Weigh once more, cold and covered." in hand.text
    before = hand.events()
    for field, value, said in (
        ("weight", "heavy", "is not a weight"),
        ("weight", "", "Type the weight"),
        ("after", "soon", "is not a heating time"),
        ("at", "25:99", "is not a time"),
        ("step", "1kg", "steps of at most"),
        ("tare", "-1", "is not a weight"),
        ("scale", "lead", "is not valid"),
    ):
        form = {"weight": "590", "after": "4", field: value}
        page = hand.weigh(**form)
        assert page.status_code == 400, field
        assert said in hand.text, field
        assert f'id="wrong-{field}"' in hand.text
    assert hand.events() == before
    hand.look(f"{RUN}?after=soon")
    assert hand.status == 400
    assert 'aria-describedby="wrong-after"' in hand.text


def test_a_weighing_can_be_told_later_and_with_another_holder(hand: Hand) -> None:
    begun(hand)
    hand.clock.passes(hours=3)
    hand.weigh("262", "0", tare="0", at="11:10", step="0.5g")
    [weighing] = hand.inventory().run("bowl-1").weighings
    assert (weighing.mass_g, weighing.resolution_g) == (262.0, 0.5)


def test_what_speaks_against_the_heat_is_asked_before_it(tmp_path: Path) -> None:
    lot = LotBought("blue", "silica_gel_blue_indicating", 500.0)
    with at_the_desk(tmp_path, lot, ChargePortioned("tin", "blue", 200.0, "metal", 50.0, "room")) as hand:
        page = hand.look("/desk/charge/tin")
        assert "cobalt" in page.lower()
        assert "Metal sparks in a microwave" in page
        hand.send("/desk/charge/tin/start", appliance="microwave")
        assert "Metal sparks in a microwave" in asked(hand)
        assert not any(isinstance(event, RunStarted) for event in hand.events())
        hand.send("/desk/charge/tin/start", appliance="oven", temperature="200")
        assert "200 °C is over the" in asked(hand)
        hand.answer("Start all the same")
        started = hand.events()[-1]
        assert isinstance(started, RunStarted)
        assert (started.appliance, started.temperature_degc) == ("oven", 200.0)
        hand.send("/desk/charge/tin/start", appliance="oven")
        assert "Finish its run first" in hand.text


def test_an_appliance_that_is_not_declared_can_be_named(hand: Hand) -> None:
    form = {"other": "big oven", "kind": "oven", "temperature": "110", "power": "900", "room": "22/40", "tare": "0"}
    for field, value in (("room", "40"), ("power", "lots"), ("temperature", "900"), ("tare", "x"), ("other", "a/b")):
        assert hand.send("/desk/charge/bowl/start", **{**form, field: value}).status_code == 400
        assert f'id="wrong-{field}"' in hand.text, field
    assert hand.send("/desk/charge/bowl/start").status_code == 400
    hand.send("/desk/charge/bowl/start", **form)
    assert hand.events()[-1] == RunStarted("bowl-1", "bowl", "big oven", "oven", 22.0, 0.4, "told", 110.0, 900.0, 0.0)


def test_half_dry_beads_in_a_strict_box_are_asked_about(hand: Hand) -> None:
    begun(hand, *MICROWAVE[:2])
    hand.send(f"{RUN}/finish")
    hand.send(f"{RUN}/put", box="pa-dry")
    assert "of little use" in asked(hand)
    assert not hand.entries("pa-dry")
    hand.answer("Put them in all the same")
    assert len(hand.entries("pa-dry")) == 1


# --- undo, another appliance, another day, another device -------------------------------------------------------------


def newest(hand: Hand) -> str:
    found = re.search(r'name="event" value="(\d+)"', hand.look(RUN))
    assert found
    return found[1]


def test_the_newest_deed_is_undone_with_one_tap_and_a_stale_one_is_not(hand: Hand) -> None:
    begun(hand, *MICROWAVE[:2])
    hand.send(f"{RUN}/timer", timer="start", minutes="4")
    stale = newest(hand)
    assert "Undo “weighed”" in hand.text
    hand.send(f"{RUN}/undo", event=stale)
    assert len(hand.inventory().run("bowl-1").weighings) == 1
    before = hand.events()
    assert hand.send(f"{RUN}/undo", event=stale).status_code == 400
    assert "something else was logged meanwhile" in hand.text.lower()
    assert hand.events() == before
    hand.weigh("596", "4")
    hand.send(f"{RUN}/finish")
    hand.send(f"{RUN}/put", box="pla", sure="1")
    assert len(hand.entries("pla")) == 1
    hand.send(f"{RUN}/undo", event=newest(hand))
    assert not hand.entries("pla")
    hand.send(f"{RUN}/undo", event=newest(hand))
    assert hand.inventory().run("bowl-1").open
    for _ in range(2):
        hand.send(f"{RUN}/undo", event=newest(hand))
    hand.send(f"{RUN}/discard")
    assert "bowl-1" not in hand.inventory().runs
    assert str(hand.page and hand.page.url).endswith("/desk")


def test_a_run_goes_on_in_another_appliance(hand: Hand) -> None:
    begun(hand, *MICROWAVE[:3])
    hand.send(f"{RUN}/move", appliance="oven")
    assert [type(event) for event in hand.events()[-2:]] == [RunFinished, RunStarted]
    run = hand.inventory().run("bowl-2")
    assert (run.start.appliance, run.start.tare_g) == ("oven", 355.0)
    assert 'value="582" data-wants-focus' in hand.text
    before = hand.events()
    hand.send("/desk/run/bowl-2/move", appliance="microwave")
    assert "no weighing yet" in hand.text
    assert hand.events() == before


def test_a_doubt_about_the_other_appliance_leaves_the_run_open(tmp_path: Path) -> None:
    lot = LotBought("autumn", "silica_gel_orange_indicating", 1000.0)
    with at_the_desk(tmp_path, lot, ChargePortioned("bowl", "autumn", 262.0, "metal", 355.0, "room")) as hand:
        begun(hand, ("617", "0"), ("612", "30"), appliance="warm-box")
        hand.send(f"{RUN}/move", appliance="microwave")
        assert "Metal sparks" in asked(hand)
        assert hand.inventory().run("bowl-1").open
        hand.answer("Start all the same")
        assert hand.inventory().run("bowl-2").start.appliance == "microwave"


def test_the_timer_is_the_same_on_every_device(hand: Hand) -> None:
    begun(hand, *MICROWAVE[:1])
    hand.send(f"{RUN}/timer", timer="start", minutes="0")
    assert 'id="wrong-minutes"' in hand.text
    hand.send(f"{RUN}/timer", timer="start", minutes="90")
    assert "90 min without a break is too long" in asked(hand)
    hand.send(f"{RUN}/timer", timer="start", minutes="8")
    assert 'data-state="going" data-left="480"' in hand.text
    hand.clock.passes(minutes=1)
    assert 'data-left="420"' in hand.look(RUN)
    hand.send(f"{RUN}/timer", timer="stop")  # sending takes five minutes
    assert 'data-state="stopped" data-left="120"' in hand.text
    hand.clock.passes(hours=1)
    assert 'data-left="120"' in hand.look(RUN)
    hand.send(f"{RUN}/timer", timer="go")
    hand.clock.passes(minutes=3)
    assert 'data-state="over"' in hand.look(RUN)
    assert f'href="{RUN}?after=8"' in hand.text
    assert "timer rang" in hand.look("/desk")
    hand.weigh("590", "8")
    assert hand.inventory().run("bowl-1").timer is None
    assert "Start the timer" in hand.text
    hand.send(f"{RUN}/timer", timer="stop")
    assert "no timer" in hand.text


def test_an_interrupted_run_is_there_next_day(hand: Hand) -> None:
    begun(hand, *MICROWAVE[:2])
    hand.clock.passes(hours=20)
    assert "4 min of heat, last 241.0 g (20 hours ago)" in hand.look("/desk")
    page = hand.look(RUN)
    for shown in (
        "Nothing was logged since the last weighing, 20 hours ago",
        "a thin layer about one per cent in 15 minutes",
    ):
        assert shown in page, shown
    assert "Weight now, before more heat" in hand.look(f"{RUN}?after=0")
    hand.weigh("603")
    hand.answer("The beads stood open: save it")
    assert "The beads took up water in between" in hand.text
    hand.send(f"{RUN}/discard")
    assert [type(event) for event in hand.events()] == [LotBought, ChargePortioned]
    assert hand.inventory().charge("bowl").place == "spare"
    hand.look(RUN)
    assert hand.status == 404


def test_a_timer_that_rang_long_ago_says_so(hand: Hand) -> None:
    begun(hand, *MICROWAVE[:1])
    hand.send(f"{RUN}/timer", timer="start", minutes="4")
    hand.clock.passes(hours=9)
    assert "That was 8 hours ago" in hand.look(RUN)


def test_a_weighing_of_a_page_that_is_behind_is_asked_about(hand: Hand) -> None:
    begun(hand, *MICROWAVE[:1])
    behind = re.search(r'name="seen" value="(\d+)"', hand.look(f"{RUN}?after=4"))
    assert behind
    hand.weigh("596", "4")
    before = hand.events()
    hand.send(f"{RUN}/weigh", weight="596", after="4", seen=behind[1])
    assert "The weighings have changed since this page was shown" in asked(hand)
    assert "241.0 g after 4 min of heat" in asked(hand)
    assert hand.events() == before
    hand.send(f"{RUN}/weigh", weight="582", after="4", seen=behind[1])
    hand.answer("It is one more: save it after that one")
    assert hand.events()[-1] == RunWeighed("bowl-1", 480.0, 582.0)
    hand.send(f"{RUN}/finish", seen=behind[1])
    assert "have changed since this page was shown" in hand.text
    assert hand.inventory().run("bowl-1").open


def test_the_color_is_noted(hand: Hand) -> None:
    begun(hand, *MICROWAVE[:1])
    hand.send(f"{RUN}/color", color="orange")
    assert hand.events()[-1] == ColorSeen("bowl", "orange")
    hand.send(f"{RUN}/color", color="plaid")
    assert "'plaid' is not valid" in hand.text


# --- strangers --------------------------------------------------------------------------------------------------------

JUNK = (
    "", " ", "0", "-1", "1e999", "nan", "9" * 400, "٣٫٥", "<script>alert(1)</script>", "'; DROP TABLE deeds; --",
    "\x00", "a" * 5000, "..", "/", "%", "1,5,5", "=", "sure=1", "\ud7ff", "🫧",
)  # fmt: skip
FIELDS = [
    "weight",
    "after",
    "at",
    "step",
    "scale",
    "tare",
    "tare_scale",
    "hot",
    "seen",
    "sure",
    "spilled",
    "undo",
    "answer",
    "timer",
    "minutes",
    "lost",
    "at_heat",
    "unit",
    "density",
    "event",
    "appliance",
    "color",
    "box",
    "part",
    "beside",
    "other",
    "kind",
    "temperature",
    "power",
    "room",
    "source",
    "holder",
    "state",
    "name",
]
PATHS = (
    *(f"{RUN}/{deed}" for deed in (*DEEDS, "nothing")),
    "/desk/charge/bowl/start", "/desk/new", "/desk/charge/none/start", "/desk/run/none/weigh",
)  # fmt: skip


def test_nothing_that_is_sent_breaks_the_desk(hand: Hand) -> None:
    begun(hand)
    usual = {"weight": "600", "after": "1", "timer": "start", "unit": "milk", "box": "pla", "appliance": "oven"}
    token = re.search(r'name="token" value="([^"]+)"', hand.look("/desk/new"))
    assert token
    for place, field in enumerate(FIELDS):
        for step, path in enumerate(PATHS[place % 3 :: 3]):
            junk = JUNK[(7 * place + step) % len(JUNK)]
            answer = hand.client.post(path, data={"token": token[1], **usual, field: junk})
            assert answer.status_code < 500, (path, field, junk, answer.text)
            assert "<script>alert" not in answer.text
    for junk in (*JUNK, "a/b", "bowl-1/weigh", "%2e%2e"):
        for path in ("/desk/run/{}", "/desk/charge/{}", f"{RUN}?after={{}}", f"{RUN}?step={{}}", "/desk/new?box={}"):
            address = path.format(httpx.URL("/", params={"q": junk}).query.decode()[2:].replace("+", "%20"))
            answer = hand.client.get(address)
            assert answer.status_code < 500, (path, junk)


def test_a_form_from_elsewhere_changes_nothing(hand: Hand) -> None:
    begun(hand, *MICROWAVE[:1])
    before = hand.events()
    assert hand.client.post(f"{RUN}/weigh", data={"weight": "596", "after": "4"}).status_code == 403
    assert hand.client.post(f"{RUN}/discard", data={"token": "guessed"}).status_code == 403
    assert hand.client.get(f"{RUN}/discard").status_code in {404, 405}
    assert hand.events() == before


def test_ounces_and_fahrenheit_are_spoken_throughout(tmp_path: Path) -> None:
    with at_the_desk(tmp_path) as hand:
        file = hand.shelf.folder / "shelf.toml"
        file.write_text('mass_unit = "oz"\ntemperature_unit = "F"\n' + file.read_text("utf-8"), "utf-8")
        assert "68.0 °F, 50 % RH" in hand.look("/desk/charge/bowl")
        hand.send("/desk/charge/bowl/start", appliance="microwave")
        assert "12.52 oz empty" in hand.text
        hand.weigh("21.8")
        assert "9.28 oz after 0 min of heat" in hand.text
        shown = re.sub(r"<[^>]+>", " ", hand.text.split('<div class="desk">')[1].split("Be careful")[0])
        assert re.findall(r"\d g\b", shown) == []
