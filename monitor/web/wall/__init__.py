"""The view for a screen that nobody operates."""
