"""The water balance read backward (leak) and forward (forecast).

The joint asks one question, ``outlooks(histories, as_of, humidity_limits=None, horizon_days=540)``: one ``Outlook`` for
each history, in order. Boxes given together inform each other.
"""

from monitor.inference.outlooks import outlooks

__all__ = ["outlooks"]
