"""The MQTT contract as an AsyncAPI 3.0 document, made from the models that check and write the payloads."""

from __future__ import annotations

import ast
import inspect
import sys
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from pydantic import TypeAdapter

from agent.contract import bodies
from agent.contract.records import KINDS, Record
from agent.contract.topics import Topics

VERSION = "1.0.0"
"""Grows with the contract: the first number when something that worked no longer does."""

_WORDS = {
    "root": "First level or levels of every topic, as configured.",
    "cell": "A spray cell.",
    "scale": "A scale of the cell.",
    "gun": "A spray gun of the cell.",
    "name": "An alarm's name.",
    "agent": "The agent's id.",
}


@dataclass(frozen=True, slots=True)
class _Channel:
    """One topic, and what goes over it."""

    key: str
    address: str
    title: str
    body: Any
    heard: bool
    """Whether the agent hears it, or else says it."""
    qos: int = 1
    retain: bool = False
    bare_number: bool = False
    """Whether a bare number may stand for the object."""


_TOPICS = Topics("{root}")
_CELL, _GUN, _SCALE, _NAME = "{cell}", "{gun}", "{scale}", "{name}"

_CHANNELS = (
    _Channel(
        "reading",
        _TOPICS.reading(_CELL, _SCALE),
        "A reading of a scale",
        bodies.ReadingBody,
        heard=True,
        qos=0,
        bare_number=True,
    ),
    _Channel("event", _TOPICS.event(_CELL), "An event of the controller", bodies.EventBody, heard=True),
    _Channel(
        "pressure",
        _TOPICS.pressure(_CELL),
        "Pressure in the pot",
        bodies.PressureBody,
        heard=True,
        qos=0,
        bare_number=True,
    ),
    _Channel(
        "temperature",
        _TOPICS.temperature(_CELL),
        "Temperature of the fluid",
        bodies.TemperatureBody,
        heard=True,
        qos=0,
        bare_number=True,
    ),
    _Channel(
        "reply", _TOPICS.reply(_CELL), "The controller's answer to a request", bodies.ReplyBody, heard=True
    ),
    _Channel(
        "alarmCommand",
        _TOPICS.alarm_command(_CELL, _NAME),
        "A person's command to an alarm",
        bodies.AlarmCommandBody,
        heard=True,
    ),
    _Channel("dispense", _TOPICS.dispense(_CELL), "Every dispense", KINDS["dispense"], heard=False),
    _Channel(
        "check", _TOPICS.check(_CELL, _GUN), "A gun's latest check", KINDS["check"], heard=False, retain=True
    ),
    _Channel(
        "balance", _TOPICS.balance(_CELL), "The cell's balance", KINDS["balance"], heard=False, retain=True
    ),
    _Channel("wear", _TOPICS.wear(_CELL, _GUN), "A gun's wear", KINDS["wear"], heard=False, retain=True),
    _Channel(
        "advice",
        _TOPICS.advice(_CELL, _GUN),
        "The needle setting that would bring a gun to its target; nothing is sent to the controller",
        KINDS["advice"],
        heard=False,
        retain=True,
    ),
    _Channel(
        "cause",
        _TOPICS.cause(_CELL),
        "What is probably behind uneven coverage",
        KINDS["cause"],
        heard=False,
        retain=True,
    ),
    _Channel(
        "release",
        _TOPICS.release(_CELL),
        "Released or held, and why",
        KINDS["release"],
        heard=False,
        retain=True,
    ),
    _Channel(
        "alert",
        _TOPICS.alert(_CELL, _NAME),
        "An alarm's state; an empty payload once it is gone for good",
        KINDS["alert"],
        heard=False,
        retain=True,
    ),
    _Channel(
        "request",
        _TOPICS.request(_CELL),
        "A flow check asked of the controller, whose own interlocks decide",
        KINDS["request"],
        heard=False,
    ),
    _Channel(
        "agentState",
        _TOPICS.agent_state("{agent}"),
        "The agent's own state",
        bodies.AgentStateBody,
        heard=False,
        retain=True,
    ),
    _Channel(
        "bridgeState",
        _TOPICS.bridge_state("{agent}"),
        "The state of the bridge of the serial scales",
        bodies.BridgeStateBody,
        heard=False,
        retain=True,
    ),
)


def document() -> dict[str, Any]:
    """The AsyncAPI 3.0.0 document. The application it describes is the agent: it receives what it hears."""
    payloads, schemas = _schemas()
    return {
        "asyncapi": "3.0.0",
        "info": {
            "title": "Shotgram",
            "version": VERSION,
            "description": (
                "What the agent hears of a spray cell and what it says about the flow of its guns. "
                "The agent never opens a valve: it asks; the controller, with its own interlocks, decides."
            ),
            "license": {"name": "MIT"},
        },
        "defaultContentType": "application/json",
        "channels": {channel.key: _channel(channel) for channel in _CHANNELS},
        "operations": {_operation_key(channel): _operation(channel) for channel in _CHANNELS},
        "components": {
            "messages": {
                channel.key: {"title": channel.title, "payload": payloads[channel.key]}
                for channel in _CHANNELS
            },
            "schemas": schemas,
        },
    }


def _channel(channel: _Channel) -> dict[str, Any]:
    names = [name for name in _WORDS if f"{{{name}}}" in channel.address]
    return {
        "address": channel.address,
        "title": channel.title,
        "messages": {channel.key: {"$ref": f"#/components/messages/{channel.key}"}},
        "parameters": {name: {"description": _WORDS[name]} for name in names},
    }


def _operation_key(channel: _Channel) -> str:
    return ("hear" if channel.heard else "say") + channel.key[0].upper() + channel.key[1:]


def _operation(channel: _Channel) -> dict[str, Any]:
    binding: dict[str, Any] = {"qos": channel.qos, "bindingVersion": "0.2.0"}
    if not channel.heard:
        binding["retain"] = channel.retain
    return {
        "action": "receive" if channel.heard else "send",
        "channel": {"$ref": f"#/channels/{channel.key}"},
        "messages": [{"$ref": f"#/channels/{channel.key}/messages/{channel.key}"}],
        "bindings": {"mqtt": binding},
    }


def _schemas() -> tuple[dict[str, Any], dict[str, Any]]:
    """(payload of each channel, the schemas they refer to)."""
    adapters = []
    for channel in _CHANNELS:
        mode = "validation" if channel.heard else "serialization"
        adapters.append((channel.key, mode, TypeAdapter(channel.body)))
    made, definitions = TypeAdapter.json_schemas(adapters, ref_template="#/components/schemas/{model}")  # type: ignore[arg-type]
    payloads = {key: _plain(schema) for (key, _), schema in made.items()}
    schemas = {name: _plain(schema) for name, schema in definitions.get("$defs", {}).items()}
    for name, meanings in _meanings().items():
        for member, meaning in meanings.items():
            if name in schemas:
                schemas[name]["properties"][member].setdefault("description", meaning)
    for channel in _CHANNELS:
        if channel.body in KINDS.values():
            _say_kind(schemas[channel.body.__name__], channel.body)
        if channel.bare_number:
            payloads[channel.key] = {"anyOf": [payloads[channel.key], {"type": "number"}]}
    return payloads, schemas


def _meanings() -> dict[str, dict[str, str]]:
    """What stands in the source below the members of the records, by class and member.

    pydantic reads these lines itself from models, but not from plain dataclasses.
    """
    found: dict[str, dict[str, str]] = {}
    modules = dict.fromkeys(kind.__module__ for kind in (Record, *KINDS.values()))
    sources = [inspect.getsource(sys.modules[name]) for name in modules]
    for item in (item for source in sources for item in ast.parse(source).body):
        if isinstance(item, ast.ClassDef):
            found[item.name] = {
                above.target.id: inspect.cleandoc(below.value.value)
                for above, below in pairwise(item.body)
                if isinstance(above, ast.AnnAssign)
                and isinstance(above.target, ast.Name)
                and isinstance(below, ast.Expr)
                and isinstance(below.value, ast.Constant)
                and isinstance(below.value.value, str)
            }
    return found


def _say_kind(schema: dict[str, Any], kind: Any) -> None:
    """Add the two members that stand in the class: the record's kind and the number of its meaning."""
    schema["properties"] = {
        "record": {"const": kind.record},
        "schema": {"const": kind.schema, "description": "Grows when the meaning of a member changes."},
        **schema["properties"],
    }
    schema["required"] = ["record", "schema", *schema.get("required", [])]


def _plain(part: Any) -> Any:
    """A schema in AsyncAPI's own terms: its `discriminator` is a name, not an object."""
    if isinstance(part, dict):
        return {
            key: value["propertyName"]
            if key == "discriminator" and isinstance(value, dict)
            else _plain(value)
            for key, value in part.items()
        }
    if isinstance(part, list):
        return [_plain(item) for item in part]
    return part
