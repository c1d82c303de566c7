"""What was seen of a box: readings as hours, the episode it is in, the bins a fit looks at, the climate of its room."""
