"""Whether a lot is as good as new, in sentences for people and as JSON for scripts."""

from __future__ import annotations

from datetime import timedelta
from math import isfinite
from typing import TYPE_CHECKING, Any

from monitor.day_names import month
from monitor.desk.ageing import WORN_SHARE, Against, LotAgeing, SeenUptake, Wear
from monitor.presentation.amounts import TO, joined
from monitor.presentation.desk_amounts import so_often
from monitor.presentation.wording import Wording
from monitor.records import Quantiles
from monitor.texts import say, to_say

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

_LONG_RUNS = 100.0
"""More runs than this are said as 'more than'. [runs] A judgement: nobody plans so far ahead."""
_NEEDED = to_say(
    "Dry beads of this lot at least three times, and weigh them before and after. Best log when they have taken up all"
    " they can: `siccast charge saturated CHARGE --weight GRAMS`."
)
_RESTS_ON = {
    Against.air: to_say("the air of the room that they lay in"),
    Against.box: to_say("the air of the box that they came out of"),
}


def ageing_sentence(ageing: LotAgeing, wording: Wording) -> str:
    """Return what a lot takes up against its first run, what to do, and what that assumes."""
    if ageing.trend is None or ageing.share_left is None:
        return say("Lot '{lot}': nothing can be compared yet. {needed}", lot=ageing.lot, needed=say(_NEEDED))
    return " ".join(filter(None, [_said(ageing, ageing.share_left), _when_to_buy(ageing, wording), assumption(ageing)]))


def _said(ageing: LotAgeing, share: Quantiles) -> str:
    lot, left = say("Lot '{lot}'", lot=ageing.lot), share_left(share)
    if ageing.wear is Wear.worn:
        return say(
            "Lot '{lot}' is worn out: it takes up {left} of what it did at its first run. Buy new beads.",
            lot=ageing.lot,
            left=left,
        )
    if ageing.wear is Wear.falling:
        return say("{lot} takes up less from run to run: {less} less than at its first run.", lot=lot, less=less(share))
    if ageing.wear is Wear.sound:
        return say("{lot} is as good as new: it takes up {left} of what it did at its first run.", lot=lot, left=left)
    return say("{lot}: no clear loss so far. It takes up {left} of what it did at its first run.", lot=lot, left=left)


def _when_to_buy(ageing: LotAgeing, wording: Wording) -> str:
    left = ageing.runs_left
    if ageing.wear is not Wear.falling or left is None:
        return ""
    middle, low, high = (_runs(runs) for runs in (left.p50, left.p05, left.p95))
    after = say(
        "Buy new beads after about {middle} more runs ({low} – {high}), at {share} %",
        middle=middle,
        low=low,
        high=high,
        share=f"{100.0 * WORN_SHARE:.0f}",
    )
    at = buy_at(ageing)
    if at is None:
        return f"{after}."
    day = wording.local_day(at)
    return say("{after}: about {month} {year}.", after=after, month=month(day), year=day.year)


def buy_at(ageing: LotAgeing) -> datetime | None:
    """Return when new beads are worth buying if runs go on as they did; None where that is not known."""
    if ageing.runs_left is None or ageing.days_a_run is None or not isfinite(ageing.runs_left.p50):
        return None
    if ageing.runs_left.p50 > _LONG_RUNS or not ageing.days_a_run:
        return None
    return ageing.seen[-1].at + timedelta(days=ageing.runs_left.p50 * ageing.days_a_run)


def _runs(runs: float) -> str:
    return f"{runs:.0f}" if runs <= _LONG_RUNS else say("more than {long_runs}", long_runs=f"{_LONG_RUNS:.0f}")


def assumption(ageing: LotAgeing) -> str:
    """Return what the comparison of a lot rests on."""
    known = [say(_RESTS_ON[kind]) for kind in ageing.rests_on if kind in _RESTS_ON]
    if not known:
        return say(
            "This assumes that the beads were equally full before each run, as nobody knows the air they came from."
        )
    compared = say("Compared by {bases}", bases=joined(known))
    if Against.assumed in ageing.rests_on:
        return say("{compared}; other runs are taken for equally full each time.", compared=compared)
    return f"{compared}."


def share_left(share: Quantiles) -> str:
    """Return a share of the first uptake with its interval.

    >>> share_left(Quantiles(0.83, 0.87, 0.94))
    '87 % (83 – 94 %)'
    """
    return f"{100.0 * share.p50:.0f} % ({100.0 * share.p05:.0f} {TO} {100.0 * share.p95:.0f} %)"


def less(share: Quantiles) -> str:
    """Return how much less that is, with its interval.

    >>> less(Quantiles(0.83, 0.87, 0.94))
    '13 % (6 – 17 %)'
    """
    return share_left(Quantiles(1.0 - share.p95, 1.0 - share.p50, 1.0 - share.p05))


def wear_in_brief(ageing: LotAgeing) -> str:
    """Return it for a table: in a word or three, with the share where it is known."""
    if ageing.share_left is None:
        return "–"
    return f"{say(ageing.wear.value)}: {share_left(ageing.share_left)}"


UPTAKE_HEADINGS = ("when", "charge", "dried before", "lost in the run", "water taken up", "from air of", "of the usual")


def uptake_rows(seen: Sequence[SeenUptake], wording: Wording) -> list[tuple[str, ...]]:
    """Return each uptake as a row of a table."""
    return [
        (
            f"{wording.local_day(one.at)}",
            one.charge,
            so_often(one.cycles),
            "–" if one.lost_g is None else wording.mass(one.lost_g),
            f"{100.0 * one.loading_g_per_g:.1f} %",
            _air(one, wording),
            "–" if one.capacity_factor is None else f"{100.0 * one.capacity_factor:.0f} %",
        )
        for one in seen
    ]


def _air(one: SeenUptake, wording: Wording) -> str:
    if one.relative_humidity is None or one.temperature_degc is None:
        return say("not known")
    box = say("box {box}", box=one.box) + ": " if one.box else ""
    return box + say(
        "{humidity} % RH, {temperature}",
        humidity=f"{100.0 * one.relative_humidity:.0f}",
        temperature=wording.temperature(one.temperature_degc),
    )


def ageing_answer(ageing: LotAgeing, wording: Wording) -> dict[str, Any]:
    """Return a lot's ageing for scripts; a bound that is never reached is null."""
    per_run = None if ageing.trend is None else ageing.trend.per_run()
    left = ageing.runs_left
    return {
        "lot": ageing.lot,
        "state": ageing.wear.name,
        "share_of_first": ageing.share_left,
        "ln_uptake_per_run": per_run,
        "chance_falling": None if ageing.trend is None else ageing.trend.chance_falling(),
        "buy_new_below_share": WORN_SHARE,
        "runs_until_then": None
        if left is None
        else {name: _finite(getattr(left, name)) for name in ("p05", "p50", "p95")},
        "buy_at": buy_at(ageing),
        "rests_on": [kind.value for kind in ageing.rests_on],
        "said": ageing_sentence(ageing, wording),
        "uptakes": [
            {
                "t": one.at,
                "charge": one.charge,
                "run": one.run,
                "dried_before": one.cycles,
                "dry_mass_g": one.dry_g,
                "loading_g_per_g": one.loading_g_per_g,
                "lost_g": one.lost_g,
                "against": one.against.value,
                "box": one.box or None,
                "relative_humidity": one.relative_humidity,
                "temperature_degc": one.temperature_degc,
                "capacity_factor": one.capacity_factor,
            }
            for one in ageing.seen
        ],
    }


def _finite(value: float) -> float | None:
    return value if isfinite(value) else None
