"""Joint three: stores, physics and drying curves → what the recharge desk shows."""

from monitor.desk.methods import Method, Service, capacity_of, compare_methods, kind_of_beads
from monitor.desk.runs import RunCurve, RunReport, run_curve, run_curves
from monitor.desk.service import Desk
from monitor.desk.traps import TrapError

__all__ = [
    "Desk",
    "Method",
    "RunCurve",
    "RunReport",
    "Service",
    "TrapError",
    "capacity_of",
    "compare_methods",
    "kind_of_beads",
    "run_curve",
    "run_curves",
]
