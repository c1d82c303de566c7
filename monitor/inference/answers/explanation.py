"""What an estimate rests on, in plain sentences."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from monitor.inference.answers.leak import grams_known
from monitor.inference.fit.posterior import Posterior
from monitor.inference.model.box_prior import CONDUCTANCE_PER_AIR_CHANGE, style_prior
from monitor.inference.model.prior import Unknown
from monitor.physics.numerics import median
from monitor.records import Tightness
from monitor.texts import say, say_many, to_say, together

_WORTH_A_SENTENCE = 0.05
"""Least share of the time at a floor that is worth a sentence. Judgement: one day in twenty."""
_LEAST_DAYS = 0.5
"""Fewer days of readings are hardly any. [days] Judgement: a bin."""
_UNINFORMED_SHARE = 0.85
"""Of the spread of the leak before the readings; where more than this is left, they informed next to nothing. [share]
Judgement."""
_HIDDEN_SHARE = 0.9
"""From this share of the time at a floor on, beads that are changed don't show. Judgement."""
_NEAR_LIMIT = 0.02
"""A floor this near below the limit can hardly warn. [fraction of saturation] Judgement: a common sensor's bias."""
_ROOM_SEEN_DAYS = 90
"""A room seen for longer needs no word of caution. [days] Judgement: a season."""
_LEAST_SEEN_DAYS = 1e-9
"""The days seen divide, and are taken for no fewer. [days] Judgement: far below a bin; it only keeps a division
sound."""


_OF_ITS_KIND = to_say(
    "No reading tells of these beads. The dates rest on the box's volume and style and on what was logged, so they are "
    "wide. Log one reading a week, off any display, and they get much sharper."
)


def evidence_of(posterior: Posterior, *, leak_seen_before: bool = False, unseen: bool = False) -> tuple[str, ...]:
    """Return what a forecast rests on, the most important first.

    Parameters
    ----------
    posterior : Posterior
        Of one box.
    leak_seen_before : bool
        Whether the leak of this box was estimated under earlier beads or in a test.
    unseen : bool
        Whether no reading tells of it, nor of its leak before.

    Returns
    -------
    tuple of str
        Plain sentences.
    """
    readings = say(_OF_ITS_KIND) if unseen else _readings(posterior)
    said = [readings, _uninformed(posterior, leak_seen_before), _floor(posterior), _unlogged(posterior)]
    said += [_sensor_swapped(posterior)]
    said += [
        _without_beads(posterior),
        _room(posterior),
        _compared(posterior),
        _color(posterior),
        _shows(posterior),
    ]
    return tuple(sentence for sentence in said if sentence)


def _readings(posterior: Posterior) -> str:
    bins = posterior.bins
    since = say("a recharge that nobody logged") if posterior.episode.unlogged else say("the beads went in")
    if posterior.episode.desiccant is None:
        since = say("the box was closed")
    if bins.seen_days < _LEAST_DAYS:
        return say("There are hardly any readings since {since}. The forecast uses what was known before.", since=since)
    seen, passed = f"{bins.seen_days:.0f}", f"{bins.length_days:.0f}"
    days = say_many("{count} day of readings", "{count} days of readings", int(seen))
    if seen != passed:
        days = say("{days}, out of {passed} days", days=days, passed=passed)
    return say("Based on {days} since {since}.", days=days, since=since)


def _uninformed(posterior: Posterior, leak_seen_before: bool) -> str:
    """Said where the readings left the leak about as open as it was before them."""
    prior, logs = posterior.problem.prior, posterior.state.log_conductance
    if (
        posterior.bins.seen_days < _LEAST_DAYS
        or float(np.std(logs)) < _UNINFORMED_SHARE * prior.sd[Unknown.log_conductance]
    ):
        return ""
    if leak_seen_before:
        return say(
            "The readings since then say almost nothing about this box's leak. The leak shown is what was known of it"
            " before."
        )
    return say("The readings say almost nothing about this box's leak. The leak shown is typical of such boxes.")


def _floor(posterior: Posterior) -> str:
    bins = posterior.bins
    if bins.floor is None:
        return ""
    seen = np.isfinite(bins.shown_humidity)
    share = float(bins.days[seen & bins.censored].sum() / max(bins.days[seen].sum(), _LEAST_SEEN_DAYS))
    if share < _WORTH_A_SENTENCE:
        return ""
    floor = f"{100 * bins.floor:.0f} %"
    if bins.floor >= posterior.box.humidity_limit - _NEAR_LIMIT:
        shown = say("The sensor cannot show less than {floor}. It can hardly warn before the limit.", floor=floor)
    else:
        shown = say(
            "The sensor cannot show less than {floor}. It was at that floor {share} % of the time.",
            floor=floor,
            share=f"{100 * share:.0f}",
        )
    if share > _HIDDEN_SHARE:
        return together(shown, say("New beads do not show down there. Log every recharge."))
    return shown


def _unlogged(posterior: Posterior) -> str:
    count = posterior.episode.unlogged_steps
    if count == 0:
        return ""
    times = say("once") if count == 1 else say("{count} times", count=count)
    return say(
        "Humidity jumped {times} and stayed there, and nothing was logged. Log it if the box was opened, "
        "or a spool or the sensor was swapped.",
        times=times,
    )


def _sensor_swapped(posterior: Posterior) -> str:
    episode = posterior.episode
    if not episode.sensor_swaps_s:
        return ""
    swapped = say("The sensor was swapped or calibrated. Readings from before then may be off by another amount.")
    if episode.sensors_apart:
        apart = f"{100 * episode.sensors_apart:.0f}"
        return together(swapped, say("The two disagree by {apart} % RH. Either may be wrong.", apart=apart))
    return swapped


def _without_beads(posterior: Posterior) -> str:
    if posterior.episode.desiccant is not None:
        return ""
    return say(
        "No beads of known kind and mass are logged. The box follows the room; spools and walls only slow it down."
    )


def grams_words(posterior: Posterior) -> str:
    """Return what grams of water rest on, as a plain sentence for where grams are shown; nothing without beads.

    Parameters
    ----------
    posterior : Posterior
        Of one box.

    Returns
    -------
    str
        What was weighed, tested or only entered.
    """
    if posterior.episode.desiccant is None:
        return ""
    if posterior.episode.weighings or posterior.problem.prior.weighed_before:
        return say("Amounts of water are measured: you weighed the beads.")
    if grams_known(posterior):
        return say("Amounts of water are measured: you tested the box empty.")
    if not posterior.problem.prior.grams_declared:
        return say("Nobody entered how heavy the beads are. Amounts of water are a guess until you weigh them.")
    again = to_say("Amounts of water assume the {mass} g of beads you entered. Weigh them again to be sure.")
    once = to_say("Amounts of water assume the {mass} g of beads you entered. Weigh them once to be sure.")
    return say(again if posterior.episode.loaded_mass else once, mass=f"{posterior.episode.dry_mass_g:.4g}")


def _room(posterior: Posterior) -> str:
    if not posterior.room_measured:
        return say("There is no sensor in the room. How humid it is there is assumed.")
    if posterior.room.seen_days < _ROOM_SEEN_DAYS:
        return say(
            "The room was measured for {count} days. Its seasons are assumed for the first year.",
            count=posterior.room.seen_days,
        )
    return ""


def _color(posterior: Posterior) -> str:
    if not posterior.bins.colors or posterior.problem.prior.dye is None:
        return ""
    return say(
        "The beads looked {color}. Color is a weak sign of how full they are.", color=say(posterior.bins.colors[-1][1])
    )


def _compared(posterior: Posterior) -> str:
    if posterior.problem.bias_likelihood is None:
        return ""
    return say("While the box was open, its sensor was compared with the room's.")


def _shows(posterior: Posterior) -> str:
    shows = posterior.problem.prior.humidity_shows
    if shows == "little":
        return say(
            "With these beads humidity stays low until they are nearly full. Then it rises fast. Weigh them to know."
        )
    if shows == "phase":
        return say("With this salt humidity says little about how much is left. Weigh it to know.")
    return ""


# Air changes a day up to which a case is of a class: US National Park Service 1999, as the AIC wiki has it (2020,
# degree of case seal); an empty polypropylene box with a clip lid: Kelly, Daniel 2000, Abbey Newsletter 24:1,
# 2.8 a day; that boxes of up to 4 a day are like it is a judgement.
_CLASSES = (
    (0.1, to_say("As tight as a very well sealed display case (NPS 1999: at most 0.1 air changes a day).")),
    (0.33, to_say("As tight as a well sealed display case (NPS 1999: at most 0.33 air changes a day).")),
    (1.0, to_say("Like a moderately sealed display case (NPS 1999: at most 1 air change a day).")),
    (4.0, to_say("Like a plastic box with a clip-on lid (Kelly and Daniel 2000: 2.8 air changes a day).")),
    (24.0, to_say("Leakier than a plastic box with a clip-on lid, but tighter than an unsealed display case.")),
    (np.inf, to_say("Like an unsealed display case (NPS 1999: 24 air changes a day and more).")),
)


def comparison_of(posterior: Posterior, style_leak: tuple[float, float] | None = None) -> str:
    """Return how leaky a box is against published classes, and against boxes of its style.

    Parameters
    ----------
    posterior : Posterior
        Of one box.
    style_leak : (float, float), optional
        Mean and standard deviation of ln(air changes a day) of such boxes; what is published of its style where left
        out. [ln(1/day)]

    Returns
    -------
    str
        A plain sentence.
    """
    middle = _usual_log_air_changes(posterior)
    words = next(text for most, text in _CLASSES if np.exp(middle) <= most)
    return together(say(words), say(_BESIDE[tightness_of(posterior, style_leak)]))


_BESIDE = {
    Tightness.tight: to_say("It is tighter than most boxes of its style."),
    Tightness.usual: to_say("It is about as leaky as most boxes of its style."),
    Tightness.leaky: to_say("It is leakier than most boxes of its style."),
}


def tightness_of(posterior: Posterior, style_leak: tuple[float, float] | None = None) -> Tightness:
    """Return how leaky a box is for one of its style: unusual is what lies more than a standard deviation off.

    Parameters
    ----------
    posterior : Posterior
        Of one box.
    style_leak : (float, float), optional
        Mean and standard deviation of ln(air changes a day) of boxes of its style; the prior's where left out.
        [ln(1/day)]

    Returns
    -------
    Tightness
        By the median of the draws.
    """
    mean, spread = style_leak or style_prior(posterior.box)
    middle = _usual_log_air_changes(posterior)
    if middle > mean + spread:
        return Tightness.leaky
    return Tightness.tight if middle < mean - spread else Tightness.usual


@lru_cache(maxsize=1)  # a count; judgement: three things are said of each box by it, one after the other
def _usual_log_air_changes(posterior: Posterior) -> float:
    """The median of the draws. [ln(1/day)]"""
    per_day = posterior.state.mean_conductance / (CONDUCTANCE_PER_AIR_CHANGE * posterior.box.volume_liter)
    return median(np.log(per_day))
