"""Check values from common practice, no source: the one place of the tests where these measured figures may stand.

Two batches of wet orange indicating gel out of a room at 40-60 % RH, on a kitchen scale of 1 g. Everything else shows
and uses the invented evening of `desk_evening.py`; `test_invented_figures.py` holds documents, help and demo to that.
"""

WET_G = 314.0
TARE_G = 410.0
"""The empty bowl of the first batch."""

MICROWAVE_LOSSES = [(0, 0), (3, 24), (6, 40), (9, 49), (12, 53), (15, 54)]
"""Minutes at medium power in bursts of three, stirred between; grams lost in all."""
WARM_BOX_LOSSES = [(0, 0), (480, 24), (960, 35), (1200, 38)]
"""Minutes in a filament dryer at 65 °C; grams lost in all."""

MILK_G_PER_ML = 1.03
"""A scale left on milliliters of milk."""
