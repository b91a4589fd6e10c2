"""The examples in config/: right as they are, right with everything switched on, and true about defaults."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

import pydantic
import pytest
from pydantic_core import PydanticUndefined

from agent.contract.inputs import ControllerEvent, FluidTemperature, PotPressure, RawMessage, ScaleReading
from agent.intake.decoder import Decoder
from agent.settings.bridge import BridgeIdentity
from agent.settings.cells import AirSection, CellSection
from agent.settings.configuration import Configuration
from agent.settings.fluids import FluidSection
from agent.settings.guns import GunSection, NeedleSection
from agent.settings.health import Health
from agent.settings.identity import Identity
from agent.settings.influx import Influx
from agent.settings.inputs import Form
from agent.settings.journal import Journal
from agent.settings.load import load
from agent.settings.mqtt import Mqtt
from agent.settings.notify import Notify
from agent.settings.page import Page
from agent.settings.scales import ScaleSection
from agent.settings.serial_line import SerialLine
from agent.settings.setups import SetupSection
from agent.settings.shifts import ShiftSection
from agent.settings.sparkplug import Sparkplug
from agent.settings.standby import Standby
from agent.settings.toml_lines import Where, lines_of

EXAMPLES = sorted((Path(__file__).parents[3] / "config").glob("*.toml"))
DEFAULT = re.compile(r"^(\s*)# (\w+ = .*)$")
OPTIONAL = re.compile(r"^(\s*)#\? (.*)$")

SECTIONS: dict[str, type[pydantic.BaseModel]] = {
    "agent": Identity,
    "mqtt": Mqtt,
    "influx": Influx,
    "journal": Journal,
    "notify": Notify,
    "sparkplug": Sparkplug,
    "standby": Standby,
    "page": Page,
    "health": Health,
    "bridge": BridgeIdentity,
    "fluids": FluidSection,
    "setups": SetupSection,
    "cells": CellSection,
    "cells.air": AirSection,
    "cells.scales": ScaleSection,
    "cells.scales.serial": SerialLine,
    "cells.guns": GunSection,
    "cells.guns.needle": NeedleSection,
    "cells.shifts": ShiftSection,
    "cells.controller": Form,
    "cells.pot": Form,
    "cells.fluid_temperature": Form,
}


@pytest.fixture(params=EXAMPLES, ids=lambda path: path.stem)
def example(request: pytest.FixtureRequest) -> Path:
    path = request.param
    assert isinstance(path, Path)
    return path


def switched_on(text: str) -> tuple[str, set[int]]:
    """The text with every default and every optional line in force, and the lines of the defaults."""
    lines, defaults = [], set()
    for number, line in enumerate(text.splitlines(), 1):
        if found := DEFAULT.match(line):
            defaults.add(number)
            lines.append(found[1] + found[2])
        elif found := OPTIONAL.match(line):
            lines.append(found[1] + found[2])
        else:
            lines.append(line)
    return "\n".join(lines) + "\n", defaults


def field_of(where: Where) -> tuple[type[pydantic.BaseModel], str]:
    *tables, key = [step for step in where if isinstance(step, str)]
    return SECTIONS[".".join(tables)], key


def value_at(document: Any, where: Where) -> Any:
    for step in where:
        document = document[step]
    return document


def test_there_are_examples() -> None:
    assert {path.stem for path in EXAMPLES} >= {"two-gun-cell", "foreign-controller", "no-controller"}


def test_an_example_can_be_used_as_it_is(example: Path) -> None:
    site = load(example)
    assert site.plan.cells
    assert site.notes == ()


def test_an_example_can_be_used_with_everything_switched_on(example: Path, tmp_path: Path) -> None:
    path = tmp_path / example.name
    path.write_text(switched_on(example.read_text())[0])
    site = load(path)
    assert site.plan.agent == load(example).plan.agent


def test_what_an_example_shows_as_default_is_the_default(example: Path) -> None:
    text, defaults = switched_on(example.read_text())
    document = tomllib.loads(text)
    shown = {where: line for where, line in lines_of(text).items() if line in defaults}
    if example.stem == "two-gun-cell":
        assert len(shown) > 40
    for where in shown:
        model, key = field_of(where)
        default = model.model_fields[key].get_default(call_default_factory=False)
        said = value_at(document, where)
        expected = default.as_posix() if isinstance(default, Path) else default
        assert said == expected, f"{example.name}: {where} is shown as {said}, the default is {expected}"
        assert type(said) is type(expected)


def test_what_an_example_offers_has_no_default(example: Path) -> None:
    text = example.read_text()
    switched, _ = switched_on(text)
    offered = {number for number, line in enumerate(text.splitlines(), 1) if OPTIONAL.match(line)}
    for where, line in lines_of(switched).items():
        if line in offered and len(where) > 1 and isinstance(where[-1], str):
            model, key = field_of(where)
            assert model.model_fields[key].default in (None, PydanticUndefined), where


def test_together_the_examples_show_every_setting() -> None:
    shown: set[tuple[type[pydantic.BaseModel], str]] = set()
    for path in EXAMPLES:
        text, _ = switched_on(path.read_text())
        for where in lines_of(text):
            names = [step for step in where if isinstance(step, str)]
            if names and ".".join(names[:-1]) in SECTIONS and isinstance(where[-1], str):
                shown.add((SECTIONS[".".join(names[:-1])], names[-1]))
    # Said in prose: ways to say the same thing that exclude each other, or a sibling of one that is shown.
    in_prose = {
        (CellSection, "inputs"),
        (CellSection, "reply"),
        (CellSection, "fluid_temperature"),
        (SerialLine, "pattern"),
        (SerialLine, "poll"),
        (SerialLine, "poll_period_s"),
        (BridgeIdentity, "cert_file"),
        (BridgeIdentity, "key_file"),
    }
    missing = {
        (model, name)
        for model in SECTIONS.values()
        for name in model.model_fields
        if (model, name) not in shown | in_prose
        and not (issubclass(model, Form) and name in Form.model_fields)
    }
    assert {(model.__name__, name) for model, name in missing} == set()
    assert set(Configuration.model_fields) == {name for name in SECTIONS if "." not in name}


PAYLOAD = re.compile(r"^\s*## payload (\S+): (.*)$", re.MULTILINE)


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_the_payloads_in_an_example_decode(path: Path) -> None:
    decoder = Decoder(load(path).plan)
    payloads = PAYLOAD.findall(path.read_text())
    decoded = [decoder.decode(RawMessage(topic, body.encode(), 1781157700.0)) for topic, body in payloads]
    if path.stem == "foreign-controller":
        opened, closed, alive, pressure, temperature, reading = decoded
        assert isinstance(opened, ControllerEvent)
        assert isinstance(closed, ControllerEvent)
        assert (opened.event, opened.gun, opened.purpose, opened.setup) == (
            "gun_opened",
            "upper",
            "shot",
            "7",
        )
        assert (opened.event_id, closed.event_id) == ("4711", "4712")
        assert closed.t_s - opened.t_s == pytest.approx(25.010, abs=1e-6)
        assert alive is None
        # 1 psi = 6894.757 Pa, 1 oz = 28.349523125 g (NIST SP 811, appendix B.8).
        assert isinstance(pressure, PotPressure)
        assert pressure.pressure_bar == pytest.approx(8.7 * 0.06894757, rel=1e-7)
        assert isinstance(temperature, FluidTemperature)
        assert temperature.temperature_c == pytest.approx((70.5 - 32) * 5 / 9)
        assert isinstance(reading, ScaleReading)
        assert reading.mass_g == pytest.approx(23.415 * 28.349523125)
        assert (reading.stable, reading.seq, reading.from_arrival) == (True, 88211, False)
    elif path.stem == "no-controller":
        assert [type(item) for item in decoded] == [ScaleReading, ScaleReading]
