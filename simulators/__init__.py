"""Simulators: a spray cell with no hardware, for demonstrations, tests and commissioning."""
