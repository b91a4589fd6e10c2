"""Lines of members: against tomllib, for files of every shape."""

from __future__ import annotations

import tomllib
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from agent.settings.toml_lines import Where, lines_of

TRICKY = '''\
# a remark = 1
top = "x # no remark"          # a remark
"quoted key" = 1
'single "key"' = 2
dotted.inside.deep = 3
dotted."in side".x = 4
many = [
  1, 2,   # a remark ] with a bracket
  [ 3, "]" ],
  { a = 1, b = { c = 2 } },
]
long = """
not = "a key"
[not.a.table]
\\""" still inside """"
raw = \'\'\'
also = 'not'
\'\'\'
when = 2026-03-02T05:30:00Z
clock = 06:00:00

[table]
key = true
[table.sub]
key = -1.5e-3
[[list]]
name = "one"
  [[list.inner]]
  v = 1
  [[list.inner]]
  v = 2
[[list]]
name = "two"
  [list.sub]
  w = { x = [ { y = 1 } ] }
  [[list.inner]]
  v = 3
'''


def members(value: Any, where: Where = ()) -> set[Where]:
    """Every path of a parsed document."""
    found = {where} if where else set()
    if isinstance(value, dict):
        for key, inner in value.items():
            found |= members(inner, (*where, key))
    elif isinstance(value, list):
        for number, inner in enumerate(value):
            found |= members(inner, (*where, number))
    return found


def test_a_tricky_file() -> None:
    lines = lines_of(TRICKY)
    text = TRICKY.splitlines()

    def line_with(part: str) -> int:
        return next(number for number, line in enumerate(text, 1) if part in line)

    assert set(lines) == members(tomllib.loads(TRICKY))
    assert lines["dotted", "in side", "x"] == line_with('dotted."in side"')
    assert lines["many", 3, "b", "c"] == line_with("{ a = 1")
    assert lines["when",] == line_with("when =")
    assert lines["list", 0, "inner", 1, "v"] == line_with("v = 2")
    assert lines["list", 1, "name"] == line_with('"two"')
    assert lines["list", 1, "inner", 0, "v"] == line_with("v = 3")
    assert lines["list", 1, "sub", "w", "x", 0, "y"] == line_with("w = {")


keys = st.one_of(st.sampled_from("abc"), st.text('ab ."#[=]é', min_size=1, max_size=4))
scalars = st.one_of(
    st.integers(-(10**6), 10**6),
    st.booleans(),
    st.floats(allow_nan=False, allow_infinity=False),
    st.text("ab'\"#[]{}=,\\\n é", max_size=8),
)
values = st.recursive(
    scalars,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(keys, inner, max_size=3),
    max_leaves=8,
)
documents = st.dictionaries(keys, values, max_size=5)


def quoted(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")
    return f'"{escaped}"'


def inline(value: Any, draw: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return quoted(value)
    if isinstance(value, list):
        newline: str = draw(st.sampled_from(["", "\n", " # a remark ]\n"]))
        return "[" + newline + ("," + newline).join(inline(item, draw) for item in value) + newline + "]"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{quoted(key)} = {inline(item, draw)}" for key, item in value.items()) + "}"
    return repr(value)


def written(document: dict[str, Any], draw: Any, header: str = "") -> tuple[str, list[str]]:
    """The text of a document, tables sometimes inline and sometimes with headers of their own."""
    simple, tables = [], []
    for key, value in document.items():
        name = header + quoted(key)
        if isinstance(value, dict) and draw(st.booleans()):
            own, inner = written(value, draw, name + ".")
            tables += [f"[{name}]\n{own}", *inner]
        elif isinstance(value, list) and value and all(isinstance(item, dict) for item in value):
            for item in value:
                tables.append(f"[[{name}]] # a remark\n" + written_flat(item, draw))
        else:
            simple.append(f"{quoted(key)} = {inline(value, draw)}\n")
        if draw(st.booleans()):
            simple.append("\n# a = [\n")
    return "".join(simple), tables


def written_flat(table: dict[str, Any], draw: Any) -> str:
    return "".join(f"  {quoted(key)} = {inline(value, draw)}\n" for key, value in table.items())


@settings(deadline=None)
@given(st.data())
def test_every_member_that_tomllib_reads_has_a_line(data: st.DataObject) -> None:
    simple, tables = written(data.draw(documents), data.draw)
    text = simple + "\n".join(tables)
    lines = lines_of(text)
    assert set(lines) == members(tomllib.loads(text))
    assert all(1 <= line <= text.count("\n") + 1 for line in lines.values())


@settings(deadline=None)
@given(st.data())
def test_a_key_of_its_own_is_found_on_its_line(data: st.DataObject) -> None:
    simple, tables = written(data.draw(documents), data.draw)
    at = simple.count("\n") + 1
    text = simple + "marked-key = 7\n" + "\n".join(tables)
    assert lines_of(text)["marked-key",] == at


@settings(deadline=None)
@given(st.text("[]{}\"'=.,#ab1\n\\ ", max_size=60))
def test_what_is_no_toml_never_raises(text: str) -> None:
    lines_of(text)
