"""Sorption of water: what a dry material holds in balance with air, and the way back to the humidity."""

from monitor.physics.sorption.by_humidity import GAB, PiecewiseLinear
from monitor.physics.sorption.by_potential import DubininAstakhov, TwoTermDubinin, adsorption_potential_j_per_mol
from monitor.physics.sorption.isotherm import Isotherm
from monitor.physics.sorption.mixture import Mixture
from monitor.physics.sorption.toth import Toth

__all__ = [
    "GAB",
    "DubininAstakhov",
    "Isotherm",
    "Mixture",
    "PiecewiseLinear",
    "Toth",
    "TwoTermDubinin",
    "adsorption_potential_j_per_mol",
]
