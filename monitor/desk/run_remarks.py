"""What is remarked beside the numbers of a drying run: of weighings, spills, the room and the log of a box."""

from __future__ import annotations

from typing import TYPE_CHECKING

from monitor.desk.inventory import (
    Run,
)
from monitor.desk.run_fit import FIRST_JUDGED, Fitted, less_what_fell_out
from monitor.desk.spills import kept_since_last
from monitor.desk.tares import tare_remarks
from monitor.inference.drying import (
    CurveFit,
    Judgement,
)
from monitor.inference.drying.verdict import NOT_THROUGH_G_PER_G
from monitor.physics.materials import Desiccant
from monitor.records.desk_events import RunWeighed
from monitor.texts import say, to_say

if TYPE_CHECKING:
    pass


_NEARLY_ALL = 0.995  # share; judgement: less is missing than a scale and the air account for
STIRRED = to_say(
    "Stirred since the last weighing. The estimate stays the same: the drying curve has no term for it."
    " If it helps, the next weighings show it."
)


def remarks_on(beads: Desiccant, run: Run, it: Fitted, spilled: tuple[float, float] | None) -> tuple[str, ...]:
    """Return what to say of the weighings, the scale, and the beads beside the air that they lay in."""
    told = []
    if it.heated_before_s > 0.0:
        told.append(
            say("The beads took up water in between. So only the weighings since then count for the drying curve.")
        )
    if any(isinstance(logged.event, RunWeighed) and logged.event.hot for logged in run.shown):
        told.append(say("Hot weighings count for less. Weigh once more, cold and covered."))
    if run.spills and kept_since_last(run) is not None:
        left = say(
            "{kept_share} % of them are left, and all grams are for those", kept_share=f"{100.0 * it.kept_share:.0f}"
        )
        told.append(
            say(
                "Beads fell out: {which}.",
                which=left if it.kept_share < _NEARLY_ALL else say("all grams are for what is left"),
            )
        )
    if run.open and run.stirred_since_last:
        told.append(say(STIRRED))
    if not it.fit.fits:
        told.append(
            say(
                "Beads don't dry like these weighings, so nothing here is certain. {what_then}",
                what_then=_what_would_explain(spilled),
            )
        )
    if kept_since_last(run) is None:
        told.append(say("Beads fell out since the last weighing, and nobody knows how many. Weigh what is left."))
    told += tare_remarks(run)
    if run.scale_factor != 1.0:
        told.append(say("All weighings are multiplied by {factor}, as you said.", factor=f"{run.scale_factor:.4g}"))
    if run.charge_before.state == "room" and len(it.points) > 1 and it.fit.fits:
        told += _beside_room(beads, run, it.fit, first=len(it.points) == FIRST_JUDGED)
    if beads.humidity_shows != "fill":
        told.append(
            say("These beads hold nearly the same amount of water at any humidity. A jar check says little about them.")
        )
    return tuple(told)


def beside_the_log(run: Run, it: Fitted, judgement: Judgement) -> list[str]:
    """Ask about beads that stop well above what the log of their box says they weigh when dry."""
    charge, ends_g = less_what_fell_out(run, 0), it.fit.end_g().p50
    declared_g, settled = charge.dry_mass_g, judgement.verdict.stops or not it.fit.fits
    if not charge.of_box or declared_g is None or not settled or len(it.points) < FIRST_JUDGED:
        return []
    if ends_g <= declared_g * (1.0 + it.priors.end_loading.mean_g_per_g + NOT_THROUGH_G_PER_G):
        return []
    dried = (
        ""
        if charge.lightest_g is None
        else say(" ({lightest} g after the last drying)", lightest=f"{charge.lightest_g:.0f}")
    )
    return [
        say(
            "The log of {of_box} says {declared} g when fully dry{dried}. These beads will not come below "
            "{ends} g. Are they other beads, or more of them? Or are they still wet inside?",
            of_box=charge.of_box,
            declared=f"{declared_g:.0f}",
            dried=dried,
            ends=f"{ends_g:.0f}",
        )
    ]


def _what_would_explain(spilled: tuple[float, float] | None) -> str:
    """Say when beads must have fallen out to explain the weighings; else that one of them is a slip."""
    slip = say("find the wrong weighing in `siccast lot log`, and undo it with `siccast lot undo NUMBER`")
    if spilled is None:
        return say("Beads that fell out once do not explain it either. So {slip}.", slip=slip)
    before_min, after_min = (heated_s / 60.0 for heated_s in spilled)
    between = say(
        "between {before_min} and {after_min} min of heating", before_min=f"{before_min:g}", after_min=f"{after_min:g}"
    )
    return say(
        "If beads fell out {between}, run `siccast recharge spilled --at-heat {before_min}`. If not, {slip}.",
        between=between,
        before_min=f"{before_min:g}",
        slip=slip,
    )


def _beside_room(beads: Desiccant, run: Run, fit: CurveFit, *, first: bool) -> list[str]:
    """Say whether the loading at the start fits the room the beads lay in; that it does is worth saying once."""
    start = run.start
    room = float(beads.isotherm.loading_g_per_g(start.room_relative_humidity, start.room_temperature_degc))
    began = fit.start_loading_g_per_g()
    low, high = (room * (1.0 + sign * 2.0 * beads.sigma_ln_capacity) for sign in (-1.0, 1.0))
    fields = {
        "began": f"{100.0 * began.p50:.0f}",
        "humidity": f"{100.0 * start.room_relative_humidity:.0f}",
        "low": f"{100.0 * low:.0f}",
        "high": f"{100.0 * high:.0f}",
    }
    if began.p95 < low:
        return [say(_DRIER_THAN_ROOM, **fields)]
    if began.p05 > high:
        return [say(_WETTER_THAN_ROOM, **fields)]
    return [say(_AS_THE_ROOM, **fields)] if first else []


_DRIER_THAN_ROOM = to_say(
    "At the start the beads held about {began} % water (estimated). At {humidity} % RH such beads hold {low} to"
    " {high} %: these were drier than the room, or can hold less than usual."
)
_WETTER_THAN_ROOM = to_say(
    "At the start the beads held about {began} % water (estimated). At {humidity} % RH such beads hold {low} to"
    " {high} %: these were wetter than the room, or can hold more than usual."
)
_AS_THE_ROOM = to_say(
    "At the start the beads held about {began} % water (estimated). At {humidity} % RH such beads hold {low} to"
    " {high} %, depending on the lot. That fits."
)
