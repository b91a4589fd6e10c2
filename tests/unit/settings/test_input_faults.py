"""Faults of inputs that name their own topic or their own fields."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from agent.settings.faults import ConfigFault
from agent.settings.load import load

from .conftest import Write

Faults = Callable[..., tuple[ConfigFault, ...]]

AFTER_CELL = 'id = "west"\n'


def cell_with(toml: str) -> tuple[str, str]:
    return ("  [[cells.shifts]]", toml + "\n  [[cells.shifts]]")


FAULTS = [
    ('[cells.pot]\ntopic = "a/+/b"', "cells[0].pot.topic", "without the wildcards", ""),
    ('[cells.pot]\ntopic = ""', "cells[0].pot.topic", "1 to 256", ""),
    ('[cells.pot]\nunit = "psig"', "cells[0].pot.unit", "psi", "psi"),
    ('[cells.pot]\nfields = { value = "a[" }', "cells[0].pot.fields.value", "JMESPath", ""),
    (
        '[cells.pot]\nfields = { value = "a && nofunction(b[?length(c) > `1`])" }',
        "cells[0].pot.fields.value",
        "no function called nofunction",
        "",
    ),
    ('[cells.pot]\nfields = { valu = "a", value = "a" }', "cells[0].pot.fields.valu", "value", "value"),
    ('[cells.pot]\nfields = { t = "a" }', "cells[0].pot.fields.value", "only those are read", ""),
    ('[cells.pot]\nt_unit = "minutes"', "cells[0].pot.t_unit", "ms", ""),
    ('[cells.controller]\nunit = "g"', "cells[0].controller.unit", "no unit", ""),
    (
        '[cells.controller]\nvalues = { event = { ON = "gun_open" } }',
        "cells[0].controller.values.event.ON",
        "gun_opened",
        "gun_opened",
    ),
    (
        '[cells.controller]\nvalues = { gun = { "1" = "uper" } }',
        "cells[0].controller.values.gun.1",
        "upper, lower",
        "upper",
    ),
    (
        '[cells.reply]\nvalues = { accepted = { OK = "yes" } }',
        "cells[0].reply.values.accepted.OK",
        "true, false",
        "",
    ),
    (
        '[cells.reply]\nfields = { id = "a" }',
        "cells[0].reply.fields.accepted",
        "only those are read",
        "",
    ),
    (
        '[[cells.inputs]]\nkind = "reading"\ntopic = "a"',
        "cells[0].inputs[0].scale",
        "a scale of this cell",
        "",
    ),
    (
        '[[cells.inputs]]\nkind = "pressure"\nscale = "floor"\ntopic = "a"',
        "cells[0].inputs[0].scale",
        "only where kind is reading",
        "",
    ),
    ('[[cells.inputs]]\nkind = "presure"', "cells[0].inputs[0].kind", "pressure", "pressure"),
    (
        '[cells.pot]\ntopic = "a"\n[[cells.inputs]]\nkind = "pressure"\ntopic = "b"',
        "cells[0].inputs[0]",
        "one description",
        "",
    ),
    (
        '[cells.pot]\ntopic = "a"\nfields = { value = "p" }\n[cells.fluid_temperature]\ntopic = "a"',
        "cells[0].fluid_temperature.topic",
        "no other input",
        "",
    ),
    (
        '[cells.pot]\ntopic = "works/west/flow/check/upper"',
        "cells[0].pot.topic",
        "a topic of the controller",
        "",
    ),
    ('[cells.pot]\ntopik = "a"', "cells[0].pot.topik", "topic", "topic"),
]


@pytest.mark.parametrize(("toml", "path", "allowed", "hint"), FAULTS)
def test_one_fault_is_told_alone(faults: Faults, toml: str, path: str, allowed: str, hint: str) -> None:
    found = faults(cell_with(toml))
    assert [fault.path for fault in found] == [path]
    assert allowed in found[0].allowed
    assert found[0].hint == hint
    assert found[0].line is not None


def test_a_cell_without_controller_has_no_controllers_input(faults: Faults) -> None:
    found = faults(
        (AFTER_CELL, AFTER_CELL + "has_controller = false\n"), cell_with('[cells.controller]\ntopic = "a"')
    )
    assert [fault.path for fault in found] == ["cells[0].controller"]


def test_several_inputs_may_share_a_topic_when_each_says_its_fields(write: Write) -> None:
    toml = """[cells.pot]
topic = "plc/status"
fields = { value = "p" }
[cells.fluid_temperature]
topic = "plc/status"
fields = { value = "temp" }"""
    routes = load(write(cell_with(toml))).plan.cells[0].inputs
    assert [(route.kind, route.topic) for route in routes] == [
        ("pressure", "plc/status"),
        ("temperature", "plc/status"),
    ]


def test_the_same_route_by_either_way_of_saying_it(write: Write) -> None:
    body = """topic = "plc/pot"
fields = { value = "p", t = "ts" }
t_unit = "ms"
unit = "psi"
values = { unit = { PSIG = "psi" } }"""
    short = load(write(cell_with(f"[cells.pot]\n{body}"))).plan.cells[0].inputs
    long = load(write(cell_with(f'[[cells.inputs]]\nkind = "pressure"\n{body}'))).plan.cells[0].inputs
    assert short == long
    (route,) = short
    assert (route.kind, route.topic, route.t_unit, route.unit) == ("pressure", "plc/pot", "ms", "psi")
    assert dict(route.fields) == {"value": "p", "t": "ts"}
    assert route.values == (("unit", (("PSIG", "psi"),)),)


def test_a_scale_says_its_route_in_its_own_table_or_in_the_list(write: Write) -> None:
    own = load(write(('id = "floor"', 'id = "floor"\ntopic = "s/1"\nunit = "kg"'))).plan.cells[0].inputs
    listed = (
        load(
            write(
                cell_with('[[cells.inputs]]\nkind = "reading"\nscale = "floor"\ntopic = "s/1"\nunit = "kg"')
            )
        )
        .plan.cells[0]
        .inputs
    )
    assert own == listed
    assert own[0].scale == "floor"


def test_own_fields_alone_keep_the_contracts_topic(write: Write) -> None:
    cell = load(write(cell_with('[cells.controller]\nfields = { event = "e" }'))).plan.cells[0]
    assert cell.inputs[0].topic == "works/west/controller/event"
