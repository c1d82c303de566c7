"""The water balance read backward (leak) and forward (forecast).

``services`` ask for ``fitted`` boxes: an ``Outlook`` for each history, in order; boxes given together inform each
other. They keep the fits and ask for them ``updated``. A replay of the past asks for one box at a time, by
``outlook_among``: the same path and the same answer.
"""

from monitor.inference.answers.futures import FreshBeads
from monitor.inference.evidence.episodes import DisturbanceRates, rates_of
from monitor.inference.fit.pooling import KnownLeaks, LeakObservation
from monitor.inference.shelf.first_fit import refused
from monitor.inference.shelf.last_fit import RECENT_DAYS, LastFit, RefitReason, Teaching
from monitor.inference.shelf.needed import Needed, needed_of
from monitor.inference.shelf.outlooks import Fitted, fitted, outlook_among, updated
from monitor.inference.shelf.supposable import SharedRooms, Supposable, supposable
from monitor.inference.shelf.workers import Workers

__all__ = [
    "RECENT_DAYS",
    "DisturbanceRates",
    "Fitted",
    "FreshBeads",
    "KnownLeaks",
    "LastFit",
    "LeakObservation",
    "Needed",
    "RefitReason",
    "SharedRooms",
    "Supposable",
    "Teaching",
    "Workers",
    "fitted",
    "needed_of",
    "outlook_among",
    "rates_of",
    "refused",
    "supposable",
    "updated",
]
