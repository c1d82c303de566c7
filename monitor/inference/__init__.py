"""The water balance read backward (leak) and forward (forecast).

The joint asks one question, ``outlooks(histories, as_of, humidity_limits=None, horizon_days=540)``: one ``Outlook`` for
each history, in order. Boxes given together inform each other. A caller that asks repeatedly passes a ``Memory``. A
replay of the past asks for one box at a time, by ``outlook_among``: the same path and the same answer.
"""

from monitor.inference.shelf.first_fit import refused
from monitor.inference.shelf.memory import Memory
from monitor.inference.shelf.needed import Needed, needed_of
from monitor.inference.shelf.outlooks import outlook_among, outlooks

__all__ = ["Memory", "Needed", "needed_of", "outlook_among", "outlooks", "refused"]
