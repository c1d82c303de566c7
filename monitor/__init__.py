"""siccast: from the air in a sealed box to the day its desiccant goes back into the oven."""

__version__ = "0.1.0"
