"""The cell as it was configured: frozen values that every room may read.

`agent.settings` makes them of the configuration file; units stand in the names.
"""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Fluid:
    """A fluid and its density."""

    name: str
    density_table: tuple[tuple[float, float], ...]
    """(temperature in C, density in kg/m3), rising temperatures, at 101.325 kPa."""
    u_density_rel: float = 0.002
    """Relative standard uncertainty of the density."""
    source: str = "configuration"
    volatile: bool = True


@dataclass(frozen=True, slots=True)
class Setup:
    """The target of a job."""

    name: str
    fluid: str
    target_g_per_min: float
    tolerance_pct: float = 5.0
    balance_pct: float = 5.0
    shot_s: float = 30.0
    shots: int = 3
    bleed_s: float = 0.0
    pot_pressure_bar: float | None = None
    needle_settings: tuple[tuple[str, float], ...] = ()
    """(gun, setting) the job was developed with, where the configuration says it."""
    risk: float = 0.05
    """Accepted risk of passing a gun that is out of tolerance (JCGM 106)."""
    valid_h: float = 12.0
    """How long a check of this setup stays valid, hours."""

    def needle_setting(self, gun: str) -> float | None:
        """The setting this job was developed with for a gun, or None where it was not given."""
        return dict(self.needle_settings).get(gun)


@dataclass(frozen=True, slots=True)
class Needle:
    """The adjustment knob of a gun: prior knowledge of its response and the limits of its travel."""

    unit: str = "turn"
    response_pct_per_unit: float = 25.0
    """Flow change, percent of the flow, for one unit of setting: where learning starts from."""
    u_response_pct_per_unit: float = 12.5
    """Standard uncertainty of that prior."""
    lowest: float = 0.0
    highest: float = 10.0
    largest_step: float = 1.0
    smallest_step: float = 0.05
    """What a hand can set: advice is rounded to it."""


@dataclass(frozen=True, slots=True)
class Gun:
    """A spray gun with its fluid nozzle and needle."""

    name: str
    scale: str
    needle: Needle = field(default_factory=Needle)
    wear_limit_pct: float = 10.0
    pressure_exponent: float = 0.5
    u_pressure_exponent: float = 0.02
    repeatability_pct: float = 0.5
    """Standard deviation of single shots, percent, before the gun's own history says better."""


@dataclass(frozen=True, slots=True)
class Scale:
    """A scale and what is known of it."""

    name: str
    resolution_g: float
    capacity_g: float
    accuracy_class: str | None = None
    """OIML R 76 class: I, II, III or IIII."""
    verification_interval_g: float | None = None
    """e of OIML R 76; the resolution where it is not given."""
    u_calibration_rel: float = 0.0
    """Relative standard uncertainty of the scale's calibration."""
    lag_s: float = 0.0
    """Time constant of the scale's filter where it is known, seconds; 0 lets the fit find it."""
    silent_s: float = 10.0
    """No reading for so long, and the scale counts as silent."""


@dataclass(frozen=True, slots=True)
class Shift:
    """A shift that starts with a check."""

    name: str
    days: tuple[int, ...]
    """0 is Monday."""
    starts: str
    """Local time of day, HH:MM."""
    lead_min: float
    setup: str


@dataclass(frozen=True, slots=True)
class InputRoute:
    """Where an input comes from and how to read it, when it is not the contract's own topic or JSON."""

    kind: str
    """`reading`, `event`, `pressure`, `temperature`, `reply`."""
    topic: str
    cell: str
    scale: str | None = None
    fields: tuple[tuple[str, str], ...] = ()
    """(member of the contract, JMESPath into the payload)."""
    t_unit: str = "auto"
    """`auto` (RFC 3339 or epoch seconds), `s`, `ms`, `us`, `ns`."""
    unit: str | None = None
    values: tuple[tuple[str, tuple[tuple[str, str], ...]], ...] = ()
    """(member, ((their word, our word), ...))."""


@dataclass(frozen=True, slots=True)
class Cell:
    """One spray cell."""

    name: str
    scales: tuple[Scale, ...]
    guns: tuple[Gun, ...]
    shifts: tuple[Shift, ...] = ()
    inputs: tuple[InputRoute, ...] = ()
    takes_requests: bool = True
    """Whether the controller answers requests for a check."""
    has_controller: bool = True
    air_pressure_hpa: float = 1013.25
    air_humidity_pct: float = 50.0
    air_temperature_c: float = 20.0

    def gun(self, name: str) -> Gun:
        """The gun of that name. Raises KeyError where the cell has none."""
        for gun in self.guns:
            if gun.name == name:
                return gun
        raise KeyError(name)

    def scale(self, name: str) -> Scale:
        """The scale of that name. Raises KeyError where the cell has none."""
        for scale in self.scales:
            if scale.name == name:
                return scale
        raise KeyError(name)

    def guns_on(self, scale: str) -> tuple[str, ...]:
        """Names of the guns that shoot into the container on a scale."""
        return tuple(gun.name for gun in self.guns if gun.scale == scale)


@dataclass(frozen=True, slots=True)
class Plan:
    """Everything the pure rooms need to know of a site."""

    agent: str
    root: str
    timezone: str
    cells: tuple[Cell, ...]
    setups: tuple[Setup, ...]
    fluids: tuple[Fluid, ...]
    digest: str = ""
    """SHA-256 of the configuration file, first 16 hexadecimal digits."""

    def cell(self, name: str) -> Cell:
        """The cell of that name. Raises KeyError where there is none."""
        for cell in self.cells:
            if cell.name == name:
                return cell
        raise KeyError(name)

    def setup(self, name: str) -> Setup | None:
        """The setup of that name, or None."""
        return next((setup for setup in self.setups if setup.name == name), None)

    def fluid(self, name: str) -> Fluid | None:
        """The fluid of that name, or None."""
        return next((fluid for fluid in self.fluids if fluid.name == name), None)
