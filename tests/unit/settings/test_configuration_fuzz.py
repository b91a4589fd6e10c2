"""Whatever stands in the file: a Site, or BadConfiguration with faults that can be printed. Nothing else."""

from __future__ import annotations

import copy
import math
import tempfile
import tomllib
from pathlib import Path
from typing import Any

from hypothesis import example, given, settings
from hypothesis import strategies as st

from agent.settings.faults import BadConfiguration
from agent.settings.load import load
from agent.settings.site import Site

from .conftest import RIGHT
from .test_toml_lines import quoted


def outcome(content: bytes) -> Site | BadConfiguration:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "site.toml"
        path.write_bytes(content)
        try:
            return load(path)
        except BadConfiguration as wrong:
            bad = wrong
    assert bad.faults
    lines = content.count(b"\n") + 1
    for fault in bad.faults:
        assert "\n" not in str(fault)
        assert len(str(fault)) < 2000
        assert fault.line is None or 1 <= fault.line <= lines
    return bad


@settings(deadline=None)
@given(st.binary(max_size=200))
@example(b"\xef\xbb\xbf[agent]")
@example(b"a = 1979-05-27T07:32:00\nb = {}\n")
@example(b"cells = 3\nsetups = {}\nfluids = [1, 'x']\nmqtt = [[1]]")
@example(b"[[cells]]\nid = 5\nscales = 4\nguns = [3]\ninputs = { kind = 1 }\ncontroller = 5\nshifts = [[]]")
def test_any_bytes(content: bytes) -> None:
    assert isinstance(outcome(content), BadConfiguration)


@settings(deadline=None)
@given(st.text("[]{}=\"'.,#\n\\ abc123agentmqttcells", max_size=200))
def test_any_text(text: str) -> None:
    assert isinstance(outcome(text.encode()), BadConfiguration)


@settings(max_examples=200, deadline=None)
@given(st.integers(0, len(RIGHT) - 1), st.integers(0, 40), st.text(max_size=10))
def test_the_right_file_with_a_piece_exchanged(start: int, length: int, piece: str) -> None:
    text = RIGHT[:start] + piece + RIGHT[start + length :]
    outcome(text.encode(errors="surrogatepass"))


odd_values = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.sampled_from([10**400, -(2**70), 0, -1]),
    st.floats(),
    st.text(max_size=20),
    st.sampled_from(["", " ", "+", "#", "agent", "x" * 5000, "\x00", "a/b", "floor", "hub", "2026-01-01"]),
    st.lists(st.integers(), max_size=2),
    st.dictionaries(st.sampled_from(["id", "name", "topic", "value", "zz"]), st.integers(), max_size=2),
)


def every_place(value: Any, where: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    places = [where] if where else []
    if isinstance(value, dict):
        for key, inner in value.items():
            places += every_place(inner, (*where, key))
    elif isinstance(value, list):
        for number, inner in enumerate(value):
            places += every_place(inner, (*where, number))
    return places


def toml(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return "nan" if math.isnan(value) else repr(value) if math.isfinite(value) else "inf"
    if isinstance(value, int):
        return str(value)
    if isinstance(value, str):
        text = quoted(value)
        return "".join(char if char.isprintable() else f"\\u{ord(char):04x}" for char in text)
    if isinstance(value, list):
        return "[" + ", ".join(toml(item) for item in value) + "]"
    return "{" + ", ".join(f"{toml(str(key))} = {toml(item)}" for key, item in value.items()) + "}"


DOCUMENT = tomllib.loads(RIGHT)
PLACES = every_place(DOCUMENT)


@settings(max_examples=300, deadline=None)
@given(st.lists(st.tuples(st.sampled_from(PLACES), odd_values), min_size=1, max_size=4), st.booleans())
def test_the_right_file_with_odd_values_in_it(
    changes: list[tuple[tuple[Any, ...], Any]], extra: bool
) -> None:
    document = copy.deepcopy(DOCUMENT)
    for where, value in changes:
        inside: Any = document
        try:
            for step in where[:-1]:
                inside = inside[step]
            if value is None:
                del inside[where[-1]]
            elif extra and isinstance(inside, dict):
                inside["extra key"] = value
            else:
                inside[where[-1]] = value
        except (KeyError, IndexError, TypeError):
            continue
    text = "\n".join(f"{toml(str(key))} = {toml(value)}" for key, value in document.items())
    found = outcome(text.encode(errors="replace"))
    if isinstance(found, Site):
        for cell in found.plan.cells:
            assert all(scale.capacity_g > scale.resolution_g > 0 for scale in cell.scales)
            assert all(gun.scale in {scale.name for scale in cell.scales} for gun in cell.guns)
        for setup in found.plan.setups:
            assert 0 < setup.target_g_per_min < math.inf
            assert found.plan.fluid(setup.fluid) is not None
