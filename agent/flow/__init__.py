"""Flow: one dispense's readings in, its mass and flow with their uncertainty out. Pure."""
