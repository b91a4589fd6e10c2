"""Scenarios: what happens in a simulated cell, as small TOML files beside this one.

A scenario names guns and scales `first`, `second`, `all`, or by their own names, so that it can be played in
any site. Members of `[pot]`, `[guns.X]`, `[valves.X]`, `[containers.X]`, `[scales.X]`, `[voices.X]`,
`[networks.X]`, `[controller]`, `[technician]` and `[cell]` are those of the classes they set; `[[steps]]` is
the plot. `says` is for people, `[expected]` for machines: what the agent should have said at the end.
"""

from simulators.scenarios.plot import Scenario, Step
from simulators.scenarios.reading import list_scenarios, load_scenario, read_scenario

__all__ = ["Scenario", "Step", "list_scenarios", "load_scenario", "read_scenario"]
