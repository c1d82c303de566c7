"""Routes by which messages go out: mail, webhooks, retained MQTT messages, and what the apprise library reaches.

A message goes in, and is taken, or there is a ``RouteError``.
"""
