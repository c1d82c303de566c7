"""What people and programs look at."""
