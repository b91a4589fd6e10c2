"""Detection: readings and events in, the stretch of readings of each dispense out. Pure."""
