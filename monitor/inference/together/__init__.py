"""Many boxes at once: spread over all cores, and remembered from one look to the next."""
