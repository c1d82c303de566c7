"""What share of the beads is left after a spill, by hand."""

from __future__ import annotations

import pytest
from runs_by_hand import a_run

from monitor.desk.inventory import Spill
from monitor.desk.spills import kept_before, kept_since_last, loss_of
from monitor.inference.drying import Loss
from monitor.records.desk_events import RunWeighed

WEIGHED = [(0.0, 260.0), (240.0, 240.0), (480.0, 200.0)]


def test_an_untold_spill_may_be_any() -> None:
    assert loss_of(a_run(WEIGHED), Spill(1)) == Loss()


def test_grams_between_two_weighings_fell_out_of_their_middle() -> None:
    """20 g out of 250 g (260 before, 220 + 20 after): 0.92 is left.

    Known to 5 % of 20 g and 0.3 steps of a gram, and to 20 x 20 / 250 / sqrt(12) g for not knowing when.
    """
    loss = loss_of(a_run([(0.0, 260.0), (240.0, 220.0)]), Spill(1, 20.0))
    assert loss.kept_share == pytest.approx(0.92)
    grams = (1.0**2 + 0.3**2 + (20.0 * 20.0 / 250.0) ** 2 / 12.0) ** 0.5
    assert loss.relative_sd == pytest.approx(grams / 250.0 / 0.92)


def test_grams_after_the_last_weighing_fell_out_of_that() -> None:
    loss = loss_of(a_run(WEIGHED), Spill(3, 20.0))
    assert (loss.kept_share, loss.relative_sd) == pytest.approx((0.9, (1.0 + 0.09) ** 0.5 / 200.0 / 0.9))


def test_grams_before_the_first_weighing_fell_out_of_the_charge() -> None:
    """The charge went in with 262 g; 20 g out of 262 and 280 g; a step of one gram where none was on the scale yet."""
    loss = loss_of(a_run(WEIGHED), Spill(0, 20.0))
    assert loss.kept_share == pytest.approx(1.0 - 20.0 / 271.0)
    grams = (1.0 + 0.09 + (20.0 * 18.0 / 271.0) ** 2 / 12.0) ** 0.5
    assert loss.relative_sd == pytest.approx(grams / 271.0 / (1.0 - 20.0 / 271.0))
    nothing_weighed = loss_of(a_run(), Spill(0, 26.2))
    assert nothing_weighed.kept_share == pytest.approx(0.9)


def test_the_step_of_the_scale_before_counts() -> None:
    run = a_run(shown=[RunWeighed("bowl-1", 0.0, 260.0, 10.0), RunWeighed("bowl-1", 0.0, 200.0, 1.0)])
    loss = loss_of(run, Spill(1, 60.0))
    assert (loss.kept_share, loss.relative_sd) == pytest.approx((200.0 / 260.0, (9.0 + 9.0) ** 0.5 / 200.0))


@pytest.mark.parametrize(("lost_g", "kept"), [(199.0, 0.01), (197.0, 0.015), (190.0, 0.05)])
def test_a_hundredth_is_left_at_least(lost_g: float, kept: float) -> None:
    assert loss_of(a_run(WEIGHED), Spill(3, lost_g)).kept_share == pytest.approx(kept)


@pytest.mark.parametrize(("place", "share"), [(0, 0.9), (1, 0.9), (2, 0.81), (3, 0.81)])
def test_shares_multiply_up_to_a_weighing(place: int, share: float) -> None:
    run = a_run([(0.0, 235.8), (240.0, 235.8), (480.0, 212.22)], spills=[(0, 26.2), (2, 23.58), (3, 21.222)])
    assert kept_before(run, place) == pytest.approx(share if place < 3 else 0.729)
    assert kept_since_last(run) == pytest.approx(0.9)


def test_an_unknown_share_leaves_all_unknown() -> None:
    run = a_run(WEIGHED, spills=[(1, None), (1, 20.0)])
    assert kept_before(run, 0) == 1.0
    assert kept_before(run, 1) is None
    assert kept_since_last(run) == 1.0
    assert kept_since_last(a_run(WEIGHED, spills=[(3, 20.0), (3, None)])) is None
