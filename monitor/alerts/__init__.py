"""Routes by which messages go out: mail, webhooks, retained MQTT messages, and what the apprise library reaches."""
