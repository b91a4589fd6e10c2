"""The JSON Schema of the configuration: kept in deploy/, valid, and of one mind with the models."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from agent.settings.configuration import json_schema
from agent.settings.load import load

from .conftest import RIGHT
from .test_faults import ONE_FAULT

ROOT = Path(__file__).parents[3]


@pytest.fixture(scope="module")
def validator() -> jsonschema.Draft202012Validator:
    return jsonschema.Draft202012Validator(json_schema())


def test_the_kept_schema_is_the_models_schema() -> None:
    kept = json.loads((ROOT / "deploy" / "config.schema.json").read_text())
    assert kept == json_schema(), "run: shotgram check-config --schema > deploy/config.schema.json"


def test_the_schema_is_a_schema() -> None:
    jsonschema.Draft202012Validator.check_schema(json_schema())


@pytest.mark.parametrize("path", sorted((ROOT / "config").glob("*.toml")), ids=lambda path: path.stem)
def test_the_examples_fit_the_schema(validator: jsonschema.Draft202012Validator, path: Path) -> None:
    load(path)
    validator.validate(tomllib.loads(path.read_text()))


def test_the_schema_finds_the_faults_that_a_schema_can_find(
    validator: jsonschema.Draft202012Validator,
) -> None:
    found = 0
    for old, new, *_ in ONE_FAULT:
        document = tomllib.loads(RIGHT.replace(old, new, 1))
        found += not _fits(validator, document)
    # The others are references, names used twice and rules between members, which JSON Schema cannot say.
    assert found >= 25


def _fits(validator: jsonschema.Draft202012Validator, document: dict[str, Any]) -> bool:
    return bool(validator.is_valid(document))


def test_every_setting_says_what_it_means() -> None:
    schema = json_schema()
    silent = [
        f"{name}.{member}"
        for name, part in schema["$defs"].items()
        for member, said in part.get("properties", {}).items()
        if "description" not in said and "$ref" not in said
    ]
    assert silent == []


def test_every_number_has_bounds() -> None:
    schema = json_schema()
    loose = []
    for name, part in schema["$defs"].items():
        for member, said in part.get("properties", {}).items():
            options = (said, *said.get("anyOf", ()))
            numbers = [option for option in options if option.get("type") in {"number", "integer"}]
            loose += [f"{name}.{member}" for option in numbers if not _bounded(option)]
    # Checked by a rule of its own: only 1, 1.5 and 2 are stop bits.
    assert loose == ["SerialLine.stopbits"]


def _bounded(part: dict[str, Any]) -> bool:
    low = "minimum" in part or "exclusiveMinimum" in part
    high = "maximum" in part or "exclusiveMaximum" in part
    return (low and high) or "enum" in part or "const" in part
