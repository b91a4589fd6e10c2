"""What counts as what on one scale: thresholds made of its resolution and of the plan's flows.

Each rule with its reason:

- `slowest_g_per_s`, 40 % of the smallest target flow on the site: a gun that gives less is plugged, and then
  only the controller can tell that it was meant to give anything.
- `fastest_g_per_s`, four times the largest target flow: more than that is a thing put down, not a flow.
- `smallest_g`, the least mass that the scale alone may call a dispense: three resolution steps (two come
  from rounding a level that drifts across an edge) and one second of the smallest target flow.
- `break_s`, 3 s without flow part two dispenses: air in a line interrupts a spray for a second or two; on a
  coarse scale long enough for the slowest flow to show as three steps.
- `shortest_s`, 1.5 s: without a controller's word a shorter rise cannot be told from a thing put down on a
  scale whose filter takes half a second.
"""

from __future__ import annotations

from dataclasses import dataclass

from agent.contract.plan import Plan, Scale

NO_SETUP_G_PER_S = (0.5, 5.0)
"""Smallest and largest flow where no setup says any: 30 to 300 g/min, common practice, no source."""


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of one scale, in grams and seconds."""

    resolution_g: float
    capacity_g: float
    slowest_g_per_s: float
    fastest_g_per_s: float
    planned_g_per_s: float
    """The largest target flow."""
    smallest_g: float
    break_s: float
    shortest_s: float = 1.5

    @classmethod
    def of(cls, scale: Scale, plan: Plan) -> Limits:
        """The limits of a scale in a plan."""
        flows = [setup.target_g_per_min / 60.0 for setup in plan.setups]
        low, high = (min(flows), max(flows)) if flows else NO_SETUP_G_PER_S
        step = scale.resolution_g
        slowest = 0.4 * low
        return cls(
            resolution_g=step,
            capacity_g=scale.capacity_g,
            slowest_g_per_s=slowest,
            fastest_g_per_s=4.0 * high,
            planned_g_per_s=high,
            smallest_g=max(3.0 * step, low),
            break_s=min(max(3.0, 3.3 * step / slowest), 10.0),
        )
