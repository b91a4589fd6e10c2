"""Outlets: from the journal to the outside: MQTT, the database, people."""
