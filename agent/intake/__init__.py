"""Intake: raw messages in, readings and events in the agent's own units out. Pure."""
