"""When the listener has outlooks brought up to date: every so often, soon after a word in the log, one at a time."""

from __future__ import annotations

from dataclasses import dataclass, field

import pytest

from monitor.services.intake import Tally
from monitor.services.outlook_upkeep import OutlookUpkeep

EVERY_S = 3300.0


@dataclass
class Site:
    """A clock, a log and a list of works that end when they are told to."""

    now_s: float = 1000.0
    logged: int = 0
    works: list[Work] = field(default_factory=list)

    def start(self) -> Work:
        self.works.append(Work())
        return self.works[-1]

    def upkeep(self, every_s: float = EVERY_S) -> OutlookUpkeep:
        return OutlookUpkeep(self.start, lambda: self.logged, every_s, steady_s=lambda: self.now_s)


@dataclass
class Work:
    exit_code: int | None = None

    def poll(self) -> int | None:
        return self.exit_code


@pytest.fixture
def site() -> Site:
    return Site()


def pass_time(site: Site, upkeep: OutlookUpkeep, seconds: float) -> int:
    """Tick each second for so long, and return how many works there are then."""
    for _ in range(int(seconds)):
        site.now_s += 1.0
        upkeep.tick(Tally())
    return len(site.works)


def test_a_backlog_comes_first_then_outlooks_every_so_often(site: Site) -> None:
    upkeep = site.upkeep()
    assert pass_time(site, upkeep, 19) == 0
    assert pass_time(site, upkeep, 6) == 1
    site.works[0].exit_code = 0
    assert pass_time(site, upkeep, 3290) == 1
    assert pass_time(site, upkeep, 20) == 2


def test_what_is_logged_is_heard_of_within_seconds(site: Site) -> None:
    upkeep = site.upkeep()
    pass_time(site, upkeep, 30)
    site.works[0].exit_code = 0
    site.logged += 1
    assert pass_time(site, upkeep, 5) == 2
    site.works[1].exit_code = 0
    assert pass_time(site, upkeep, 60) == 2


def test_one_works_at_a_time_and_what_came_meanwhile_is_done_after_it(site: Site) -> None:
    upkeep = site.upkeep()
    pass_time(site, upkeep, 30)
    site.logged += 1
    assert pass_time(site, upkeep, 600) == 1
    site.works[0].exit_code = 0
    assert pass_time(site, upkeep, 5) == 2


def test_a_work_that_failed_is_tried_again_when_it_is_due(site: Site) -> None:
    upkeep = site.upkeep(600.0)
    pass_time(site, upkeep, 30)
    site.works[0].exit_code = 1
    assert pass_time(site, upkeep, 500) == 1
    assert pass_time(site, upkeep, 110) == 2


def test_every_minute_means_from_the_first_minute_on(site: Site) -> None:
    assert pass_time(site, site.upkeep(10.0), 15) == 1
