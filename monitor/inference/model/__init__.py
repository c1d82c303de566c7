"""The model of a box: prior, contents, state, and the extended Kalman filter with its disturbances and observations.

``prior`` names the unknowns; ``box_prior``, ``contents`` and ``carried`` say what is known of them before. ``state`` is
what ``kalman`` takes along, through ``disturbances`` and ``swapped_spools``, to ``observations``; ``sensor_bias`` is
what an open box says of its sensor.
"""
