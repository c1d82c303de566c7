"""Many boxes at once: first fits, pooled outlooks, a memory of the last fits, worker processes."""
