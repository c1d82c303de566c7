"""Slips at the recharge desk, asked about in place: each question, its buttons, and what is kept then."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from desk_on_page import MICROWAVE, RUN, Hand, asked, at_the_desk, begun, make_desk
from typer.testing import CliRunner

from monitor.cli.app import app
from monitor.records.desk_events import (
    BeadsSpilled,
    BeadsStirred,
    ChargePortioned,
    LotBought,
    RunStarted,
    RunWeighed,
    ScaleCorrected,
)


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
