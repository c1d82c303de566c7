"""What a series of readings says by itself: one robust value an hour, faults of the sensor."""
