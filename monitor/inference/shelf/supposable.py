"""One box with its posterior at hand, for one who asks again and again what would be if something were changed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from monitor.inference.answers.forecast import HORIZON_DAYS
from monitor.inference.answers.sizing import KnownBox
from monitor.inference.answers.what_if import what_if
from monitor.inference.evidence.episodes import DisturbanceRates
from monitor.inference.fit.posterior import Posterior
from monitor.inference.shelf.first_fit import by_room
from monitor.inference.shelf.last_fit import LastFit, RefitReason
from monitor.records import BoxHistory, CrossingForecast, WhatIf


@dataclass(frozen=True, eq=False)
class Supposable:
    """The posterior of a box at an instant; each question costs one forecast."""

    posterior: Posterior
    """Of now, with how the boxes of the shelf are used."""

    def forecast(self, change: WhatIf, horizon_days: int = HORIZON_DAYS) -> CrossingForecast:
        """Return the forecast of the box as it would be.

        Parameters
        ----------
        change : WhatIf
            What would be otherwise.
        horizon_days : int
            How far to look ahead. [days]

        Returns
        -------
        CrossingForecast
            The very one that ``outlooks`` gives for this change.
        """
        return what_if(self.posterior, change, horizon_days)

    def sized(self) -> KnownBox:
        """Return the box as one that is filled anew.

        Returns
        -------
        KnownBox
            By its posterior.
        """
        return KnownBox(self.posterior)


def supposable(
    last_fit: LastFit | Callable[[], LastFit | None], history: BoxHistory, now_s: float, rates: DisturbanceRates
) -> Supposable | RefitReason:
    """Return a box with its last fit updated to now, or why it must be fitted again.

    Parameters
    ----------
    last_fit : LastFit or callable
        The fit, or what gives it.
    history : BoxHistory
        Of the box; of its readings those of the last weeks before the fit, and since, will do.
    now_s : float
        The present, no earlier than the fit. [s since 1970 UTC]
    rates : DisturbanceRates
        How the boxes of the shelf are used.

    Returns
    -------
    Supposable or RefitReason
        A reason where the fit is not kept any more, too.
    """
    fit = last_fit() if callable(last_fit) else last_fit
    if fit is None:
        return RefitReason.gone
    [box_input], rooms = by_room([history], now_s, {})
    updated = fit.updated(box_input, rooms, now_s)
    if isinstance(updated, RefitReason):
        return updated
    posterior, _steps_s = updated
    return Supposable(replace(posterior, shelf_rates=rates))
