"""Messages in the contract's form, and the truth behind them."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field
from typing import Any, Literal, NamedTuple, TypeAlias

from agent.contract.times import rfc3339

TimeForm: TypeAlias = Literal["epoch", "rfc3339", "none"]


class Message(NamedTuple):
    """One MQTT message of a simulated cell."""

    t_s: float
    """When the broker gets it, epoch seconds of the simulated clock."""
    topic: str
    payload: bytes
    qos: int = 0
    retain: bool = False


def json_bytes(body: dict[str, Any]) -> bytes:
    """A JSON object as a device sends it: compact, UTF-8."""
    return json.dumps(body, separators=(",", ":"), ensure_ascii=False, allow_nan=False).encode()


def time_member(epoch_s: float, form: TimeForm) -> dict[str, Any]:
    """The `t` member in the sender's form; nothing where it sends none."""
    if form == "none":
        return {}
    return {"t": round(epoch_s, 3) if form == "epoch" else rfc3339(epoch_s)}


@dataclass(slots=True)
class TrueDispense:
    """What really left a gun, and when: times on the true clock, epoch seconds."""

    event_id: str
    cell: str
    gun: str
    scale: str
    setup: str | None
    purpose: str
    opened_s: float
    closed_s: float | None = None
    mass_g: float = 0.0
    """In vacuo, drip and all, without what leaks through a closed needle."""
    into: Literal["container", "part"] = "container"
    spoiled: bool = False
    """The container or the scale was touched meanwhile, so that the mass cannot be known."""
    notes: list[str] = field(default_factory=list)

    @property
    def open_s(self) -> float | None:
        """Commanded open time, None while it is open."""
        return None if self.closed_s is None else self.closed_s - self.opened_s

    @property
    def flow_g_per_min(self) -> float | None:
        """60 x mass / open time."""
        return None if not self.open_s else 60 * self.mass_g / self.open_s

    def as_line(self) -> str:
        """One line of a truth file: JSON."""
        body = asdict(self) | {"open_s": self.open_s, "flow_g_per_min": self.flow_g_per_min}
        rounded = {k: round(v, 6) if isinstance(v, float) else v for k, v in body.items()}
        return json.dumps(rounded, separators=(",", ":"), ensure_ascii=False)
