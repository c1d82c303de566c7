"""The page of all boxes."""
