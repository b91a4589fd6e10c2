"""Millions of inputs against the decoder, guided by coverage. Run by hand: atheris is no dependency.

    python -m venv /tmp/fuzz && /tmp/fuzz/bin/pip install atheris pydantic jmespath
    PYTHONPATH=. /tmp/fuzz/bin/python tests/fuzz/fuzz_decoder.py -runs=10000000 -max_len=512 -timeout=5

The first byte chooses the topic, the rest is the payload. An exception, or an input with a number that is
not finite, ends the run and leaves the payload in a file.
"""

from __future__ import annotations

import math
import sys
from dataclasses import fields

import atheris

with atheris.instrument_imports(include=["agent", "jmespath"]):
    from agent.contract.inputs import RawMessage, Undecodable
    from agent.contract.plan import Cell, Gun, InputRoute, Plan, Scale
    from agent.intake.decoder import Decoder

NOW_S = 1_781_157_600.0
ROUTES = (
    InputRoute(
        "reading", "f/reading", "west", "wall", (("value", "to_number(a.w)"), ("t", "ts")), "ms", "kg"
    ),
    InputRoute("pressure", "f/pot", "west", None, (("value", "sort_by(a, &v)[0].v"),)),
)
CELL = Cell(
    "west",
    scales=(Scale("floor", 0.1, 6100.0), Scale("wall", 0.1, 6100.0)),
    guns=(Gun("upper", "floor"), Gun("lower", "wall")),
    inputs=ROUTES,
)
DECODER = Decoder(Plan("edge-7", "works", "UTC", (CELL,), (), ()))
TOPICS = (
    "works/west/scale/floor/reading",
    "works/west/controller/event",
    "works/west/fluid/temperature",
    "works/west/reply",
    "works/west/alert/flow-low/command",
    "f/reading",
    "f/pot",
)


def one_input(data: bytes) -> None:
    """Decode one message and look at every number of it."""
    if not data:
        return
    topic = TOPICS[data[0] % len(TOPICS)]
    found = DECODER.decode(RawMessage(topic, data[1:], NOW_S, retain=data[0] > 200))
    if isinstance(found, Undecodable):
        if not found.fault.isprintable() or len(found.fault) > 500:
            raise AssertionError(found)
        return
    for item in found if isinstance(found, tuple) else (found,):
        for member in fields(item) if item is not None else ():
            value = getattr(item, member.name)
            if isinstance(value, float) and not math.isfinite(value):
                raise AssertionError(item)


if __name__ == "__main__":
    atheris.Setup(sys.argv, one_input)
    atheris.Fuzz()
