"""What planning is worth by simulation: the table of the help, from the file that `python -m tests.worth` makes."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING

from monitor.presentation.shipped import shipped
from monitor.texts import say, say_many, to_say

if TYPE_CHECKING:
    from collections.abc import Mapping

FILE = "worth.json"
_INTERVALS = {
    "one rule": to_say("Against one rule for everybody, such that all shelves together are as damp:"),
    "best interval": to_say(
        "Against rules that know afterwards what was best at each shelf (the longest interval that leaves it no "
        "damper; where none does, every week):"
    ),
    "allotted intervals": to_say(
        "Against rules that know afterwards what was best for all shelves together (dry ones make a damp one good):"
    ),
}
"""What a comparison with each of them means."""
_BY_CHANCE_SDS = 2.0
"""A mean that is no more of its standard errors off may be none. [standard errors] Judgement: one in twenty is."""


@dataclass(frozen=True, slots=True)
class WorthTable:
    """Simulated site-years: means a site and year, with their standard errors."""

    site_years: int
    boxes: int
    made_on: str
    rows: tuple[tuple[str, str, str], ...]
    """What somebody goes by, days of heating, box-days over the limit."""
    against_intervals: tuple[tuple[str, str, str], ...]
    """Of each way to choose intervals: what it means, by how many per cent the plan heats on fewer days, and whether
    its boxes are over the limit more often."""


def worth_table() -> WorthTable | None:
    """Return the table; None where its file was never made."""
    path = shipped("dashboards") / FILE
    if not path.exists():
        return None
    told = json.loads(path.read_text(encoding="utf-8"))
    names = _rules(told["one_rule"])
    return WorthTable(
        told["site_years"],
        told["boxes"],
        told["made_on"],
        tuple((names[row["rule"]], _mean(row["heating_days"]), _mean(row["over_days"])) for row in told["rows"]),
        tuple(
            (say(_INTERVALS[row["rule"]]), _saved(row["fewer_heating_pct"]), _as_dry(row["more_over_days"]))
            for row in told["rows"]
            if row["rule"] in _INTERVALS
        ),
    )


def _rules(one_rule: Mapping[str, float]) -> Mapping[str, str]:
    """Return what each policy of the simulation is called on the page."""
    return {
        "plan": say("the plan of siccast"),
        "one rule": _one_rule(int(one_rule["weeks"]), int(one_rule["longer_weeks"]), one_rule["longer_pct"]),
        "best interval": say("for each shelf the longest interval that leaves it no damper"),
        "allotted intervals": say("for each shelf an interval, all together no damper"),
        "over the limit": say("when a display is over the limit"),
        "straight line": say("when a straight line through the last days passes the limit"),
    }


def _one_rule(weeks: int, longer_weeks: int, longer_pct: float) -> str:
    """Return the one rule for all shelves in words: two intervals, in shares that leave boxes as damp as the plan."""
    if not longer_pct:
        return say_many("every week, everybody", "every {count} weeks, everybody", weeks)
    return say_many(
        "every week, {share} % of the shelves every {longer} weeks: together as damp",
        "every {count} weeks, {share} % of the shelves every {longer} weeks: together as damp",
        weeks,
        share=f"{longer_pct:.0f}",
        longer=longer_weeks,
    )


def _mean(pair: tuple[float, float]) -> str:
    return f"{pair[0]:.1f} ± {pair[1]:.1f}"


def _saved(pair: tuple[float, float]) -> str:
    return f"{pair[0]:.0f} ± {pair[1]:.0f} %"


def _as_dry(more: tuple[float, float]) -> str:
    """Say how much oftener boxes are over the limit under the plan; a mean and its standard error, shelf by shelf."""
    mean, error = more
    days, by_chance = f"{abs(mean):.1f} ± {error:.1f}", abs(mean) <= _BY_CHANCE_SDS * error
    if round(mean, 1) == 0.0:
        return say("Boxes are over the limit on as many box-days a year.")
    if mean > 0.0 and by_chance:
        return say("Boxes are over the limit on {days} box-days a year more, which may be chance.", days=days)
    if mean > 0.0:
        return say("But boxes are over the limit on {days} box-days a year more.", days=days)
    if by_chance:
        return say("Boxes are over the limit on {days} box-days a year fewer, which may be chance.", days=days)
    return say("Boxes are also over the limit on {days} box-days a year fewer.", days=days)
