"""Scenario files: found, read, and refused with the reason."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import fields
from importlib.resources import files
from pathlib import Path
from typing import Any

from simulators.scenarios.plot import During, Expected, Scenario, Step
from simulators.site import SiteError

TABLES_BY_NAME = frozenset({"guns", "valves", "containers", "scales", "voices", "networks"})
TABLES = TABLES_BY_NAME | {"pot", "controller", "technician", "cell"}
ACTIONS: dict[str, frozenset[str]] = {
    "shift_start": frozenset({"setup"}),
    "load_setup": frozenset({"setup"}),
    "check": frozenset({"gun", "setup", "shots", "shot_s", "bleed_s"}),
    "job": frozenset({"guns", "seconds"}),
    "set_needle": frozenset({"gun", "setting"}),
    "change_part": frozenset({"gun", "part"}),
    "open_door": frozenset(),
    "close_door": frozenset(),
    "not_ready": frozenset({"reason"}),
    "ready": frozenset(),
    "restart_controller": frozenset({"takes_s"}),
    "unplug": frozenset({"scale"}),
    "plug_in": frozenset({"scale"}),
    "knock_over": frozenset({"scale"}),
    "take_away": frozenset({"scale"}),
    "put_back": frozenset({"scale"}),
    "swap_container": frozenset({"scale", "tare_g"}),
    "bump": frozenset({"scale", "force_g", "lasts_s"}),
    "zero": frozenset({"scale"}),
    "set": frozenset({*TABLES}),
}
"""Every action of a step, with the words it takes."""
_STEP_WORDS = frozenset({"do", "at_s", "during", "after_s", "every_s", "times"})


def list_scenarios() -> tuple[Scenario, ...]:
    """All scenarios that come with the simulators, a good day first."""
    folder = files("simulators.scenarios")
    found = [
        read_scenario(entry.name.removesuffix(".toml"), entry.read_text(encoding="utf-8"))
        for entry in folder.iterdir()
        if entry.name.endswith(".toml")
    ]
    return tuple(sorted(found, key=lambda scenario: (scenario.name != "good-day", scenario.name)))


def load_scenario(name: str) -> Scenario:
    """The scenario of that name, or the one in the file that ends in `.toml`.

    Raises SiteError where there is none, or where its file is wrong.
    """
    if name.endswith(".toml"):
        try:
            return read_scenario(Path(name).stem, Path(name).read_text(encoding="utf-8"))
        except (OSError, UnicodeDecodeError) as fault:
            raise SiteError(f"scenario {name}: {fault}") from fault
    entry = files("simulators.scenarios") / f"{name}.toml"
    if not name.replace("-", "").isalnum() or not entry.is_file():
        names = ", ".join(scenario.name for scenario in list_scenarios())
        raise SiteError(f"no scenario called {name!r}; there are: {names}")
    return read_scenario(name, entry.read_text(encoding="utf-8"))


def read_scenario(name: str, text: str) -> Scenario:
    """A scenario of its TOML text. Raises SiteError that names the member that is wrong."""
    try:
        body = tomllib.loads(text)
    except tomllib.TOMLDecodeError as fault:
        raise SiteError(f"scenario {name}: no TOML: {fault}") from fault
    try:
        return _scenario(name, body)
    except SiteError as fault:
        raise SiteError(f"scenario {name}: {fault}") from fault


def _scenario(name: str, body: dict[str, Any]) -> Scenario:
    _only(body, TABLES | {"title", "says", "expected", "steps"}, "the scenario")
    for member in ("title", "says"):
        if not isinstance(body.get(member), str):
            raise SiteError(f"{member} is missing, or no text")
    settings = {table: body[table] for table in TABLES if table in body}
    for table, members in settings.items():
        _is_table(members, table)
        if table in TABLES_BY_NAME:
            for who, inner in members.items():
                _is_table(inner, f"{table}.{who}")
    steps = body.get("steps", [])
    if not isinstance(steps, list) or not steps:
        raise SiteError("steps are missing: nothing would happen")
    return Scenario(
        name=name,
        title=body["title"],
        says=body["says"],
        expected=_expected(body.get("expected", {})),
        settings=settings,
        steps=tuple(_step(step, f"steps[{i}]") for i, step in enumerate(steps)),
    )


def _step(body: Any, where: str) -> Step:
    _is_table(body, where)
    do = body.get("do")
    if do not in ACTIONS:
        raise SiteError(f"{where}.do is {do!r}; there are: {', '.join(ACTIONS)}")
    _only(body, _STEP_WORDS | ACTIONS[do], where)
    during = body.get("during")
    if during is not None:
        _is_table(during, f"{where}.during")
        _only(during, {"gun", "purpose", "nth"}, f"{where}.during")
        if "gun" not in during:
            raise SiteError(f"{where}.during.gun is missing")
    return Step(
        do=do,
        at_s=_number(body, "at_s", where),
        during=During(**during) if during is not None else None,
        after_s=_number(body, "after_s", where),
        every_s=_number(body, "every_s", where),
        times=int(_number(body, "times", where, 1)),
        words={word: value for word, value in body.items() if word in ACTIONS[do]},
    )


def _number(body: Mapping[str, Any], member: str, where: str, otherwise: float = 0.0) -> float:
    value = body.get(member, otherwise)
    if isinstance(value, bool) or not isinstance(value, (int, float)) or value < 0:
        raise SiteError(f"{where}.{member} is {value!r}; a number of at least 0 is wanted")
    return float(value)


def _expected(body: dict[str, Any]) -> Expected:
    _is_table(body, "expected")
    _only(body, {member.name for member in fields(Expected)}, "expected")
    members: dict[str, Any] = {k: tuple(v) if isinstance(v, list) else v for k, v in body.items()}
    return Expected(**members)


def _is_table(value: Any, where: str) -> None:
    if not isinstance(value, dict):
        raise SiteError(f"{where} is no table")


def _only(body: Mapping[str, Any], allowed: set[str] | frozenset[str], where: str) -> None:
    unknown = sorted(set(body) - allowed)
    if unknown:
        raise SiteError(f"{where} has no {', '.join(unknown)}; there are: {', '.join(sorted(allowed))}")
