"""The stores: what was measured, and what was logged."""
