"""The recharge desk by plain forms: a whole run, undo, another appliance, another day, another device."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from answers_by_hand import AS_OF
from desk_on_page import MICROWAVE, RUN, Hand, asked, at_the_desk, begun, desk_of, make_desk
from typer.testing import CliRunner

from monitor.cli.app import app
from monitor.records import EntryKind, LedgerEntry
from monitor.records.desk_events import (
    ChargeMoved,
    ChargePortioned,
    ChargeSplit,
    ColorSeen,
    LotBought,
    RunFinished,
    RunStarted,
    RunWeighed,
)
from monitor.store.opening import open_stores
from monitor.web.desk.charges import BeadsRow, headline

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
