"""The page of the plan: days of drying, and what a person decides about them."""
