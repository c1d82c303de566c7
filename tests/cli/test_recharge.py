"""The recharge desk at the command line: an evening in plain calls, the same prompt by prompt, slips of a hand."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner, Result

from monitor.cli.app import app
from monitor.cli.desk.session import DeskSession
from monitor.errors import LedgerError, TypedError, UnconfirmedError
from monitor.presentation import quantities
from monitor.settings import Shelf

SHELF = """
timezone = "Europe/Vienna"
[room]
temperature_c = 20
rh_pct = 50
[boxes.pla]
limit_rh_pct = 20
[boxes.nylon]
limit_rh_pct = 15
[appliances.microwave]
kind = "microwave"
power_w = 500
[appliances.warm-box]
kind = "filament_dryer"
temperature_c = 65
"""
EVENING = [(4, 596), (4, 582), (4, 575), (4, 572), (4, 571)]
"""Minutes of heat since the weighing before, and the scale with a bowl of 355 g: invented."""


class Shell:
    """The command line on one shelf."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def __call__(self, *words: str, typed_in: str | None = None) -> str:
        result = self.result(*words, typed_in=typed_in)
        if result.exception is not None and not isinstance(result.exception, SystemExit):
            raise result.exception
        assert result.exit_code == 0, result.output
        return result.output

    def result(self, *words: str, typed_in: str | None = None) -> Result:
        return CliRunner().invoke(app, ["--shelf", str(self.folder), *words], input=typed_in)

    def json(self, *words: str) -> Any:
        return json.loads(self(*words, "--json"))


@pytest.fixture
def shell(tmp_path: Path) -> Shell:
    (tmp_path / "shelf.toml").write_text(SHELF, encoding="utf-8")
    shell = Shell(tmp_path)
    shell("lot", "buy", "march", "orange_gel", "1kg")
    shell("charge", "weigh-out", "bowl", "march", "262", "--state", "room", "--holder", "glass", "--tare", "355")
    return shell


def weigh_evening(shell: Shell) -> Any:
    shell("recharge", "start", "bowl", "microwave", "--weight", "617")
    for minutes, shown in EVENING[:-1]:
        shell("recharge", "weigh", str(shown), "--after", str(minutes))
    return shell.json("recharge", "weigh", str(EVENING[-1][1]), "--after", str(EVENING[-1][0]))


def test_where_no_charge_is_known_each_way_to_one_is_said(tmp_path: Path) -> None:
    (tmp_path / "shelf.toml").write_text(SHELF, encoding="utf-8")
    shell = Shell(tmp_path)
    shell("log", "charge", "pla", "--desiccant", "orange_gel", "--dry-mass", "120")
    said = str(shell.result("recharge", "guide").exception)
    for way in ("`siccast charge weigh-out`", "on the page, under Desk", "`siccast lot buy`"):
        assert way in said
    shell("lot", "buy", "of pla", "orange_gel", "140")
    shell("charge", "weigh-out", "cup", "of pla", "140", "--state", "unknown")
    assert "Run cup-1 has started." in shell("recharge", "start", "cup", "microwave", "--weight", "140")


def test_beads_out_of_a_box_are_judged_for_it_first_and_go_back_there(shell: Shell) -> None:
    """As the page does; the strictest limit came first before, be it of any box."""
    shell("charge", "put", "bowl", "pla", "--sure")
    shell("recharge", "start", "bowl", "microwave", "--weight", "617")
    for minutes, shown in EVENING:
        said = shell("recharge", "weigh", str(shown), "--after", str(minutes), "--sure")
    finished = shell("recharge", "finish")
    for text in (said, finished):
        assert re.findall(r"^  limit \d+ % \((\w+)\)", text, re.MULTILINE) == ["pla", "nylon"]
    assert "Next: `siccast charge put bowl pla`." in finished


def test_an_evening_in_plain_calls(shell: Shell) -> None:
    answer = weigh_evening(shell)
    assert answer["verdict"] == "stop: done"
    assert answer["water_off_g"] == 46.0
    assert answer["next_gain_g"]["p95"] < 1.5
    assert [weighing["heated_min"] for weighing in answer["weighings"]] == [0, 4, 8, 12, 16, 20]
    assert "Stop: done." in shell("recharge", "status")
    assert "Close it only below 60 °C" in shell("recharge", "finish")
    shell("charge", "split", "bowl", "half", "108")
    assert "in box pla" in shell("charge", "put", "bowl", "pla")
    shell("charge", "put", "half", "nylon")
    entries = shell.json("log", "show")["entries"]
    assert {(e["box"], e["kind"], e["mass_g"]) for e in entries} == {
        ("pla", "charge", 108.0),
        ("nylon", "charge", 108.0),
    }
    assert all(e["loading_g_per_g"][0] < e["loading_g_per_g"][1] < e["loading_g_per_g"][2] for e in entries)
    places = {charge["name"]: charge["place"] for charge in shell.json("charge", "list")["charges"]}
    assert places == {"bowl": "box:pla", "half": "box:nylon"}
    assert "All grams add up." in shell("lot", "list")
    told = shell("charge", "show", "bowl")
    assert "lowest weight        108 g" in told
    assert "bowl-1" in told
    assert 0.7 < shell.json("charge", "show", "bowl")["charge"]["capacity_factor"] < 1.0


def test_the_same_evening_prompt_by_prompt(shell: Shell) -> None:
    weighings = "".join(f"{minutes}\n{shown}\n" for minutes, shown in EVENING)
    slips = "six hundred\n617\n"  # one line, and asked again
    typed_in = "bowl\nmicrowave\n\n1g\n" + slips + weighings + "0\ny\ny\npla\n500\n108\ny\nnylon\nall\n"
    said = shell("recharge", "guide", typed_in=typed_in)
    assert "'six hundred' is not a weight. Write it like 180" in said
    assert "Run bowl-1 is finished." in said
    assert "What these beads are good for now:" in said
    assert "no metal" in said
    assert "'500' is too much: only 216" in said
    places = {charge["name"]: charge["place"] for charge in shell.json("charge", "list")["charges"]}
    assert places == {"bowl": "box:nylon", "bowl-part2": "box:pla"}


def test_a_guided_run_goes_on_another_day(shell: Shell) -> None:
    first = shell.result("recharge", "guide", typed_in="bowl\nmicrowave\n\n1g\n617\n4\n596\n")
    assert first.exit_code != 0  # the input ended, as when someone closes the lid of the laptop
    rest = "".join(f"{minutes}\n{shown}\n" for minutes, shown in EVENING[1:])
    said = shell("recharge", "guide", typed_in="y\n" + rest + "0\ny\nn\n")
    assert "Run bowl-1 is finished." in said


def test_on_resuming_minutes_are_asked_for_first(shell: Shell) -> None:
    """The step of the scale is the one told before the first weighing; '4' are minutes, not grams."""
    shell("recharge", "start", "bowl", "microwave", "--weight", "617.0", "--step", "0.5")
    said = shell("recharge", "guide", typed_in="y\n4\n596\n0\nn\n")
    assert "Smallest step" not in said
    [_, second] = [event for event in shell.json("lot", "log")["deeds"] if event["deed"] == "RunWeighed"]
    assert (second["heated_s"], second["resolution_g"]) == (240.0, 0.5)


def test_a_guide_left_open_overnight_knows_how_late_it_is(shell: Shell, monkeypatch: pytest.MonkeyPatch) -> None:
    began = datetime(2026, 3, 1, 18, 0, tzinfo=UTC)
    hours = iter(range(0, 200, 9))
    monkeypatch.setattr(DeskSession, "clock", lambda _: began + timedelta(hours=next(hours)))
    said = shell("recharge", "guide", typed_in="bowl\nwarm-box\n\n1g\n617\n8h\n600\n0\nn\n")
    assert "but the last weighing is" not in said
    assert shell.json("recharge", "status")["water_off_g"] == 17.0


def test_minutes_of_no_sense_are_asked_for_again(shell: Shell) -> None:
    shell("recharge", "start", "bowl", "microwave", "--weight", "617")
    said = shell("recharge", "guide", typed_in="y\n864\nn\n4\n596\n0\nn\n")
    assert "864 min without a break is too long (microwave). Heat at most 20 min" in said
    assert [weighing["heated_min"] for weighing in shell.json("recharge", "status")["weighings"]] == [0, 4]


def test_a_guide_without_a_charge_says_how_to_get_one(tmp_path: Path) -> None:
    (tmp_path / "shelf.toml").write_text(SHELF, encoding="utf-8")
    with pytest.raises(LedgerError, match="weigh one out with `siccast charge weigh-out`"):
        Shell(tmp_path)("recharge", "guide", typed_in="\n" * 50)


def test_a_stop_says_what_is_left_in_grams_and_what_else_would_help(shell: Shell) -> None:
    (shell.folder / "shelf.toml").write_text(
        SHELF + '[appliances.oven]\nkind = "oven"\ntemperature_c = 110\n', encoding="utf-8"
    )
    answer = weigh_evening(shell)
    said = shell("recharge", "status")
    [grams] = re.findall(r"About [\d.]+ % water \(([\d.]+) g\) is left", said)
    assert float(grams) == pytest.approx(answer["left_g"]["p50"], abs=0.1)
    assert "Another way: oven at 110" in said
    assert [further["appliance"] for further in answer["further"]] == ["oven"]
    assert answer["further"][0]["time_min"]["p50"] > 0.0


PILE = [(60, 596), (60, 586), (60, 583), (60, 582)]
"""Minutes of an oven since the weighing before, and the scale with the same bowl: wet inside. Invented."""


def dry_a_pile(shell: Shell) -> list[str]:
    (shell.folder / "shelf.toml").write_text(
        SHELF
        + "[boxes.pva]\nlimit_rh_pct = 10\n[boxes.petg]\nlimit_rh_pct = 30\n"
        + '[appliances.oven]\nkind = "oven"\ntemperature_c = 115\n',
        encoding="utf-8",
    )
    begun, said = datetime.now(tz=UTC) - timedelta(hours=6), []
    shell("recharge", "start", "bowl", "oven", "--temperature", "120", "--weight", "617", "--at", begun.isoformat())
    for hours, (minutes, shown) in enumerate(PILE, 1):
        at = (begun + timedelta(hours=hours)).isoformat()
        said.append(shell("recharge", "weigh", str(shown), "--after", str(minutes), "--at", at))
    return said


def test_a_pile_that_stayed_wet_inside_is_spread_thin_or_finished_for_what_it_is_good_for(shell: Shell) -> None:
    *before, said = dry_a_pile(shell)
    assert ["more slowly than it looked" in each for each in before] == [False, True, False]
    assert (
        "Stop: the weight has stopped falling, but about 7 % water (15 g) seems to be left, probably inside the pile."
        in said
    )
    assert "heat again: the same oven can remove about 14 g more" in said
    assert "oven at 115" not in said
    assert "Or finish: they are then" in said
    assert not re.search(r"\([^()]*\(", said), "brackets in brackets"
    numbers = [deed["number"] for deed in shell.json("lot", "log")["deeds"]]
    assert said.endswith(f"To undo: `siccast lot undo {numbers[-1]}`\n")


def test_half_dry_beads_say_what_they_are_good_for_before_they_go_into_a_box(shell: Shell) -> None:
    dry_a_pile(shell)
    said = shell("recharge", "finish")
    assert "What these beads are good for now:" in said
    assert "limit 10 % (pva): of little use" in said
    with pytest.raises(UnconfirmedError, match=r"^Not saved: .* In pva, .* repeat it with --sure$"):
        shell("charge", "put", "bowl", "pva")
    assert "Good; they can still take in about" in shell("charge", "put", "bowl", "petg")
    assert "Of little use" in shell("charge", "put", "bowl", "pva", "--sure")


def test_the_guide_asks_before_half_dry_beads_go_into_a_box(shell: Shell) -> None:
    said = shell("recharge", "guide", typed_in="bowl\nmicrowave\n\n1g\n617\n4\n596\n0\ny\ny\nnylon\nall\nn\nn\n")
    assert "of little use" in said
    assert shell.json("charge", "list")["charges"][0]["place"] == "spare"


def test_spilled_beads_are_told_at_the_command_line(shell: Shell) -> None:
    shell("recharge", "start", "bowl", "microwave", "--weight", "617")
    shell("recharge", "weigh", "596", "--after", "4")
    with pytest.raises(UnconfirmedError, match="siccast recharge spilled"):
        shell("recharge", "weigh", "540", "--after", "4")
    assert "of them are left" in shell("recharge", "spilled", "--grams", "42g")
    answer = shell.json("recharge", "weigh", "540", "--after", "4")
    assert answer["fits"]
    assert answer["kept_share"] == pytest.approx(0.83, abs=0.02)
    [spill] = [event for event in shell.json("lot", "log")["deeds"] if event["deed"] == "BeadsSpilled"]
    shell("lot", "undo", str(spill["number"]))
    assert not shell.json("recharge", "status")["fits"]


def test_a_slip_is_asked_about_and_costs_nothing(shell: Shell) -> None:
    typed_in = "bowl\nmicrowave\n\n1g\n617\n4\n596\n4\n660\nn\n4\n582\n0\nn\n"
    said = shell("recharge", "guide", typed_in=typed_in)
    assert "drying beads do not gain weight" in said
    assert "stays open" in said
    assert shell.json("recharge", "status")["water_off_g"] == 35.0


def test_unlikely_weighings_want_a_yes(shell: Shell) -> None:
    shell("recharge", "start", "bowl", "microwave", "--weight", "617")
    with pytest.raises(UnconfirmedError, match=r"^Not saved: 633 g is 16 g more than last time"):
        shell("recharge", "weigh", "633", "--after", "4")
    assert len(shell.json("recharge", "status")["weighings"]) == 1
    shell("recharge", "weigh", "633", "--after", "4", "--sure")
    assert len(shell.json("recharge", "status")["weighings"]) == 2


def test_milliliters_of_milk_from_the_first_weighing(shell: Shell) -> None:
    shell("recharge", "start", "bowl", "microwave", "--tare", "0")
    with pytest.raises(UnconfirmedError, match="milliliters of milk"):
        shell("recharge", "weigh", "254")
    answer = shell.json("recharge", "weigh", "254", "--scale", "milk")
    assert answer["weighings"][0]["mass_g"] == pytest.approx(261.62)


def test_ounces_in_and_out(shell: Shell) -> None:
    (shell.folder / "shelf.toml").write_text('mass_unit = "oz"\n' + SHELF, encoding="utf-8")
    shell("recharge", "start", "bowl", "microwave", "--weight", "21.76", "--step", "0.05")
    said = shell("recharge", "weigh", "21.02", "--after", "4", "--step", "0.05")
    assert "0.74 oz" in said
    assert shell.json("recharge", "weigh", "582g", "--after", "4")["weighings"][2]["mass_g"] == 227.0


def test_too_hot_is_refused_until_confirmed(shell: Shell) -> None:
    words = ("recharge", "start", "bowl", "wok", "--kind", "oven", "--temperature", "160")
    with pytest.raises(UnconfirmedError, match="over the 120 °C that these beads can take"):
        shell(*words)
    assert "has started" in shell(*words, "--sure")


def test_colors_jars_and_undo(shell: Shell) -> None:
    weigh_evening(shell)
    said = shell("recharge", "color", "orange")
    assert "anything from dry to half full" in said
    shell("recharge", "finish")
    assert "By the jar alone" in shell("recharge", "jar-check", "3", "22", "--accuracy", "2")
    last = shell.json("lot", "log")["deeds"][-1]
    assert last["deed"] == "JarChecked"
    log = " ".join(shell("lot", "log").split())
    assert len(re.findall(r"about [\d.]+ % water \([\d.]+ – [\d.]+ %\)", log)) == 2
    assert "time constant" not in log
    assert "undid" in shell("lot", "undo", str(last["number"]))
    assert shell.json("lot", "log")["deeds"][-1]["deed"] == "RunFinished"
    assert "Not yet" in shell("recharge", "first-days", "bowl")


def test_methods_side_by_side(shell: Shell) -> None:
    answer = shell.json("recharge", "reach", "orange_gel", "--room", "25/60", "--also", "45")
    left = {method["method"]: method["end_loading_g_per_g"]["p50"] for method in answer["methods"]}
    assert left["hot air"] > left["warm-box"] > left["microwave"]
    table = shell("recharge", "reach", "bowl")
    assert "room at 20.0 °C, 50 % RH (from the shelf file)" in table
    assert "hot spots" in table


def test_a_mistyped_weight_does_not_start_a_run(shell: Shell) -> None:
    assert shell.result("recharge", "start", "bowl", "microwave", "--weight", "0").exit_code != 0
    assert shell.json("charge", "list")["charges"][0]["place"] == "spare"


def test_a_first_weighing_that_is_refused_begins_no_run(shell: Shell) -> None:
    result = shell.result("recharge", "start", "bowl", "microwave", "--weight", "500")
    assert result.exit_code != 0
    assert "has started" not in result.output
    assert str(result.exception).startswith("Not saved: 145 g, but the records say 262 g.")
    assert "The run has not started" in str(result.exception)
    assert shell.json("charge", "list")["charges"][0]["place"] == "spare"
    assert "bowl-1" in shell("recharge", "start", "bowl", "microwave", "--weight", "617")


def test_what_no_scale_shows_is_not_told_to_a_billionth_of_a_gram(shell: Shell) -> None:
    weigh_evening(shell)
    for _ in range(3):
        told = shell("recharge", "weigh", "571", "--after", "20")
    assert "nothing that a scale would show" in told


def test_a_picture_that_cannot_be_written(shell: Shell) -> None:
    weigh_evening(shell)
    result = shell.result("recharge", "compare", "--picture", "/nowhere/x.png")
    assert "can't write /nowhere/x.png" in str(result.exception)


@pytest.mark.parametrize("suffix", [".png", ".svg"])
def test_runs_as_table_and_picture(shell: Shell, tmp_path: Path, suffix: str) -> None:
    weigh_evening(shell)
    picture = tmp_path / f"runs{suffix}"
    said = shell("recharge", "compare", "--plot", "--picture", str(picture))
    assert "stop: done" in said
    assert "o weighed" in said
    head = picture.read_bytes()[:200]
    assert head.startswith(b"\x89PNG") if suffix == ".png" else b"<?xml" in head
    assert shell.json("recharge", "compare", "bowl-1")["runs"][0]["run"] == "bowl-1"


@pytest.mark.parametrize(
    ("words", "error", "said"),
    [
        (("recharge", "weigh", "596"), LedgerError, "no run is in progress. Start one with `siccast recharge start`"),
        (("recharge", "start", "cup", "microwave"), LedgerError, "there is no charge 'cup'. Known: bowl"),
        (("recharge", "start", "bowl", "kiln"), LedgerError, "appliance 'kiln' is not in the shelf file"),
        (("recharge", "compare"), LedgerError, "no run has a weighing"),
        (("recharge", "jar-check", "5", "22"), LedgerError, "Name the charge with --charge"),
        (("lot", "buy", "x", "sawdust", "1kg"), TypedError, "'sawdust' is not a known kind of beads"),
        (("lot", "undo", "99"), LedgerError, "there is no number 99 in the log"),
        (("charge", "split", "bowl", "b", "400"), LedgerError, "it has only 262 g"),
    ],
)
def test_each_slip_gets_one_line(shell: Shell, words: tuple[str, ...], error: type[Exception], said: str) -> None:
    with pytest.raises(error) as caught:
        shell(*words)
    assert said in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("recharge", "start", "bowl", "microwave", "--room", "20"), "temperature/humidity, like 20/50"),
        (("recharge", "start", "bowl", "microwave", "--room", "20/150"), "0 to 100"),
        (("recharge", "start", "bowl", "x", "--kind", "kiln"), "choose one of microwave"),
        (("recharge", "start", "bowl", "warm-box", "--temperature", "650"), "20 to 300"),
        (("recharge", "compare", "--picture", "x.pdf"), ".png or .svg"),
        (("recharge", "compare", "--picture", "/nowhere/x.png"), "no run has a weighing"),
        (("recharge", "reach", "--also", "900"), "25 to 300"),
        (("lot", "buy", "a/b", "orange_gel", "1kg"), "a name is 1 to 64 letters"),
        (("recharge", "weigh", "596", "--after", "3", "--total", "3"), "not both"),
        (("charge", "weigh-out", "c", "march", "10", "--state", "damp"), "choose one of new, room"),
        (("recharge", "rescale", "beer"), "write milk, oil, ounces, or a density"),
        (("recharge", "rescale", "milk"), "no run is in progress"),
        (("recharge", "spilled", "--grams", "5", "--weight", "500"), "not both"),
        (("recharge", "start", "bowl", "microwave", "--step", "30"), "at most 10 g"),
    ],
)
def test_wrong_options_are_named(shell: Shell, words: tuple[str, ...], said: str) -> None:
    result = shell.result(*words)
    assert result.exit_code != 0
    assert said in " ".join((result.output + str(result.exception)).replace("│", " ").split())


HOME = Shelf(folder=Path())


@pytest.mark.parametrize(
    ("text", "grams"), [("180", 180.0), ("180 g", 180.0), ("0,3kg", 300.0), ("10.8oz", 306.175), (".5", 0.5)]
)
def test_weights_people_type(text: str, grams: float) -> None:
    assert quantities.mass_g(text, HOME) == pytest.approx(grams, rel=1e-4)


@pytest.mark.parametrize(("text", "seconds"), [("3", 180.0), ("3min", 180.0), ("8h", 28800.0), ("1h30", 5400.0)])
def test_heating_people_type(text: str, seconds: float) -> None:
    assert quantities.heating_s(text) == seconds


@pytest.mark.parametrize("text", ["", "-5", "18o", "180 stone", "1e9", "nan", "0", "99999999", "12:30"])
def test_weights_nobody_means(text: str) -> None:
    with pytest.raises(TypedError, match="is not"):
        quantities.mass_g(text, HOME)


@pytest.mark.parametrize("text", ["", "soon", "-3", "h", "999h999", "3 days"])
def test_heating_nobody_means(text: str) -> None:
    with pytest.raises(TypedError, match="is not"):
        quantities.heating_s(text)


def test_the_log_of_the_desk_can_be_read_after_every_kind_of_deed(shell: Shell) -> None:
    for line in (
        "lot buy summer orange_gel 1kg",
        "charge weigh-out jug summer 240 --state room",
        "recharge start jug warm-box --weight 240",
        "recharge spilled --grams 12",
        "recharge weigh 212 --after 1h --sure",
        "recharge color orange",
        "recharge finish",
        "recharge jar-check 6 22 --charge jug",
    ):
        shell(*line.split())
    told = " ".join(shell("lot", "log").split())
    assert "run finished" in told
    assert "orange indicating gel" in told
    assert "silica_gel" not in told


def test_a_spill_of_unknown_size_is_not_told_in_per_cent(shell: Shell) -> None:
    shell("lot", "buy", "summer", "orange_gel", "1kg")
    shell("charge", "weigh-out", "jug", "summer", "240", "--state", "room")
    shell("recharge", "start", "jug", "microwave", "--weight", "240")
    told = shell("recharge", "spilled")
    assert "nobody knows how many. Weigh what is left" in told
    assert "of them are left" not in told


def test_a_spill_before_the_first_weighing_claims_no_share(shell: Shell) -> None:
    shell("lot", "buy", "summer", "orange_gel", "1kg")
    shell("charge", "weigh-out", "jug", "summer", "240", "--state", "room")
    shell("recharge", "start", "jug", "microwave")
    shell("recharge", "spilled")
    told = shell("recharge", "weigh", "225")
    assert "Beads fell out: all grams are for what is left." in told
    assert "100 %" not in told
