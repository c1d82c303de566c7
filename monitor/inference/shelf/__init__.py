"""Many boxes at once: first fits, pooled outlooks, a memory from night to night, worker processes."""
