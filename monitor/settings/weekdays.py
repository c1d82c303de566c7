"""Days of the week as the shelf file writes them; Monday is 0."""

WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
