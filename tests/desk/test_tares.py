"""The empty holder beside another scale, one rule at a time. Milk is 1.03 g/ml; every holder and charge is invented."""

from __future__ import annotations

from dataclasses import replace

import pytest
from runs_by_hand import BOWL, a_run

from monitor.desk.inventory import Run
from monitor.desk.tares import TareReading, read_tare, tare_factor_of, tare_remarks, unknown_tare, with_tare_read
from monitor.desk.traps import TrapError
from monitor.records import Quantiles
from monitor.records.desk_events import ColorSeen, LoggedEvent, RunWeighed

MILK = 1.03
RECORDS = "that gives the weight in the records"
ANOTHER_DAY = "it is in the records from another day"
THIS_RUN = "it was entered for this run"
KNOWN_TARE = a_run(charge=replace(BOWL, tare_g=350.0))
UNKNOWN_TARE = a_run(charge=replace(BOWL, tare_g=None))


def around(grams: float) -> Quantiles:
    return Quantiles(grams - 1.0, grams, grams + 1.0)


@pytest.mark.parametrize(
    ("expected", "factor", "because"),
    [
        (around(257.5), MILK, RECORDS),  # 250 of the beads and 350 of the bowl, both shown in millilitres
        (around(268.0), 1.0, RECORDS),  # the bowl's 350 were grams
        (around(257.5 - 2.55), MILK, RECORDS),  # 1.03 g and 0.2 % of 268 g are 1.57 g of slack, and a gram
        (around(257.5 - 2.58), MILK, THIS_RUN),
        (around(257.5 + 2.55), MILK, RECORDS),
        (around(257.5 + 2.58), MILK, THIS_RUN),
        (around(268.0 - 2.55), 1.0, RECORDS),
        (around(268.0 - 2.58), MILK, THIS_RUN),
        (around(268.0 + 2.55), 1.0, RECORDS),
        (around(268.0 + 2.58), MILK, THIS_RUN),
        (Quantiles(255.0, 262.0, 270.0), MILK, THIS_RUN),  # both fit
        (None, MILK, THIS_RUN),
    ],
)
def test_the_weight_of_the_beads_tells(expected: Quantiles | None, factor: float, because: str) -> None:
    assert read_tare(UNKNOWN_TARE, 600.0, MILK, 350.0, expected) == TareReading(factor, because)


def test_below_one_a_gram_is_the_step() -> None:
    """Oil, 0.92 g/ml: 230 or 202 g; a gram and 0.2 % of 230 g are 1.46 g of slack, and a gram."""
    assert read_tare(UNKNOWN_TARE, 600.0, 0.92, 350.0, around(230.0 - 2.45)).because == RECORDS
    assert read_tare(UNKNOWN_TARE, 600.0, 0.92, 350.0, around(230.0 - 2.47)).because == THIS_RUN


@pytest.mark.parametrize(("tare_g", "because"), [(103.0, THIS_RUN), (104.0, RECORDS)])
def test_a_holder_too_light_to_matter_decides_nothing(tare_g: float, because: str) -> None:
    """0.03 of its weight has to exceed twice the slack: 1.03 g and 0.2 % of some 260.6 g, so 3.102 g."""
    assert read_tare(UNKNOWN_TARE, 250.0 + tare_g, MILK, tare_g, Quantiles(259.2, 260.6, 262.0)).because == because


@pytest.mark.parametrize(
    ("tare_g", "because"), [(346.4, THIS_RUN), (346.6, ANOTHER_DAY), (353.4, ANOTHER_DAY), (353.6, THIS_RUN)]
)
def test_a_figure_within_a_hundredth_is_the_one_from_the_records(tare_g: float, because: str) -> None:
    assert read_tare(KNOWN_TARE, 600.0, MILK, tare_g, None).because == because


def test_a_figure_from_another_day_is_a_guess_where_it_matters() -> None:
    assert read_tare(KNOWN_TARE, 600.0, MILK, 350.0, None) == TareReading(1.0, ANOTHER_DAY, sure=False)
    assert read_tare(KNOWN_TARE, 600.0, MILK, 350.0, around(100.0)) == TareReading(1.0, ANOTHER_DAY, sure=True)
    light = a_run(charge=replace(BOWL, tare_g=50.0))
    assert read_tare(light, 300.0, MILK, 50.0, None) == TareReading(1.0, ANOTHER_DAY, sure=True)
    zero = a_run(charge=replace(BOWL, tare_g=0.0))
    assert read_tare(zero, 300.0, MILK, 50.0, None) == TareReading(MILK, THIS_RUN)


def test_one_gram_of_slack_and_a_share_of_the_beads() -> None:
    """A holder of 104.6 g makes 3.138 g of difference, more than twice 1.03 + 0.002 x 260 g and less than at 270 g."""
    light = a_run(charge=replace(BOWL, tare_g=104.6))
    assert not read_tare(light, 353.0, MILK, 104.6, None).sure
    assert read_tare(light, 365.0, MILK, 104.6, None).sure


def test_the_question_names_both_weights() -> None:
    trap = unknown_tare(600.0, 350.0, MILK)
    assert (trap.name, trap.text) == (
        "which tare",
        "the beads weigh 258 g if the empty holder (350) was weighed on the scale as it is set now, and 268 g if it was"
        " weighed in grams. Add --tare-scale same or --tare-scale grams",
    )


@pytest.mark.parametrize(
    ("tare_g", "factor", "own_tare_g", "taken"),
    [
        (350.0, 1.0, None, None),
        (0.0, MILK, None, None),
        (350.0, MILK, None, MILK),
        (350.0, MILK, 0.0, None),
        (0.0, MILK, 350.0, MILK),
    ],
)
def test_where_the_holder_makes_no_difference_nothing_is_asked(
    tare_g: float, factor: float, own_tare_g: float | None, taken: float | None
) -> None:
    run = a_run(charge=replace(BOWL, tare_g=None), tare_g=tare_g)
    weighed = RunWeighed("bowl-1", 0.0, 600.0, factor=factor, tare_g=own_tare_g)
    assert tare_factor_of(run, weighed, factor, None) == taken


def test_a_guess_is_asked_about() -> None:
    run = a_run(charge=replace(BOWL, tare_g=350.0), tare_g=350.0)
    with pytest.raises(TrapError, match="258 g if the empty holder"):
        tare_factor_of(run, RunWeighed("bowl-1", 0.0, 600.0, factor=MILK), MILK, None)
    assert tare_factor_of(run, RunWeighed("bowl-1", 0.0, 600.0, factor=MILK), MILK, around(268.0)) == 1.0


def in_milk(**what: object) -> RunWeighed:
    return replace(RunWeighed("bowl-1", 0.0, 600.0, factor=MILK), **what)  # type: ignore[arg-type]


def test_what_was_said_of_the_holder_once_holds_on() -> None:
    """Only of a weighing on the same scale in the same holder."""
    run = a_run(shown=[in_milk(tare_factor=0.5)], charge=replace(BOWL, tare_g=None), tare_g=350.0)
    assert with_tare_read(run, in_milk(), None).tare_factor == 0.5
    assert with_tare_read(run, in_milk(tare_factor=2.0), None).tare_factor == 2.0
    assert with_tare_read(run, in_milk(factor=1.0), None).tare_factor is None
    assert with_tare_read(run, in_milk(factor=0.92), None).tare_factor == 0.92
    assert with_tare_read(run, in_milk(factor=1.02), None).tare_factor == 1.02
    assert with_tare_read(run, in_milk(tare_g=340.0), None).tare_factor == MILK
    larger = a_run(shown=[in_milk(tare_factor=0.5, tare_g=360.0)], charge=replace(BOWL, tare_g=None), tare_g=350.0)
    assert with_tare_read(larger, in_milk(tare_g=340.0), None).tare_factor == MILK
    assert with_tare_read(larger, in_milk(tare_g=370.0), None).tare_factor == MILK


AS_GRAMS = ["The empty holder's 350 g count as real grams, weighed on another day or scale."]
AS_SHOWN = ["The empty holder's 350 counts as read on the same scale: 360 g."]


@pytest.mark.parametrize(
    ("weighed", "scale_factor", "tare_scale_factor", "said"),
    [
        (in_milk(tare_factor=1.0), 1.0, None, AS_GRAMS),
        (in_milk(), 1.0, None, AS_SHOWN),
        (in_milk(factor=1.0), 1.0, None, []),
        (in_milk(factor=1.0), MILK, 1.0, AS_GRAMS),
        (in_milk(factor=1.0), MILK, None, AS_SHOWN),
        (in_milk(factor=2.0), 0.5, None, []),
        (in_milk(tare_g=0.0), 1.0, None, []),
        (in_milk(tare_factor=1.0 + 2e-9), 1.0, None, AS_GRAMS),
        (
            in_milk(tare_factor=1.0 - 1e-8),
            1.0,
            None,
            ["The empty holder's 350 counts as read on the same scale: 350 g."],
        ),
        (
            in_milk(tare_factor=1.0 + 1e-8),
            1.0,
            None,
            ["The empty holder's 350 counts as read on the same scale: 350 g."],
        ),
    ],
)
def test_how_the_holder_was_taken_is_said(
    weighed: RunWeighed, scale_factor: float, tare_scale_factor: float | None, said: list[str]
) -> None:
    run = a_run(shown=[weighed], tare_g=350.0)
    run = replace(run, scale_factor=scale_factor, tare_scale_factor=tare_scale_factor)
    assert tare_remarks(run) == said


def test_the_first_weighing_on_another_scale_tells() -> None:
    run = a_run(shown=[in_milk(factor=1.0), in_milk(tare_factor=1.0), in_milk()], tare_g=350.0)
    assert tare_remarks(run) == AS_GRAMS
    own = a_run(shown=[in_milk(tare_g=200.0)], tare_g=350.0)
    assert tare_remarks(own) == ["The empty holder's 200 counts as read on the same scale: 206 g."]
    assert tare_remarks(a_run()) == []
    strange: Run = replace(a_run(), shown=(LoggedEvent(1, run.started_at, ColorSeen("bowl", "green")),))
    assert tare_remarks(strange) == []
