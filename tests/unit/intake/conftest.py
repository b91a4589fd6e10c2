"""A site to decode for."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from agent.contract.inputs import RawMessage
from agent.contract.plan import Cell, Gun, InputRoute, Plan, Scale
from agent.intake.decoder import Decoder

NOW_S = 1_781_157_600.0
"""2026-06-11T06:00:00Z"""

READING = "works/west/scale/floor/reading"
EVENT = "works/west/controller/event"
PRESSURE = "works/west/pot/pressure"
TEMPERATURE = "works/west/fluid/temperature"
REPLY = "works/west/reply"
COMMAND = "works/west/alert/flow-low/command"


def plan_with(*inputs: InputRoute, scales: int = 1, has_controller: bool = True) -> Plan:
    """Cell west with the scale floor (and more) and the guns upper and lower."""
    names = ["floor", "wall", "door"][:scales]
    cell = Cell(
        "west",
        scales=tuple(Scale(name, resolution_g=0.1, capacity_g=6100.0) for name in names),
        guns=(Gun("upper", "floor"), Gun("lower", "floor")),
        inputs=inputs,
        has_controller=has_controller,
    )
    return Plan("edge-7", "works", "UTC", (cell,), (), ())


PLAN = plan_with()
DECODER = Decoder(PLAN)

Decode = Callable[..., Any]


def decode(topic: str, payload: bytes | str, *, retain: bool = False, decoder: Decoder = DECODER) -> Any:
    """What a message decodes to."""
    content = payload.encode() if isinstance(payload, str) else payload
    return decoder.decode(RawMessage(topic, content, NOW_S, retain=retain))


@pytest.fixture
def own() -> Callable[[InputRoute], Decode]:
    """Decode through one foreign route."""

    def own(route: InputRoute) -> Decode:
        decoder = Decoder(plan_with(route))
        return lambda payload, topic=route.topic: decode(topic, payload, decoder=decoder)

    return own
