"""What is believed about one box: its evidence reduced, the priors, the filter, the sampler, the fit."""
