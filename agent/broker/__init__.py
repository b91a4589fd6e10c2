"""Broker: how any part of Shotgram gets in at an MQTT broker."""
