"""What is believed of a box before its first reading: of its leak, its sensor, and of what is in it."""

from monitor.inference.posterior.priors.contents import shapes_of, walls_of
from monitor.inference.posterior.priors.prior import (
    CONDUCTANCE_PER_AIR_CHANGE,
    Assumptions,
    Normal,
    Prior,
    Unknown,
    prior_of,
    style_prior,
)

__all__ = [
    "CONDUCTANCE_PER_AIR_CHANGE",
    "Assumptions",
    "Normal",
    "Prior",
    "Unknown",
    "prior_of",
    "shapes_of",
    "style_prior",
    "walls_of",
]
