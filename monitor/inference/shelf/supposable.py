"""One box with its posterior at hand, for one who asks again and again what would be if something were changed."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

from monitor.inference.answers.forecast import HORIZON_DAYS
from monitor.inference.answers.futures import FreshBeads, box_futures
from monitor.inference.answers.leak_line import leak_line_of
from monitor.inference.answers.sizing import KnownBox
from monitor.inference.answers.what_if import as_changed, what_if
from monitor.inference.evidence.episodes import DisturbanceRates
from monitor.inference.fit.change_point import change_point_of
from monitor.inference.fit.posterior import Posterior
from monitor.inference.shelf.first_fit import Room, by_room
from monitor.inference.shelf.last_fit import LastFit, RefitReason
from monitor.records import BoxHistory, CrossingForecast, LeakLine, Quantiles, WhatIf
from monitor.records.futures import BoxFutures


@dataclass(frozen=True, eq=False)
class SharedRooms:
    """What boxes of one shelf have in common, for one who asks for box after box: their rooms, each only once."""

    reduced: dict[int, Room] = field(default_factory=dict)
    """By the identity of its series."""


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
            The very one that ``fitted`` gives for this change.
        """
        return what_if(self.posterior, change, horizon_days)

    def futures(self, ways: Mapping[str, FreshBeads], horizon_days: int, *, every_draw: int = 1) -> BoxFutures:
        """Return when it is over its limit, draw by draw, with its beads and with fresh ones from each day on.

        Parameters
        ----------
        ways : mapping of str to FreshBeads
            Ways of drying by their names.
        horizon_days : int
            How many days are asked for. [days]
        every_draw : int
            Only each so-manieth draw is answered. [draws]

        Returns
        -------
        BoxFutures
            As of now.
        """
        return box_futures(self.posterior, ways, horizon_days=horizon_days, every_draw=every_draw)

    def changed(self, change: WhatIf) -> Supposable:
        """Return the box as it would be, to be asked about in turn.

        Parameters
        ----------
        change : WhatIf
            What would be otherwise, but for the limit.

        Returns
        -------
        Supposable
            With the same draws.
        """
        return replace(self, posterior=as_changed(self.posterior, change))

    def leak_line(self, conductance: Quantiles) -> LeakLine | None:
        """Return what its leak was read from, to be drawn.

        Parameters
        ----------
        conductance : Quantiles
            Its leak, as it is told. [g/day/kPa]

        Returns
        -------
        LeakLine or None
            None without beads, or where there are no two points.
        """
        return leak_line_of(self.posterior, conductance, change_point_of(self.posterior))

    def sized(self) -> KnownBox:
        """Return the box as one that is filled anew.

        Returns
        -------
        KnownBox
            By its posterior.
        """
        return KnownBox(self.posterior)


def supposable(
    last_fit: LastFit | Callable[[], LastFit | None],
    history: BoxHistory | Callable[[], BoxHistory],
    now_s: float,
    rates: DisturbanceRates,
    rooms: SharedRooms | None = None,
) -> Supposable | RefitReason:
    """Return a box with its last fit updated to now, or why it must be fitted again.

    Parameters
    ----------
    last_fit : LastFit or callable
        The fit, or what gives it.
    history : BoxHistory or callable
        Of the box, or what gives it, which isn't asked within an hour of the fit; of its readings those of the last
        weeks before the fit, and since, will do.
    now_s : float
        The present, no earlier than the fit. [s since 1970 UTC]
    rates : DisturbanceRates
        How the boxes of the shelf are used.
    rooms : SharedRooms, optional
        Of the boxes that were asked for before.

    Returns
    -------
    Supposable or RefitReason
        A reason where the fit is not kept any more, too.
    """
    fit = last_fit() if callable(last_fit) else last_fit
    if fit is None:
        return RefitReason.gone
    shared = SharedRooms() if rooms is None else rooms
    posterior = fit.as_it_was(now_s)
    if posterior is None:
        [box_input], of_box = by_room([history() if callable(history) else history], now_s, shared.reduced)
        updated = fit.updated(box_input, of_box, now_s)
        if isinstance(updated, RefitReason):
            return updated
        posterior, _steps_s = updated
    return Supposable(replace(posterior, shelf_rates=rates))
