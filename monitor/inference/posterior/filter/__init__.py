"""The water balance run along an episode for many draws, corrected by the readings on the way.

A draw fixes the constants of a box. What wanders in between, the water in the charge and the conductance around its
mean, is carried as a small Gaussian error beside the balance (an extended Kalman filter [1]_): openings, unseen doses
and a drifting seal widen it, readings narrow it. A reading at the floor of a sensor says 'at or below' and enters as
a truncated normal (Tobit filter [2]_); errors have the tails of Student's t, so that a bad day misleads little.

References
----------
.. [1] Anderson, Moore (1979), Optimal Filtering, section 8.2.
.. [2] Allik, Miller, Piovoso, Zurakowski (2016), IEEE Trans. Control Syst. Technol. 24:365.
"""

from monitor.inference.posterior.filter.course import run, run_on
from monitor.inference.posterior.filter.disturbances import opening_dose_g, opening_var_g, swap_dose_g
from monitor.inference.posterior.filter.sightings import reading_noise
from monitor.inference.posterior.filter.state import Problem, State, airs, drawn_box, settled

__all__ = [
    "Problem",
    "State",
    "airs",
    "drawn_box",
    "opening_dose_g",
    "opening_var_g",
    "reading_noise",
    "run",
    "run_on",
    "settled",
    "swap_dose_g",
]
