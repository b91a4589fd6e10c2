"""Flow: one dispense's readings in; its true mass, flow, uncertainty budget and flags out. Pure."""
