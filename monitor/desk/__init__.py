"""Joint three: stores, physics and drying curves → what the recharge desk shows."""

from monitor.desk.counter import Desk, TrapError
from monitor.desk.methods import Method, RunCurve, compare_methods, kind_of_beads, run_curves
from monitor.desk.runs import RunReport, Service

__all__ = [
    "Desk",
    "Method",
    "RunCurve",
    "RunReport",
    "Service",
    "TrapError",
    "compare_methods",
    "kind_of_beads",
    "run_curves",
]
