"""The stores: what was told, and what siccast found and said.

``contracts`` are for what was told: readings, ledger, events of the desk, decisions. ``kept_contracts`` are for
what was found: outlooks, the plan, days told, alerts and messages. SQLite holds all of it everywhere; InfluxDB 2
may hold the readings of a large site. ``opening`` makes stores of two addresses.
"""
