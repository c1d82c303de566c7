"""The embedded store: one SQLite file in the shelf folder."""
