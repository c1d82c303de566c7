"""The page on which one signs in."""
