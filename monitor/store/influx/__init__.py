"""The store of a large site: an InfluxDB 2 bucket, fed from an outbox in the shelf's own file."""
