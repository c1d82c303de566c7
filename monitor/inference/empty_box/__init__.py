"""The leak test of an empty box."""
