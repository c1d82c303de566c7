"""Stores, physics and drying curves → what the recharge desk shows.

Events add up to an ``inventory`` of lots, charges and drying runs (``apply_events``). A run is ``run_fit`` (its
curve), then ``runs`` (what it means) with ``run_remarks``. ``checked_log``, ``run_log`` and ``service`` check and
keep what is done; ``questions`` and ``traps`` doubt it first.
"""

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
