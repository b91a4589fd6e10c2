"""The AsyncAPI document: kept in deploy/, whole in itself, and true to what is really sent and taken."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from agent.contract import bodies
from agent.contract.asyncapi import document
from agent.contract.record_json import payload
from agent.contract.records import KINDS, Advice, Alert, Check, ShotLeftOut, ShotUsed
from agent.contract.topics import Topics

DEPLOY = Path(__file__).parents[3] / "deploy"


@pytest.fixture(scope="module")
def doc() -> dict[str, Any]:
    return document()


def resolve(doc: dict[str, Any], ref: str) -> Any:
    here: Any = doc
    assert ref.startswith("#/")
    for step in ref[2:].split("/"):
        here = here[step.replace("~1", "/").replace("~0", "~")]
    return here


def every_ref(part: Any) -> list[str]:
    if isinstance(part, dict):
        own = [part["$ref"]] if isinstance(part.get("$ref"), str) else []
        return own + [ref for value in part.values() for ref in every_ref(value)]
    if isinstance(part, list):
        return [ref for item in part for ref in every_ref(item)]
    return []


def validator(doc: dict[str, Any], message: str) -> jsonschema.Draft7Validator:
    # AsyncAPI's schema object is a superset of JSON Schema draft 7 (AsyncAPI 3.0.0, "Schema Object").
    schema = {**doc["components"]["messages"][message]["payload"], "components": doc["components"]}
    jsonschema.Draft7Validator.check_schema(schema)
    return jsonschema.Draft7Validator(schema)


def test_the_kept_document_is_the_models_document(doc: dict[str, Any]) -> None:
    kept = json.loads((DEPLOY / "asyncapi.json").read_text())
    assert kept == doc, "run: shotgram check-config --asyncapi > deploy/asyncapi.json"


def test_the_document_has_what_the_specification_requires(doc: dict[str, Any]) -> None:
    # AsyncAPI 3.0.0: "AsyncAPI Object", "Info Object", "Channel Object", "Operation Object".
    assert doc["asyncapi"] == "3.0.0"
    assert {"title", "version"} <= set(doc["info"])
    allowed = {
        "asyncapi", "id", "info", "servers", "defaultContentType", "channels", "operations", "components",
    }  # fmt: skip
    assert set(doc) <= allowed
    for channel in doc["channels"].values():
        assert set(channel) <= {"address", "title", "messages", "parameters", "description", "bindings"}
        # Every parameter of an address is described, and nothing else is.
        assert set(re.findall(r"\{(\w+)\}", channel["address"])) == set(channel["parameters"])
        for parameter in channel["parameters"].values():
            assert set(parameter) <= {"description", "enum", "default", "examples", "location"}
        assert "?" not in channel["address"]
        assert "#" not in channel["address"]
    for operation in doc["operations"].values():
        assert operation["action"] in {"send", "receive"}
        channel_ref = operation["channel"]["$ref"]
        # An operation's messages must point into its own channel.
        assert all(
            message["$ref"].startswith(channel_ref + "/messages/") for message in operation["messages"]
        )
        assert operation["bindings"]["mqtt"]["qos"] in {0, 1}
    keys = re.compile(r"^[a-zA-Z0-9._-]+$")
    for kind in doc["components"].values():
        assert all(keys.match(key) for key in kind)


def test_every_reference_leads_somewhere(doc: dict[str, Any]) -> None:
    refs = every_ref(doc)
    assert len(refs) > 60
    for ref in refs:
        resolve(doc, ref)


def test_every_topic_is_in_it(doc: dict[str, Any]) -> None:
    addresses = {channel["address"] for channel in doc["channels"].values()}
    topics = Topics("{root}")
    names = {"cell": "{cell}", "scale": "{scale}", "gun": "{gun}", "name": "{name}", "agent": "{agent}"}
    for method in [
        getattr(topics, name) for name in vars(Topics) if not name.startswith("_") and name != "root"
    ]:
        wanted = method.__code__.co_varnames[1 : method.__code__.co_argcount]
        assert method(*(names[name] for name in wanted)) in addresses


def test_every_kind_of_record_is_sent(doc: dict[str, Any]) -> None:
    sent = [op["channel"]["$ref"] for op in doc["operations"].values() if op["action"] == "send"]
    assert {f"#/channels/{kind}" for kind in KINDS} <= set(sent)


def a_check() -> Check:
    return Check(
        id="check-1",
        cell="west",
        at="2026-06-11T06:00:00.000Z",
        gun="upper",
        setup="hub",
        fluid="acetone",
        started_at="2026-06-11T05:58:00.000Z",
        ended_at="2026-06-11T06:00:00.000Z",
        shots=(
            ShotUsed(
                id="dispense-1",
                started_at="2026-06-11T05:58:00.000Z",
                flow_g_per_min=95.5,
                u_flow_g_per_min=0.1,
            ),
        ),
        left_out=(ShotLeftOut(id="dispense-2", why="the container moved"),),
        mean_g_per_min=95.5,
        sd_g_per_min=None,
        repeatability_pct=None,
        u_g_per_min=0.1,
        dof=None,
        low_g_per_min=95.2,
        high_g_per_min=95.8,
        pot_pressure_bar=0.5,
        at_setpoint_g_per_min=95.5,
        u_at_setpoint_g_per_min=0.1,
        target_g_per_min=96.0,
        tolerance_pct=5.0,
        deviation_pct=-0.5,
        u_deviation_pct=0.1,
        conformance_probability=0.99,
        verdict="pass",
        reason="within tolerance",
    )


def test_records_as_they_are_sent_fit_their_schema(doc: dict[str, Any]) -> None:
    base: dict[str, Any] = {"id": "x-1", "cell": "west", "at": "2026-06-11T06:00:00.000Z"}
    advice = Advice(
        **base,
        gun="upper",
        setup="hub",
        setting=2.0,
        advised=None,
        expected_g_per_min=None,
        expected_low_g_per_min=None,
        expected_high_g_per_min=None,
        response_g_per_min_per_unit=20.0,
        reason="already on target",
    )
    alert = Alert(
        **base,
        name="flow-low",
        state="UNACK",
        priority="high",
        since="2026-06-11T06:00:00.000Z",
        text="t",
        consequence="c",
        action="a",
    )
    for key, record in (("check", a_check()), ("advice", advice), ("alert", alert)):
        body = json.loads(json.dumps(payload(record)))
        validator(doc, key).validate(body)
        for spoiled in (
            {**body, "cell": 5},
            {**body, "record": "other"},
            {k: v for k, v in body.items() if k != "id"},
        ):
            assert not validator(doc, key).is_valid(spoiled)


@pytest.mark.parametrize(
    ("message", "good", "bad"),
    [
        ("reading", [{"value": 1.5, "unit": "kg"}, 12.5, {"overload": True}], [{"unit": "psi"}, "1.5"]),
        ("event", [{"event": "needle_set", "gun": "a", "setting": 2}], [{"event": "needle_set"}]),
        ("event", [{"event": "cell_ready", "ready": False}], [{"event": "x"}, {}]),
        ("pressure", [{"value": 1}, 1.5], [{}, {"value": "1"}]),
        ("reply", [{"id": "a", "accepted": False}], [{"id": "a"}]),
        ("alarmCommand", [{"command": "shelve", "minutes": 5}], [{"command": "shelve", "minutes": 0}]),
        ("alarmCommand", [{"command": "acknowledge", "by": "lead"}], [{"command": "silence"}]),
        ("agentState", [{"state": "offline", "agent": "a", "version": "1"}], [{"state": "away"}]),
    ],
)
def test_what_is_heard_fits_its_schema(
    doc: dict[str, Any], message: str, good: list[Any], bad: list[Any]
) -> None:
    for body in good:
        validator(doc, message).validate(body)
    for body in bad:
        assert not validator(doc, message).is_valid(body)


def test_members_say_what_they_mean(doc: dict[str, Any]) -> None:
    schemas = doc["components"]["schemas"]
    assert "buoyancy" in schemas["Dispense"]["properties"]["mass_g"]["description"]
    assert schemas["Dispense"]["properties"]["record"] == {"const": "dispense"}
    assert set(bodies.ReadingBody.model_fields) == set(schemas["ReadingBody"]["properties"])
