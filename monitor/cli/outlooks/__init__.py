"""Commands that answer: states, forecasts, leaks, plans, what-ifs, and how good the forecasts were."""
