"""Sparkplug B (Eclipse Sparkplug 3.0): the agent as an edge node, its cells as devices."""
