"""Weighings of one drying run → its curve, the dry mass behind it, and whether to go on."""

from monitor.inference.drying.curve import CurveFit, fit_curve
from monitor.inference.drying.prior_curves import DryMass, EndLoading, Loss, Pace, RunPriors
from monitor.inference.drying.reach import Reach, reach
from monitor.inference.drying.verdict import Judgement, Verdict, judge
from monitor.inference.drying.weighings import WeighedPoint

__all__ = [
    "CurveFit",
    "DryMass",
    "EndLoading",
    "Judgement",
    "Loss",
    "Pace",
    "Reach",
    "RunPriors",
    "Verdict",
    "WeighedPoint",
    "fit_curve",
    "judge",
    "reach",
]
