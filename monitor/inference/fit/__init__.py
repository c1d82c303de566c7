"""Evidence and model to the posterior: importance sampling, sequential Monte Carlo, change point, pooling."""
