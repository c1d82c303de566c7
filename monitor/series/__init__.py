"""What a series of readings says by itself.

One robust value an hour, a sensor that hangs, two sensors under one name, a lid left open, air at rest over the beads.
"""
