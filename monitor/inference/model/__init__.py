"""The model of a box: prior, contents, state, and the extended Kalman filter with its disturbances and observations."""
