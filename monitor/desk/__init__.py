"""Joint three: stores and physics and drying curves → what the recharge desk shows."""
