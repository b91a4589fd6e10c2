"""No source of this tree turns data into code: no pickle, no eval, no shell. Searched in the syntax trees."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[3]
FOLDERS = ("agent", "simulators", "tests")

MODULES = frozenset(
    {"pickle", "cPickle", "_pickle", "marshal", "shelve", "dill", "cloudpickle", "joblib", "pty"}
)
"""Modules that make objects of bytes, or a shell of a word. See the `pickle` page of the Python library
reference: "only unpickle data you trust"."""
BUILTINS = frozenset({"eval", "exec", "compile", "__import__"})
CALLS = frozenset(
    {
        "os.system",
        "os.popen",
        "subprocess.getoutput",
        "subprocess.getstatusoutput",
        "asyncio.create_subprocess_shell",
        "yaml.load",
        "yaml.unsafe_load",
        "logging.config.listen",
        "code.interact",
        "runpy.run_path",
    }
)
SPAWNS = ("os.spawn", "os.exec")
PTY_IS_A_SERIAL_LINE = frozenset({"simulators", "tests"})
"""These open a pseudo-terminal as a serial line, and start nothing in it."""


def faults(source: str, folder: str) -> Iterator[tuple[int, str]]:
    """(line, what is wrong) for everything in a source that this tree does without."""
    for node in ast.walk(ast.parse(source)):
        for name in _imported(node):
            root = name.split(".")[0]
            if root in MODULES and not (root == "pty" and folder in PTY_IS_A_SERIAL_LINE):
                yield node.lineno, f"imports {root}"  # type: ignore[attr-defined]
        if isinstance(node, ast.Call):
            yield from ((node.lineno, fault) for fault in _call_faults(node))


def _imported(node: ast.AST) -> list[str]:
    if isinstance(node, ast.Import):
        return [alias.name for alias in node.names]
    return [node.module or ""] if isinstance(node, ast.ImportFrom) else []


def _call_faults(call: ast.Call) -> Iterator[str]:
    called = ast.unparse(call.func)
    if called in BUILTINS or called.removeprefix("builtins.") in BUILTINS:
        yield f"calls {called}"
    if called in CALLS or called.startswith(SPAWNS) or called.endswith(("read_pickle", "to_pickle")):
        yield f"calls {called}"
    for given in call.keywords:
        is_false = isinstance(given.value, ast.Constant) and given.value.value is False
        if given.arg in {"shell", "allow_pickle"} and not is_false:
            yield f"calls {called} with {given.arg}="


@pytest.mark.parametrize("folder", FOLDERS)
def test_no_source_turns_data_into_code(folder: str) -> None:
    """Of every Python file: a line for each place, empty where there is none."""
    sources = sorted((ROOT / folder).rglob("*.py"))
    found = [
        f"{path.relative_to(ROOT)}:{line}: {fault}"
        for path in sources
        for line, fault in faults(path.read_text(encoding="utf-8"), folder)
    ]
    assert len(sources) > 20
    assert found == []


@pytest.mark.parametrize(
    "source",
    [
        "import pickle",
        "from pickle import loads",
        "import dill as d",
        "eval(text)",
        "exec(text)",
        "__import__(name)",
        "os.system(words)",
        "os.execvp(words[0], words)",
        "subprocess.run(words, shell=True)",
        "subprocess.run(words, shell=wanted)",
        "np.load(path, allow_pickle=True)",
        "pandas.read_pickle(path)",
        "asyncio.create_subprocess_shell(words)",
        "import pty",
    ],
)
def test_the_search_finds_what_it_looks_for(source: str) -> None:
    """Each of these would be seen in the agent."""
    assert list(faults(source, "agent"))


@pytest.mark.parametrize(
    "source", ["subprocess.run(['ls'], shell=False)", "re.compile(text)", "np.load(path)", "import json"]
)
def test_the_search_lets_the_rest_be(source: str) -> None:
    """Neither a list of words without a shell nor a regular expression is meant."""
    assert not list(faults(source, "agent"))


@pytest.mark.parametrize("script", [".ci/run", ".ci/audit", "deploy/make-site.sh", "deploy/signed-config.sh"])
def test_the_shell_scripts_never_run_a_text(script: str) -> None:
    """An `eval` or a `sh -c` of a variable turns data into commands; a failed step must end the script."""
    text = (ROOT / script).read_text(encoding="utf-8")
    assert "eval " not in text
    assert 'sh -c "$' not in text
    assert "set -e" in text
