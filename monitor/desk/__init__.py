"""Joint three: stores, physics and drying curves → what the recharge desk shows."""

from monitor.desk.ageing import LotAgeing, ageing_of, share_left_of
from monitor.desk.methods import Method, Service, capacity_of, compare_methods, kind_of_beads
from monitor.desk.runs import RunCurve, RunReport, run_curve, run_curves
from monitor.desk.service import Desk
from monitor.desk.traps import TrapError

__all__ = [
    "Desk",
    "LotAgeing",
    "Method",
    "RunCurve",
    "RunReport",
    "Service",
    "TrapError",
    "ageing_of",
    "capacity_of",
    "compare_methods",
    "kind_of_beads",
    "run_curve",
    "run_curves",
    "share_left_of",
]
