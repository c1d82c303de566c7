"""Moist air, sorption, and the water balance of a sealed box."""
