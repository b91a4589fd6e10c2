"""What imports do not show: no pure room asks for the time, the disk, the screen or chance by another way."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

AGENT = Path(__file__).parents[3] / "agent"
PURE = ("contract", "intake", "detection", "flow", "assessment", "pipeline")
ASKING = frozenset(
    {
        "open",
        "print",
        "input",
        "datetime.now",
        "datetime.utcnow",
        "datetime.today",
        "date.today",
        "import_module",
        "importlib.import_module",
    }
)
CHANCE = ("np.random.", "numpy.random.")
CLOCKS = (".now()", ".today()")


def asked(source: str) -> Iterator[tuple[int, str]]:
    """(line, what is called) for everything in a source that has another answer another time."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Call):
            called = ast.unparse(node.func)
            if called in ASKING or called.startswith(CHANCE) or f"{called}()".endswith(CLOCKS):
                yield node.lineno, called


@pytest.mark.parametrize("room", PURE)
def test_a_pure_room_asks_nobody(room: str) -> None:
    """The tables that ship with a room are read as package data, which is the program's own text."""
    sources = sorted((AGENT / room).rglob("*.py"))
    assert len(sources) > 3
    found = [
        f"{path.relative_to(AGENT)}:{line}: {called}"
        for path in sources
        for line, called in asked(path.read_text(encoding="utf-8"))
    ]
    assert found == []


@pytest.mark.parametrize(
    "source",
    [
        "datetime.now(UTC)",
        "dt.datetime.now()",
        "date.today()",
        "open(path)",
        "print(x)",
        "np.random.default_rng()",
        "import_module('time')",
    ],
)
def test_the_search_finds_what_it_looks_for(source: str) -> None:
    """Each of these would be seen in a pure room."""
    assert list(asked(source))


def test_every_pure_room_is_one_of_the_import_contract() -> None:
    """The two lists are the same, so that none is looked at by halves."""
    text = (AGENT.parent / "pyproject.toml").read_text(encoding="utf-8")
    listed = ", ".join(f'"agent.{room}"' for room in PURE)
    assert f"source_modules = [{listed}]" in text
