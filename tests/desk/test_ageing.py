"""Is the gel as good as new: simulated lots of known trend, losses that fall, and what is not compared with what."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from simulated_lots import BEADS, BEGIN, DRY_G, MadeRun, run_events, simulated_lot, simulated_runs

from monitor.desk.ageing import Against, LotAgeing, Wear, ageing_of, share_left_of
from monitor.desk.apply_events import apply, replay
from monitor.desk.inventory import Inventory
from monitor.errors import LedgerError
from monitor.records import Reading
from monitor.records.desk_events import (
    BeadsSpilled,
    ChargeMoved,
    ChargePortioned,
    ChargeSaturated,
    ChargeToppedUp,
    DeskEvent,
    LoggedEvent,
    LotBought,
    RunFinished,
)
from monitor.store.opening import open_stores

FALLING_LOSSES_G = (54, 53, 51, 49, 46)
END_G = 207.5


def judged(inventory: Inventory) -> LotAgeing:
    return ageing_of(inventory)["autumn"]


def runs_that_lost(losses_g: tuple[int, ...], **how: bool) -> list[MadeRun]:
    return [MadeRun(END_G + loss_g, **how) for loss_g in losses_g]


def simulated(trend: float, rng: np.random.Generator) -> LotAgeing:
    """A lot of one to three charges, two to nine runs each, at a desk that is more careful or less."""
    careful = float(np.exp(0.5 * rng.normal()))
    logged = bool(rng.integers(2))
    charges = [
        simulated_runs(trend, int(rng.integers(2, 10)), rng, room_logged=logged, careful=careful)
        for _ in range(rng.integers(1, 4))
    ]
    return judged(simulated_lot(charges, "room" if logged else "unknown"))


def test_true_trend_lies_in_its_interval_nine_times_in_ten_over_200_lots() -> None:
    rng, inside = np.random.default_rng(20310104), []
    for _ in range(200):
        trend = 0.02 * rng.normal()
        told = simulated(trend, rng).trend
        assert told is not None
        inside.append(told.per_run().p05 <= trend <= told.per_run().p95)
    assert 0.86 <= np.mean(inside) <= 0.94


def test_sound_lots_are_hardly_ever_called_worn_out_or_falling() -> None:
    rng = np.random.default_rng(7)
    said = [simulated(0.0, rng).wear for _ in range(200)]
    assert said.count(Wear.worn) == 0
    assert said.count(Wear.falling) <= 10  # 5 in 100


def test_lots_that_lose_five_percent_a_run_are_found_out() -> None:
    rng = np.random.default_rng(8)
    said = [
        judged(simulated_lot([simulated_runs(-0.05, 10, rng, room_logged=True, careful=1.0)])).wear for _ in range(40)
    ]
    assert said.count(Wear.worn) >= 36
    assert Wear.sound not in said


@pytest.mark.parametrize(
    ("how", "state", "against"),
    [
        ({"saturated": True, "weighed": True}, "room", Against.air),
        ({"saturated": True, "weighed": False}, "room", Against.air),
        ({"saturated": False}, "unknown", Against.assumed),
    ],
)
def test_losses_that_fall_from_54_to_46_grams_say_so(how: dict[str, bool], state: str, against: Against) -> None:
    told = judged(simulated_lot([runs_that_lost(FALLING_LOSSES_G, **how)], state))
    assert told.wear is Wear.falling
    assert told.rests_on == (against,)
    assert told.share_left is not None
    assert told.share_left.p05 <= 46 / 54 <= told.share_left.p95 < 0.97
    assert [one.lost_g for one in told.seen] == pytest.approx(FALLING_LOSSES_G, abs=0.1)
    assert told.runs_left is not None
    assert 0.0 < told.runs_left.p50 < 12.0
    assert told.days_a_run == pytest.approx(30.0)


def test_losses_that_stay_the_same_are_as_good_as_new() -> None:
    told = judged(simulated_lot([runs_that_lost((54, 53, 54, 55, 54))]))
    assert told.wear is Wear.sound


def test_drier_air_explains_a_smaller_loss() -> None:
    """Each run starts from drier air than the one before; beads of unchanged capacity lose less each time."""
    airs = (0.55, 0.5, 0.45, 0.4, 0.35)
    full = [DRY_G * (1.0 + float(BEADS.isotherm.loading_g_per_g(air, 20.0))) for air in airs]
    told = judged(simulated_lot([[MadeRun(mass_g, air) for mass_g, air in zip(full, airs, strict=True)]]))
    assert told.wear is Wear.sound
    assert [one.capacity_factor for one in told.seen] == pytest.approx([1.0] * 5, abs=1e-6)
    blind = judged(simulated_lot([[MadeRun(mass_g, 0.5, saturated=False) for mass_g in full]], "unknown"))
    assert blind.wear is not Wear.sound


def test_two_runs_alone_are_too_few() -> None:
    assert judged(simulated_lot([runs_that_lost((54, 54))])).wear is Wear.unknown
    assert judged(simulated_lot([runs_that_lost((54,))])).trend is None


def test_charges_of_one_lot_teach_one_trend() -> None:
    alone = judged(simulated_lot([runs_that_lost((54, 52, 51))]))
    both = judged(simulated_lot([runs_that_lost((54, 52, 51)), runs_that_lost((54, 52, 51))]))
    assert alone.trend is not None
    assert both.trend is not None
    assert both.trend.chance_falling() > alone.trend.chance_falling()


def test_a_charge_is_told_its_own_share() -> None:
    inventory = simulated_lot([runs_that_lost(FALLING_LOSSES_G), runs_that_lost((54, 53))])
    told = judged(inventory)
    old, young = (share_left_of(told, inventory.charge(name)) for name in ("bowl0", "bowl1"))
    assert old is not None
    assert young is not None
    assert old.p50 < young.p50 < 1.0


def logged(inventory: Inventory, *events: DeskEvent, months: float) -> Inventory:
    for number, event in enumerate(events, start=1000):
        inventory = apply(inventory, LoggedEvent(number, BEGIN + timedelta(days=30.0 * months), event))
    return inventory


def test_spilled_and_contradicted_runs_are_not_compared() -> None:
    inventory = simulated_lot([[*runs_that_lost((54, 54, 54)), MadeRun(END_G + 30.0, fits=False)]])
    *before, finished = run_events("bowl0", 5, MadeRun(END_G + 20.0))
    assert isinstance(finished, RunFinished)
    spilled = replace(finished, kept_share=0.8, dry_mass_g=0.8 * DRY_G)
    inventory = logged(inventory, *before, BeadsSpilled("bowl0-5", 2, 40.0), spilled, months=6)
    told = judged(inventory)
    assert [one.run for one in told.seen] == ["bowl0-1", "bowl0-2", "bowl0-3"]
    assert told.wear is Wear.sound


def test_topped_up_beads_are_not_compared_with_what_they_were() -> None:
    inventory = logged(simulated_lot([runs_that_lost((54, 53))]), ChargeToppedUp("bowl0", 50.0), months=3)
    inventory = logged(inventory, *run_events("bowl0", 3, MadeRun(END_G + 80.0), DRY_G + 48.8), months=4)
    series = [one.uptake.series for one in judged(inventory).seen]
    assert len(series) == 3
    assert series[0] == series[1] != series[2]


def test_new_beads_and_a_second_heating_in_a_row_say_nothing() -> None:
    new = simulated_lot([[MadeRun(1.025 * DRY_G, saturated=False), *runs_that_lost((54, 54))]], "new")
    assert [one.cycles for one in judged(new).seen] == [1, 2]
    again = logged(
        simulated_lot([runs_that_lost((54, 54))]), *run_events("bowl0", 3, MadeRun(END_G, saturated=False)), months=3
    )
    assert [one.cycles for one in judged(again).seen] == [0, 1]


@pytest.mark.parametrize("taken_out_first", [False, True])
def test_beads_from_a_box_are_compared_at_the_humidity_of_that_box(tmp_path: Path, taken_out_first: bool) -> None:
    """The box was emptied at 20, 25, 30 % RH; beads of unchanged capacity held more each time."""
    airs = (0.20, 0.25, 0.30)
    events: list[tuple[float, DeskEvent]] = [
        (0.0, LotBought("autumn", "orange_gel", 1000.0)),
        (0.0, ChargePortioned("bowl0", "autumn", 1.025 * DRY_G, "glass", 0.0, "new")),
    ]
    readings = []
    for number, air in enumerate(airs, start=1):
        out = 30.0 * number
        events.append((out - 29.0, ChargeMoved("bowl0", "box:pla")))
        if taken_out_first:
            events.append((out - 0.5, ChargeMoved("bowl0", "spare")))
        full_g = DRY_G * (1.0 + float(BEADS.isotherm.loading_g_per_g(air, 20.0)))
        events += [(out, event) for event in run_events("bowl0", number, MadeRun(full_g, 0.6, saturated=False))]
        readings += [Reading("pla", BEGIN + timedelta(days=out, hours=-hour), 20.0, air) for hour in range(13, 36)]
    inventory = replay(
        LoggedEvent(number, BEGIN + timedelta(days=day), event) for number, (day, event) in enumerate(events, start=1)
    )
    with open_stores(tmp_path / "s.sqlite3", synchronous="OFF") as stores:
        stores.readings.add(readings)
        told = ageing_of(inventory, stores.readings)["autumn"]
    assert told.rests_on == (Against.box,)
    assert {one.box for one in told.seen} == {"pla"}
    assert [one.relative_humidity for one in told.seen] == pytest.approx(airs)
    assert [one.capacity_factor for one in told.seen] == pytest.approx([1.0] * 3, abs=1e-6)
    assert {one.against for one in ageing_of(inventory)["autumn"].seen} == {Against.assumed}


def test_a_reference_point_is_refused_where_it_can_not_be_one() -> None:
    inventory = simulated_lot([runs_that_lost((54, 54))])
    with pytest.raises(LedgerError, match="Give the weight without the holder"):
        logged(inventory, ChargeSaturated("bowl0", 0.5, 20.0, 200.0), months=3)
    boxed = logged(inventory, ChargeMoved("bowl0", "box:pla"), months=3)
    with pytest.raises(LedgerError, match="Take it out first"):
        logged(boxed, ChargeSaturated("bowl0", 0.5, 20.0, 260.0), months=4)


def test_a_saturated_weight_alone_is_an_uptake() -> None:
    inventory = logged(
        simulated_lot([runs_that_lost((54, 54))]), ChargeSaturated("bowl0", 0.5, 20.0, END_G + 54.0), months=3
    )
    told = judged(inventory)
    assert [(one.run, one.cycles) for one in told.seen] == [("bowl0-1", 0), ("bowl0-2", 1), (None, 2)]
