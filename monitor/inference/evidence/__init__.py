"""What was seen of a box: readings as hours, the episode it is in, the bins of a fit, the climate of its room."""
