"""Drying runs judged as practice knows them."""

from __future__ import annotations

from itertools import pairwise

import pytest
from made_desk import AT, MICROWAVE, MICROWAVE_LOSSES, ROOM, WARM_BOX, WARM_BOX_LOSSES, WET_G, dry

from monitor.deeds import RunWeighed
from monitor.desk import Desk
from monitor.inference.drying import Verdict
from monitor.records import RoomClimate


@pytest.mark.parametrize("humidity", [0.40, 0.50, 0.60])
def test_microwave_ends_and_is_done(desk: Desk, humidity: float) -> None:
    """Common practice, no source: the end lies at 54-57 g, the next burst under 1.5 g, and it is done."""
    report = dry(desk, "bowl", MICROWAVE, MICROWAVE_LOSSES, RoomClimate(20.0, humidity))
    assert 54.0 <= WET_G - report.end_g.p50 <= 57.0
    assert report.judgement.next_gain_g.p95 < 1.5
    assert report.verdict is Verdict.done
    assert any("that fits" in remark for remark in report.remarks)


def test_microwave_is_not_done_while_grams_come_off(desk: Desk) -> None:
    """Common practice, no source: 24, 40, 49 and 53 g down, each next burst still brought grams."""
    run = desk.start("bowl", MICROWAVE, AT, room=ROOM)
    desk.weigh(RunWeighed(run.name, 0.0, WET_G), AT)
    for (minutes, loss_g), (_, next_loss_g) in pairwise(MICROWAVE_LOSSES[1:]):
        report = desk.weigh(RunWeighed(run.name, 60.0 * minutes, WET_G - loss_g), AT)
        assert report.verdict is Verdict.stir
        gain = report.judgement.next_gain_g
        assert gain.p05 - 1.0 <= next_loss_g - loss_g <= gain.p95 + 1.0


def test_warm_box_is_not_done_and_says_what_it_still_serves(desk: Desk) -> None:
    """Common practice, no source: 5-8 % left against a floor of 3-4 %; a lax box is served, a strict one is not."""
    dry(desk, "bowl", MICROWAVE, MICROWAVE_LOSSES)
    desk.finish("bowl", AT)
    report = dry(desk, "tray", WARM_BOX, WARM_BOX_LOSSES)
    assert report.verdict is Verdict.stir
    assert "hotter method" in report.judgement.because
    assert 0.05 <= report.loading_g_per_g.p50 <= 0.08
    assert 0.03 <= report.floor_g_per_g <= 0.04
    share = {service.box: service.share for service in report.services}
    assert share["petg"] > 0.5 > share["pla"] > share["nylon"]


def test_warm_box_alone_is_not_done_either(desk: Desk) -> None:
    """Common practice, no source: the same run without the other batch to compare with."""
    report = dry(desk, "tray", WARM_BOX, WARM_BOX_LOSSES)
    assert not report.verdict.stops
    assert report.loading_g_per_g.p05 > report.floor_g_per_g


def test_wet_loading_fits_the_room_within_lots(desk: Desk) -> None:
    """Common practice, no source: 0.21 g/g, where lots measured at 50 % RH hold 0.82 to 1.25 of 0.267 g/g."""
    report = dry(desk, "bowl", MICROWAVE, MICROWAVE_LOSSES)
    assert report.start_loading_g_per_g.p05 < 0.23
    assert 0.20 < report.start_loading_g_per_g.p50 < 0.26
