"""The page of one box."""
