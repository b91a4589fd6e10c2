"""The bodies of incoming messages as models: for the schema, for documents, and for whoever sends them.

`agent.intake` checks the same rules by hand, because a scale's reading must cost microseconds; a test holds
the two to each other.
"""

from __future__ import annotations

from typing import Annotated, Literal, TypeAlias

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, WithJsonSchema

from agent.contract.inputs import AlarmCommandName, Part, Purpose
from agent.contract.times import rfc3339_s
from agent.contract.units import BARS, CELSIUS, GRAMS


def _is_time(text: str) -> str:
    rfc3339_s(text)
    return text


def _one_of(units: tuple[str, ...]) -> AfterValidator:
    def check(unit: str) -> str:
        if unit not in units:
            raise ValueError(f"one of {', '.join(units)}")
        return unit

    return AfterValidator(check)


def _choice(units: tuple[str, ...]) -> WithJsonSchema:
    return WithJsonSchema({"type": "string", "enum": list(units)})


Time: TypeAlias = Annotated[
    Annotated[str, AfterValidator(_is_time), WithJsonSchema({"type": "string", "format": "date-time"})]
    | Annotated[float, Field(description="Epoch seconds")],
    Field(description="RFC 3339 with its offset from UTC, or epoch seconds. Left out, arrival time counts."),
]
Name: TypeAlias = Annotated[str, Field(min_length=1, max_length=256)]
Identifier: TypeAlias = Annotated[Name | int, Field(description="Unique: makes a redelivery harmless.")]
Sentence: TypeAlias = Annotated[str, Field(max_length=1000)]
MassUnit: TypeAlias = Annotated[str, _one_of(tuple(GRAMS)), _choice(tuple(GRAMS))]
PressureUnit: TypeAlias = Annotated[str, _one_of(tuple(BARS)), _choice(tuple(BARS))]
TemperatureUnit: TypeAlias = Annotated[str, _one_of(tuple(CELSIUS)), _choice(tuple(CELSIUS))]


class Body(BaseModel):
    """A JSON object. Members that are not known are ignored; null is the same as leaving a member out."""

    model_config = ConfigDict(
        extra="ignore", frozen=True, strict=True, allow_inf_nan=False, use_attribute_docstrings=True
    )


class ReadingBody(Body):
    """A reading of a scale; a bare number as the payload stands for its value in grams."""

    value: float | None = None
    """Indicated mass; may only be left out on overload."""
    unit: MassUnit | None = None
    """Unit of the value; grams where it is left out and the configuration says nothing else."""
    t: Time | None = None
    stable: bool | None = None
    """Whether the scale calls the reading stable."""
    seq: Annotated[int, Field(ge=0)] | None = None
    """Counts up by one with every reading: gaps and repeats are seen by it."""
    overload: bool | None = None
    """The load is above what the scale can show."""


class PressureBody(Body):
    """Pressure in the pot, gauge; a bare number stands for its value in bar."""

    value: float
    unit: PressureUnit | None = None
    """Unit of the value; bar where it is left out."""
    t: Time | None = None


class TemperatureBody(Body):
    """Temperature of the fluid; a bare number stands for its value in degrees Celsius."""

    value: float
    unit: TemperatureUnit | None = None
    """Unit of the value; degrees Celsius where it is left out."""
    t: Time | None = None


class EventBase(Body):
    """What every event of the controller has."""

    id: Identifier | None = None
    t: Time | None = None
    reason: Sentence | None = None


class GunOpened(EventBase):
    """A gun was opened: the dispense begins."""

    event: Literal["gun_opened"]
    gun: Name | None = None
    """Which gun; null where the controller does not know."""
    purpose: Purpose | None = None
    setup: Name | None = None


class GunClosed(EventBase):
    """A gun was closed: the dispense ends. The interval is the commanded open time."""

    event: Literal["gun_closed"]
    gun: Name | None = None
    """Which gun; null where the controller does not know."""
    purpose: Purpose | None = None
    setup: Name | None = None


class CheckStarted(EventBase):
    """The controller runs a flow check for a gun: the shots that follow belong together."""

    event: Literal["check_started"]
    gun: Name
    setup: Name | None = None


class CheckEnded(EventBase):
    """The flow check of a gun is over."""

    event: Literal["check_ended"]
    gun: Name
    setup: Name | None = None


class SetupLoaded(EventBase):
    """A job with this setup is about to run."""

    event: Literal["setup_loaded"]
    setup: Name


class NeedleSet(EventBase):
    """The adjustment knob of a gun was moved."""

    event: Literal["needle_set"]
    gun: Name
    setting: float
    """The new setting, in the gun's own unit."""


class PartChanged(EventBase):
    """A wearing part of a gun was replaced: wear starts anew."""

    event: Literal["part_changed"]
    gun: Name
    part: Part


class ScaleZeroed(EventBase):
    """Zero or tare was pressed."""

    event: Literal["scale_zeroed"]
    scale: Name | None = None
    """Which scale; may be left out in a cell with one."""


class CellReady(EventBase):
    """The controller's own interlocks allow, or do not allow, a dispense."""

    event: Literal["cell_ready"]
    ready: bool


EventBody: TypeAlias = Annotated[
    GunOpened
    | GunClosed
    | CheckStarted
    | CheckEnded
    | SetupLoaded
    | NeedleSet
    | PartChanged
    | ScaleZeroed
    | CellReady,
    Field(discriminator="event"),
]
"""An event of the controller."""


class ReplyBody(Body):
    """The controller's answer to a request for a check."""

    id: Annotated[Name | int, Field(description="The id of the request.")]
    accepted: bool
    """Whether the controller will run the check; its own interlocks decide."""
    reason: Sentence | None = None
    """Why not."""


class AlarmCommandBody(Body):
    """What a person asks of an alarm. Never retained: it would act again at every connection."""

    command: AlarmCommandName
    by: Name | None = None
    """Who asks."""
    minutes: Annotated[float, Field(gt=0, le=525_600)] | None = None
    """How long to shelve."""


class Health(Body):
    """How the agent is."""

    model_config = ConfigDict(extra="allow", frozen=True, strict=True, use_attribute_docstrings=True)
    messages: int | None = None
    """Messages heard since it started."""
    last_message_at: str | None = None
    """When the latest came, RFC 3339."""
    refused: int | None = None
    """Messages that could not be used."""
    faults: list[str] = Field(default_factory=list)
    """What is wrong at present."""


class AgentStateBody(Body):
    """The agent's own state; the will says offline."""

    state: Literal["online", "offline"]
    agent: str
    version: str
    """Version of the agent."""
    at: str | None = None
    """When it was said, RFC 3339."""
    health: Health | None = None


class BridgedScale(Body):
    """How it is with one scale's serial line."""

    cell: str
    scale: str
    state: str
    """What the line does."""
    text: str
    """The same in a sentence, with what to do about it."""
    since: str
    """RFC 3339."""
    read: int
    """Lines that were readings."""
    not_read: dict[str, int]
    """Lines that were none, by kind of fault."""


class BridgeStateBody(Body):
    """The state of the bridge of the serial scales; the will says offline."""

    state: Literal["online", "offline"]
    version: str
    at: str | None = None
    """When it was said, RFC 3339."""
    dropped: int | None = None
    """Readings that found no room while the broker was away."""
    scales: list[BridgedScale] = Field(default_factory=list)
