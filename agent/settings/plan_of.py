"""Turns a configuration that is right into the plan that the pure rooms read."""

from __future__ import annotations

from agent.contract.fluids import known_fluid
from agent.contract.plan import Cell, Fluid, Gun, InputRoute, Needle, Plan, Scale, Setup, Shift
from agent.contract.topics import Topics
from agent.settings.cells import CellSection
from agent.settings.configuration import Configuration
from agent.settings.fluids import FluidSection
from agent.settings.foreign import SHORT_FORMS
from agent.settings.guns import GunSection
from agent.settings.inputs import Form, InputSection
from agent.settings.scales import ScaleSection
from agent.settings.setups import SetupSection
from agent.settings.shifts import ShiftSection, days_of


def plan_of(configuration: Configuration, digest: str) -> Plan:
    """The plan of a site. `digest` stands for the bytes of its file."""
    topics = Topics(configuration.mqtt.root)
    configured = {fluid.name: _fluid(fluid) for fluid in configuration.fluids}
    setups = tuple(_setup(setup, configured) for setup in configuration.setups)
    known = {name: fluid for setup in setups if (fluid := known_fluid(name := setup.fluid)) is not None}
    return Plan(
        agent=configuration.agent.id,
        root=configuration.mqtt.root,
        timezone=configuration.agent.timezone,
        cells=tuple(_cell(cell, topics) for cell in configuration.cells),
        setups=setups,
        fluids=tuple({**known, **configured}.values()),
        digest=digest,
    )


def _fluid(fluid: FluidSection) -> Fluid:
    return Fluid(
        name=fluid.name,
        density_table=tuple((row.t_c, row.kg_per_m3) for row in fluid.density),
        u_density_rel=fluid.u_density_pct / 100,
        volatile=fluid.volatile,
    )


def _setup(setup: SetupSection, configured: dict[str, Fluid]) -> Setup:
    known = None if setup.fluid in configured else known_fluid(setup.fluid)
    return Setup(
        name=setup.name,
        fluid=known.name if known is not None else setup.fluid,
        target_g_per_min=setup.target_g_per_min,
        tolerance_pct=setup.tolerance_pct,
        balance_pct=setup.balance_pct,
        shot_s=setup.shot_s,
        shots=setup.shots,
        bleed_s=setup.bleed_s,
        pot_pressure_bar=setup.pot_pressure_bar,
        needle_settings=tuple(setup.needle_settings.items()),
        risk=setup.risk_pct / 100,
        valid_h=setup.valid_h,
    )


def _cell(cell: CellSection, topics: Topics) -> Cell:
    requests = cell.has_controller if cell.takes_requests is None else cell.takes_requests
    return Cell(
        name=cell.id,
        scales=tuple(_scale(scale) for scale in cell.scales),
        guns=tuple(_gun(gun) for gun in cell.guns),
        shifts=tuple(_shift(shift) for shift in cell.shifts),
        inputs=tuple(_routes(cell, topics)),
        takes_requests=requests,
        has_controller=cell.has_controller,
        air_pressure_hpa=cell.air.pressure_hpa,
        air_humidity_pct=cell.air.humidity_pct,
        air_temperature_c=cell.air.temperature_c,
    )


def _scale(scale: ScaleSection) -> Scale:
    return Scale(
        name=scale.id,
        resolution_g=scale.resolution_g,
        capacity_g=scale.capacity_g,
        accuracy_class=scale.accuracy_class,
        verification_interval_g=scale.verification_interval_g,
        u_calibration_rel=scale.u_calibration_pct / 100,
        lag_s=scale.lag_s,
        silent_s=scale.silent_s,
    )


def _gun(gun: GunSection) -> Gun:
    return Gun(
        name=gun.id,
        scale=gun.scale,
        needle=Needle(**gun.needle.model_dump()),
        wear_limit_pct=gun.wear_limit_pct,
        pressure_exponent=gun.pressure_exponent,
        u_pressure_exponent=gun.u_pressure_exponent,
        repeatability_pct=gun.repeatability_pct,
    )


def _shift(shift: ShiftSection) -> Shift:
    return Shift(
        name=shift.name,
        days=days_of(shift.days),
        starts=shift.starts,
        lead_min=shift.lead_min,
        setup=shift.setup,
    )


def _routes(cell: CellSection, topics: Topics) -> list[InputRoute]:
    routes = [_route(scale, "reading", cell, topics, scale.id) for scale in cell.scales if scale.is_own]
    for key, kind in SHORT_FORMS.items():
        form: Form | None = getattr(cell, key)
        if form is not None and form.is_own:
            routes.append(_route(form, kind, cell, topics))
    routes += [_long_route(entry, cell, topics) for entry in cell.inputs if entry.is_own]
    return routes


def _long_route(entry: InputSection, cell: CellSection, topics: Topics) -> InputRoute:
    return _route(entry, entry.kind, cell, topics, entry.scale)


def _route(form: Form, kind: str, cell: CellSection, topics: Topics, scale: str | None = None) -> InputRoute:
    return InputRoute(
        kind=kind,
        topic=form.topic if form.topic is not None else _own_topic(kind, cell.id, topics, scale),
        cell=cell.id,
        scale=scale,
        fields=tuple(form.fields.items()),
        t_unit=form.t_unit,
        unit=form.unit,
        values=tuple((member, tuple(words.items())) for member, words in form.values.items()),
    )


def _own_topic(kind: str, cell: str, topics: Topics, scale: str | None) -> str:
    if kind == "reading":
        return topics.reading(cell, scale or "")
    by_kind = {
        "event": topics.event,
        "pressure": topics.pressure,
        "temperature": topics.temperature,
        "reply": topics.reply,
    }
    return by_kind[kind](cell)
