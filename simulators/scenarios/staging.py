"""A scenario put into a cell: settings made, steps hung into its time."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import fields, replace
from typing import Any

from simulators.cell import Cell
from simulators.messages import TrueDispense
from simulators.physics.scale import ScaleSpec
from simulators.scenarios.plot import Scenario, Step
from simulators.site import Site, SiteError

FIRST_STEP_S = 12.0
"""Steps count from here: a scale has had time to settle, and a watcher to connect."""
ORDINALS = ("first", "second", "third", "fourth")


def build_cell(
    site: Site,
    scenario: Scenario,
    cell_name: str | None = None,
    *,
    seed: int = 1,
    start_s: float = 1_772_429_400.0,
    runs_checks: bool = True,
) -> Cell:
    """A cell in which the scenario will happen as time passes.

    Without `runs_checks` the controller waits to be asked: only the scenario's mishaps happen, and a shift
    start loads the setup. Raises SiteError where the scenario does not fit the site.
    """
    specs = _scales(site, scenario, cell_name)
    cell = Cell(site, cell_name, seed=seed, start_s=start_s, scales=specs)
    cell.runs_checks = runs_checks
    apply_settings(cell, {k: v for k, v in scenario.settings.items() if k != "scales"})
    for step in scenario.steps:
        _hang(cell, step)
    return cell


def _scales(site: Site, scenario: Scenario, cell_name: str | None) -> dict[str, ScaleSpec]:
    # A scale's rate is fixed once it is read, so its settings are made before the cell is.
    plan = site.cell(cell_name)
    specs = {
        scale.name: ScaleSpec(
            scale.name, scale.resolution_g, scale.capacity_g, noise_g=0.5 * scale.resolution_g
        )
        for scale in plan.scales
    }
    for who, members in scenario.settings.get("scales", {}).items():
        for name in resolve(who, list(specs), "scale"):
            specs[name] = replace(specs[name], **_checked(specs[name], members, f"scales.{who}"))
    return specs


def apply_settings(cell: Cell, settings: Mapping[str, Any]) -> None:
    """Change a cell as a scenario's tables say. Raises SiteError for what does not exist."""
    for table, members in settings.items():
        if table == "pot":
            _pot(cell, dict(members))
        elif table == "cell":
            _assign(cell.around, members, "cell")
        elif table == "controller":
            _assign(cell.controller.manners, members, table)
        elif table == "technician":
            _assign(cell.technician.habits, members, table)
        else:
            for who, inner in members.items():
                _by_name(cell, table, who, dict(inner))


def _by_name(cell: Cell, table: str, who: str, members: dict[str, Any]) -> None:
    where = f"{table}.{who}"
    if table in {"guns", "valves"}:
        for name in resolve(who, list(cell.guns), "gun"):
            gun = cell.guns[name]
            if table == "valves":
                _assign(gun.valve, members, where)
                continue
            inner = dict(members)
            off_pct, air_s = inner.pop("off_pct", None), inner.pop("air_after_bleed_s", None)
            if off_pct is not None:
                cell.set_off_target(name, float(off_pct))
            if air_s is not None:
                cell.let_air_in(name, float(air_s))
            _assign(gun, inner, where)
        return
    for name in resolve(who, list(cell.stations), "scale"):
        station = cell.stations[name]
        if table == "scales":
            station.replace_scale(replace(station.scale.spec, **_checked(station.scale.spec, members, where)))
        else:
            part = {
                "containers": station.container,
                "voices": station.voice,
                "networks": station.network,
            }[table]
            _assign(part, members, where)


def _pot(cell: Cell, members: dict[str, Any]) -> None:
    crept_pct = members.pop("crept_pct", None)
    _assign(cell.pot, members, "pot")
    if crept_pct is not None:
        cell.pot.crept_pct = float(crept_pct)
        cell.pot.start(cell.now_s() - cell.start_s)


def resolve(who: str, names: list[str], kind: str) -> list[str]:
    """The names that `first`, `second`, `all` or a name itself stand for. Raises SiteError for none."""
    if who == "all":
        return names
    if who in names:
        return [who]
    if who in ORDINALS[: len(names)]:
        return [names[ORDINALS.index(who)]]
    raise SiteError(f"no {kind} called {who!r}; there are: {', '.join(names)}")


def _assign(target: Any, members: Mapping[str, Any], where: str) -> None:
    for member, value in _checked(target, members, where).items():
        setattr(target, member, value)


def _checked(target: Any, members: Mapping[str, Any], where: str) -> dict[str, Any]:
    """The members, when the target has them and they are of the kind it has."""
    allowed = {
        field.name: getattr(target, field.name) for field in fields(target) if not field.name.startswith("_")
    }
    checked: dict[str, Any] = {}
    for member, value in members.items():
        if member not in allowed:
            raise SiteError(f"{where} has no {member}; there are: {', '.join(sorted(allowed))}")
        kind = type(allowed[member])
        if kind is float and isinstance(value, (int, float)) and not isinstance(value, bool):
            checked[member] = float(value)
        elif allowed[member] is None or isinstance(value, kind):
            checked[member] = value
        else:
            raise SiteError(f"{where}.{member} is {value!r}; something like {allowed[member]!r} is wanted")
    return checked


def _hang(cell: Cell, step: Step) -> None:
    action = _action(cell, step)
    if step.during is None:
        for i in range(max(step.times, 1)):
            cell.at(FIRST_STEP_S + step.at_s + i * step.every_s, action)
        return
    gun = resolve(step.during.gun, list(cell.guns), "gun")[0]
    left = [step.during.nth]

    def watch(truth: TrueDispense) -> None:
        if truth.gun == gun and step.during and truth.purpose == step.during.purpose:
            left[0] -= 1
            if left[0] == 0:
                cell.after(step.after_s, action)

    cell.on_gun_opened.append(watch)


def _action(cell: Cell, step: Step) -> Callable[[], None]:
    words, controller, technician = step.words, cell.controller, cell.technician
    scale = resolve(words["scale"], list(cell.stations), "scale")[0] if "scale" in words else ""
    named = words.get("guns", [words.get("gun", "all")])
    guns = [name for who in named for name in resolve(who, list(cell.guns), "gun")]
    setup = words.get("setup", cell.usual.name if cell.usual else "")
    if setup and setup not in {known.name for known in cell.site.setups}:
        raise SiteError(f"no setup called {setup!r}")

    asked = {word: words[word] for word in ("shots", "shot_s", "bleed_s") if word in words}

    def shift_start() -> None:
        if cell.runs_checks or controller.setup != setup:
            controller.load_setup(setup)
        if cell.runs_checks:
            for gun in cell.guns:
                controller.run_check(gun, setup)

    def check() -> None:
        if cell.runs_checks:
            for gun in guns:
                controller.run_check(gun, setup, **asked)

    def swap() -> None:
        cell.take_away(scale, emptied=True)
        cell.after(8.0, lambda: cell.put_back(scale, words.get("tare_g", 352.0)))

    actions: dict[str, Callable[[], None]] = {
        "shift_start": shift_start,
        "load_setup": lambda: controller.load_setup(setup),
        "check": check,
        "job": lambda: controller.run_job(guns, float(words.get("seconds", 600.0))),
        "set_needle": lambda: technician.set_needle(
            guns[0], float(words.get("setting", cell.guns[guns[0]].setting))
        ),
        "change_part": lambda: technician.change_part(guns[0], str(words.get("part", "nozzle"))),
        "open_door": lambda: controller.set_door(True),
        "close_door": lambda: controller.set_door(False),
        "not_ready": lambda: controller.set_ready(False, str(words.get("reason", "not ready"))),
        "ready": lambda: controller.set_ready(True),
        "restart_controller": lambda: controller.restart(float(words.get("takes_s", 20.0))),
        "unplug": lambda: cell.unplug(scale),
        "plug_in": lambda: cell.plug_in(scale),
        "knock_over": lambda: cell.knock_over(scale),
        "take_away": lambda: cell.take_away(scale),
        "put_back": lambda: cell.put_back(scale),
        "swap_container": swap,
        "bump": lambda: cell.bump(scale, float(words.get("force_g", 80.0)), float(words.get("lasts_s", 0.4))),
        "zero": lambda: cell.zero(scale),
        "set": lambda: apply_settings(cell, words),
    }
    return actions[step.do]
