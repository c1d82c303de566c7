"""The simulation of what planning is worth, kept running: a few weeks of one site, and how its table is counted."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.worth import rooms
from tests.worth.policies import PLAN, POLICIES
from tests.worth.site import STEPS_A_WEEK, draw_site
from tests.worth.table import best_allotted, best_intervals, by_site, one_rule, table
from tests.worth.truth import Truth
from tests.worth.year import COLUMNS, Year, append, sites_in

WEEKS = 3
ROOMS = tuple(path for path in rooms.files() if "subarctic" in path.name)


@pytest.fixture(scope="module")
def rows() -> list[dict[str, object]]:
    return Year(WEEKS, ROOMS)(1)


def test_a_site_has_a_row_for_each_policy_and_box_and_all_see_the_same_year(rows: list[dict[str, object]]) -> None:
    boxes = {row["box"] for row in rows}
    assert len(rows) == len(boxes) * len(POLICIES)
    weekly = [row for row in rows if row["policy"] == "every 1 weeks"]
    assert {row["heating_days"] for row in weekly} == {WEEKS - 1}
    assert {row["dried"] for row in weekly} == {WEEKS - 1}
    assert all(0 <= row["days_over"] <= row["days"] for row in rows)  # type: ignore[operator]


def test_a_run_that_was_broken_off_goes_on_where_it_stopped(rows: list[dict[str, object]], tmp_path: Path) -> None:
    path = tmp_path / "worth.csv"
    append(path, rows)
    append(path, [{**row, "site": 2} for row in rows[:-3]])
    assert sites_in(path) == {1}
    append(path, [{**row, "site": 2} for row in rows])
    assert sites_in(path) == {1, 2}
    assert "2 site-years" in next(table(path))


def test_beads_that_are_dried_take_the_box_down_and_others_stay_as_they_were() -> None:
    site = draw_site(1, 4, list(ROOMS))
    truth, left_alone = Truth(site, 2), np.zeros((len(site.boxes), 2), bool)
    for _ in range(3):
        humidity = truth.pass_week(left_alone)
    moist = humidity[-1, :, 0] > 2.0 * site.dried_humidity[3]
    assert moist.any()
    assert humidity[:, :, 0] == pytest.approx(humidity[:, :, 1])
    humidity = truth.pass_week(np.array([[True, False]] * len(site.boxes)))
    assert humidity.shape == (STEPS_A_WEEK, len(site.boxes), 2)
    assert np.all(humidity[0, moist, 0] < humidity[0, moist, 1])


def _year(site: int, policy: str, heating_days: int, over: int) -> dict[str, object]:
    counted = {"days": 365, "heating_days": heating_days, "days_over": over}
    return dict.fromkeys(COLUMNS, 0) | {"site": site, "policy": policy, "room": "r", "box": "b"} | counted


def test_the_best_interval_is_the_longest_that_leaves_boxes_as_dry(tmp_path: Path) -> None:
    path = tmp_path / "worth.csv"
    counted = {PLAN: (10, 4), "every 1 weeks": (52, 0), "every 2 weeks": (26, 3), "every 4 weeks": (13, 9)}
    for site, more_over in ((0, 0), (1, 4)):
        append(path, [
            _year(site, policy, days, over + (more_over if policy == PLAN else 0))
            for policy, (days, over) in counted.items()
        ])  # fmt: skip
    sites = by_site(path)
    assert best_intervals(sites)["policy"].tolist() == ["every 2 weeks", "every 2 weeks"]
    allotted = best_allotted(sites)  # one shelf is damper than under the plan, the other one makes up for it
    assert sorted(allotted["policy"]) == ["every 2 weeks", "every 4 weeks"]
    assert allotted["over"].sum() <= sites.loc[sites["policy"] == PLAN, "over"].sum()
    append(path, [_year(2, PLAN, 10, 30), _year(2, "every 1 weeks", 52, 40), _year(2, "every 4 weeks", 13, 20)])
    assert best_intervals(by_site(path))["policy"].tolist()[-1] == "every 4 weeks"


def test_one_rule_for_all_is_as_damp_as_the_plan_by_a_share_at_the_next_interval(tmp_path: Path) -> None:
    """By hand: every week leaves 2 box-days over a site, every two weeks 10, the plan 4: a quarter at two weeks."""
    path = tmp_path / "worth.csv"
    counted = {PLAN: (10, 4), "every 1 weeks": (52, 2), "every 2 weeks": (26, 10), "every 4 weeks": (13, 40)}
    for site, more_over in ((0, -1), (1, 1), (2, 0)):
        append(
            path,
            [
                _year(site, policy, days, over + more_over * (policy == PLAN))
                for policy, (days, over) in counted.items()
            ],
        )
    rule = one_rule(by_site(path))
    assert (rule.weeks, rule.longer_weeks, rule.share) == (1, 2, pytest.approx(0.25))
    assert rule.sites["heating_days_a_year"].mean() == pytest.approx(0.75 * 52 + 0.25 * 26)
    # a box-day more over is an eighth of the way to the next interval
    assert rule.sites["heating_days_a_year"].tolist() == pytest.approx([45.5 + 26 / 8, 45.5 - 26 / 8, 45.5])
    assert rule.sites["over_a_year"].tolist() == pytest.approx([3.0, 5.0, 4.0]), "as damp by construction"


@pytest.mark.parametrize(("over", "weeks"), [(1, 1), (2, 1), (40, 4), (50, 4)])
def test_one_rule_goes_no_further_than_the_intervals_there_are(tmp_path: Path, over: int, weeks: int) -> None:
    path = tmp_path / "worth.csv"
    counted = {PLAN: (10, over), "every 1 weeks": (52, 2), "every 4 weeks": (13, 40)}
    append(path, [_year(0, policy, days, left) for policy, (days, left) in counted.items()])
    rule = one_rule(by_site(path))
    assert (rule.weeks, rule.share) == (weeks, 0.0)
