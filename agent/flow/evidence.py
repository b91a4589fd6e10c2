"""A window and its surroundings as evidence that the journal keeps, and back."""

from __future__ import annotations

from dataclasses import asdict, fields
from typing import Any

import numpy as np

from agent.contract.evidence import Evidence
from agent.contract.plan import Fluid, Gun, Needle, Scale
from agent.detection.window import Window
from agent.flow.learned import Learned
from agent.flow.surroundings import PotReadings, Surroundings

_ARRAYS = frozenset({"t_s", "mass_g", "stable"})


def evidence_of(window: Window, surroundings: Surroundings) -> Evidence:
    """Everything a dispense was computed from, as arrays and plain JSON."""
    context: dict[str, Any] = {
        "window": {
            member.name: _plain(getattr(window, member.name))
            for member in fields(window)
            if member.name not in _ARRAYS
        },
        "surroundings": {
            "scale": asdict(surroundings.scale),
            "fluid": asdict(surroundings.fluid) if surroundings.fluid else None,
            "fluid_c": surroundings.fluid_c,
            "pot": (
                {"t_s": surroundings.pot.t_s.tolist(), "bar": surroundings.pot.bar.tolist()}
                if surroundings.pot is not None
                else None
            ),
            "setpoint_bar": surroundings.setpoint_bar,
            "air_temperature_c": surroundings.air_temperature_c,
            "air_pressure_hpa": surroundings.air_pressure_hpa,
            "air_humidity_pct": surroundings.air_humidity_pct,
            "gun": asdict(surroundings.gun) if surroundings.gun else None,
            "learned": surroundings.learned.to_dict(),
        },
    }
    return Evidence(window.t_s, window.mass_g, window.stable, context)


def window_of(evidence: Evidence) -> Window:
    """The window again. Raises KeyError or TypeError where the evidence is not complete."""
    body = dict(evidence.context["window"])
    body["notes"] = frozenset(body["notes"])
    body["losses_s"] = tuple(body.get("losses_s", ()))
    return Window(t_s=evidence.t_s, mass_g=evidence.mass_g, stable=evidence.stable, **body)


def surroundings_of(evidence: Evidence) -> Surroundings:
    """The surroundings again. Raises KeyError or TypeError where the evidence is not complete."""
    body = dict(evidence.context["surroundings"])
    pot = body.pop("pot")
    fluid = body.pop("fluid")
    gun = body.pop("gun")
    return Surroundings(
        scale=Scale(**body.pop("scale")),
        fluid=_fluid(fluid) if fluid else None,
        pot=PotReadings(np.asarray(pot["t_s"], float), np.asarray(pot["bar"], float)) if pot else None,
        gun=Gun(**{**gun, "needle": Needle(**gun["needle"])}) if gun else None,
        learned=Learned.from_dict(body.pop("learned")),
        **body,
    )


def _fluid(body: dict[str, Any]) -> Fluid:
    table = tuple((float(t), float(rho)) for t, rho in body["density_table"])
    return Fluid(**{**body, "density_table": table})


def _plain(value: Any) -> Any:
    return sorted(value) if isinstance(value, frozenset) else value
