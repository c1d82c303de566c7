"""The page that explains the others."""
