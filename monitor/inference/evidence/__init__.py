"""What was seen of a box: readings as hours, the episode it is in, the bins of a fit, the climate of its room.

``hours``, then ``episodes`` (with ``continuity``, ``humidity_steps``), ``bin_grid`` and ``bins``. The room by itself:
``room_climate``, a ``mixed_course`` of the ``yearly_course`` of each climate.
"""
