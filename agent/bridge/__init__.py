"""Bridge: scales on a serial line, brought to MQTT."""
