"""What a simulated cell must know of the site: read from the agent's own configuration file.

Only the members that a cell needs are looked at. The file's full check is the agent's business
(`shotgram check-config`); here a fault is one sentence and the end.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from importlib.resources import files
from pathlib import Path
from typing import Any

from simulators.physics.fluids import LIQUIDS, Liquid

DEFAULT_PRESSURE_BAR = 0.5


class SiteError(ValueError):
    """The configuration or the scenario cannot be played; the text says where and why."""


@dataclass(frozen=True, slots=True)
class SiteSetup:
    """A job's target, as far as a cell needs it."""

    name: str
    fluid: str
    target_g_per_min: float
    pot_pressure_bar: float
    shot_s: float
    shots: int
    bleed_s: float


@dataclass(frozen=True, slots=True)
class SiteScale:
    """A scale."""

    name: str
    resolution_g: float
    capacity_g: float


@dataclass(frozen=True, slots=True)
class SiteNeedle:
    """A gun's adjustment knob, as far as a hand needs it: the knob's own unit."""

    response_pct_per_unit: float = 25.0
    lowest: float = 0.0
    highest: float = 10.0
    step: float = 0.05
    """What a hand can set."""

    def at_rest(self) -> float:
        """Where the knob stands at first.

        One turn from 2.0 turns changes the flow by some 25 %, so a knob of another pitch stands as much
        further open as its unit is finer: 25 clicks where one makes 2 %.
        """
        setting = AT_REST_TURNS * PCT_PER_TURN / self.response_pct_per_unit
        if setting >= self.highest:
            setting = (self.lowest + self.highest) / 2
        return max(self.marked(setting), self.step)

    def marked(self, setting: float) -> float:
        """The nearest setting that a hand can make."""
        return round(round(setting / self.step) * self.step, 6)


AT_REST_TURNS, PCT_PER_TURN = 2.0, 25.0
AS_BUILT = SiteNeedle()


@dataclass(frozen=True, slots=True)
class SiteCell:
    """A cell's scales, and its guns as (name, scale)."""

    name: str
    scales: tuple[SiteScale, ...]
    guns: tuple[tuple[str, str], ...]
    foreign: tuple[str, ...] = ()
    """Inputs that the agent takes from other topics than the contract's, where it will not hear this cell."""
    needles: Mapping[str, SiteNeedle] = field(default_factory=dict)
    """By gun."""
    shift_setup: str | None = None
    """What its first shift runs, where it has shifts."""

    def needle(self, gun: str) -> SiteNeedle:
        """The knob of a gun."""
        return self.needles.get(gun, AS_BUILT)


@dataclass(frozen=True, slots=True)
class Site:
    """A site: its broker, setups, cells and liquids."""

    root: str
    host: str
    port: int
    setups: tuple[SiteSetup, ...]
    cells: tuple[SiteCell, ...]
    liquids: Mapping[str, Liquid]
    mqtt: Mapping[str, Any]

    def cell(self, name: str | None = None) -> SiteCell:
        """The cell of that name, or the first. Raises SiteError where there is none."""
        for cell in self.cells:
            if name in {None, cell.name}:
                return cell
        raise SiteError(
            f"no cell called {name!r}; there are: {', '.join(c.name for c in self.cells) or 'none'}"
        )

    def setup(self, name: str) -> SiteSetup:
        """The setup of that name. Raises SiteError where there is none."""
        for setup in self.setups:
            if setup.name == name:
                return setup
        raise SiteError(
            f"no setup called {name!r}; there are: {', '.join(s.name for s in self.setups) or 'none'}"
        )

    def usual_setup(self, cell: SiteCell) -> SiteSetup | None:
        """What a cell runs where nobody says otherwise: its first shift's setup, else the site's first."""
        known = {setup.name: setup for setup in self.setups}
        return known.get(cell.shift_setup or "") or next(iter(self.setups), None)

    def liquid(self, name: str) -> Liquid:
        """The liquid of that name. Raises SiteError where it is neither known nor configured."""
        if name not in self.liquids:
            raise SiteError(f"no fluid called {name!r}; there are: {', '.join(self.liquids)}")
        return self.liquids[name]


def bench_text() -> str:
    """The configuration of the invented shop that scenarios play in by default, TOML."""
    return (files("simulators") / "site.toml").read_text(encoding="utf-8")


def load_site(path: Path) -> Site:
    """The site a configuration file describes. Raises SiteError with the file's name and what is wrong."""
    try:
        return site_of(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, SiteError) as fault:
        raise SiteError(f"{path}: {fault}") from fault


def site_of(text: str) -> Site:
    """The site a configuration describes. Raises SiteError where it is no TOML or lacks what a cell needs."""
    try:
        body = tomllib.loads(text)
    except tomllib.TOMLDecodeError as fault:
        raise SiteError(f"no TOML: {fault}") from fault
    mqtt = body.get("mqtt", {})
    return Site(
        root=str(mqtt.get("root", "plant")),
        host=str(mqtt.get("host", "127.0.0.1")),
        port=int(mqtt.get("port", 1883)),
        setups=tuple(_setup(entry, i) for i, entry in enumerate(body.get("setups", []))),
        cells=tuple(_cell(entry, i) for i, entry in enumerate(body.get("cells", []))),
        liquids=LIQUIDS | {fluid.name: fluid for fluid in map(_liquid, body.get("fluids", []))},
        mqtt=mqtt,
    )


def _need(entry: Mapping[str, Any], member: str, where: str) -> Any:
    if member not in entry:
        raise SiteError(f"{where}.{member} is missing")
    return entry[member]


def _setup(entry: Mapping[str, Any], i: int) -> SiteSetup:
    where = f"setups[{i}]"
    return SiteSetup(
        name=str(_need(entry, "name", where)),
        fluid=str(_need(entry, "fluid", where)),
        target_g_per_min=float(_need(entry, "target_g_per_min", where)),
        pot_pressure_bar=float(entry.get("pot_pressure_bar", DEFAULT_PRESSURE_BAR)),
        shot_s=float(entry.get("shot_s", 30.0)),
        shots=int(entry.get("shots", 3)),
        bleed_s=float(entry.get("bleed_s", 0.0)),
    )


def _cell(entry: Mapping[str, Any], i: int) -> SiteCell:
    where = f"cells[{i}]"
    scales = tuple(
        SiteScale(
            str(_need(scale, "id", f"{where}.scales[{n}]")),
            float(scale.get("resolution_g", 0.1)),
            float(scale.get("capacity_g", 6100.0)),
        )
        for n, scale in enumerate(entry.get("scales", []))
    )
    names = {scale.name for scale in scales}
    guns = tuple(
        (str(_need(gun, "id", f"{where}.guns[{n}]")), str(_need(gun, "scale", f"{where}.guns[{n}]")))
        for n, gun in enumerate(entry.get("guns", []))
    )
    for gun, scale in guns:
        if scale not in names:
            raise SiteError(f"{where}: gun {gun} names the scale {scale!r}, which is not in the cell")
    needles = {
        str(gun["id"]): _needle(gun.get("needle", {}), f"{where}.guns[{n}].needle")
        for n, gun in enumerate(entry.get("guns", []))
    }
    runs = next((str(shift["setup"]) for shift in entry.get("shifts", []) if "setup" in shift), None)
    return SiteCell(str(_need(entry, "id", where)), scales, guns, _foreign(entry), needles, runs)


def _needle(entry: Any, where: str) -> SiteNeedle:
    known = {
        "response_pct_per_unit": "response_pct_per_unit",
        "lowest": "lowest",
        "highest": "highest",
        "smallest_step": "step",
    }
    try:
        told = {name: float(entry[key]) for key, name in known.items() if key in entry}
    except (TypeError, ValueError) as fault:
        raise SiteError(f"{where}: its members are numbers") from fault
    needle = SiteNeedle(**told)
    if min(needle.response_pct_per_unit, needle.step, needle.highest) <= 0:
        raise SiteError(f"{where}: response, smallest step and highest setting are above 0")
    return needle


def _foreign(entry: Mapping[str, Any]) -> tuple[str, ...]:
    """Inputs of a cell that the configuration takes from topics or members of somebody else's choice."""
    tables = [(name, entry.get(name)) for name in ("controller", "pot", "fluid_temperature", "reply")]
    tables += [(f"scale {scale.get('id')}", scale) for scale in entry.get("scales", [])]
    tables += [(str(route.get("kind", "inputs")), route) for route in entry.get("inputs", [])]
    own = {"topic", "fields", "values", "t_unit", "unit"}
    return tuple(name for name, table in tables if isinstance(table, Mapping) and own & table.keys())


def _liquid(entry: Mapping[str, Any]) -> Liquid:
    name = str(_need(entry, "name", "fluids"))
    known = LIQUIDS.get(name)
    try:
        rows = tuple((float(row["t_c"]), float(row["kg_per_m3"])) for row in entry.get("density", ()))
    except (TypeError, ValueError, KeyError) as fault:
        raise SiteError(f"fluids {name}: its density is a list of rows with t_c and kg_per_m3") from fault
    if not rows:
        raise SiteError(f"fluids {name}: a density table is missing")
    return Liquid(
        name,
        rows,
        known.molar_mass_g if known else 80.0,
        known.antoine if known else None,
        known.diffusion_m2_per_s if known else 1e-5,
    )
