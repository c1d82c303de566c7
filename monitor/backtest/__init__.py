"""A recorded set → what the forecasts would have been at its cuts. How good were they so far?

A set is a folder with ``boxes.json``, ``readings.csv.gz``, ``events.csv`` and ``tasks.csv``; the answer is one row a
task: conductance and crossing date at 5, 50 and 95 %.
"""

from monitor.backtest.recorded import read_set
from monitor.backtest.replay import Prediction, backtest, write_predictions

__all__ = ["Prediction", "backtest", "read_set", "write_predictions"]
