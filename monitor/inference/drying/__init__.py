"""Weighings of one drying run → its curve, the dry mass behind it, and whether to go on."""

from monitor.inference.drying.curve import CurveFit, WeighedPoint, fit_curve
from monitor.inference.drying.priors import DryMass, EndLoading, Pace, RunPriors

__all__ = ["CurveFit", "DryMass", "EndLoading", "Pace", "RunPriors", "WeighedPoint", "fit_curve"]
