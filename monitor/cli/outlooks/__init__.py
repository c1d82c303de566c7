"""What siccast believes: states, forecasts, leaks, plans, what-ifs, and how good its forecasts were."""
