"""Events of the controller."""

from __future__ import annotations

from typing import Any, get_args

from agent.contract.inputs import ControllerEvent, EventName, Part, Purpose, RawMessage
from agent.contract.plan import Cell
from agent.contract.records import record_id
from agent.intake.foreign import Translator
from agent.intake.members import Body, identifier, moment, needed, number, reason, text, truth, word
from agent.intake.payloads import parsed, refuse_doubled
from agent.intake.refused import Refused, shown

EVENTS: frozenset[str] = frozenset(get_args(EventName))
PURPOSES: tuple[str, ...] = get_args(Purpose)
PARTS: tuple[str, ...] = get_args(Part)
IGNORE = "ignore"
"""What a configured word stands for when the event means nothing to the agent."""

LARGEST_SETTING = 1e6

MEMBERS: dict[str, tuple[str, ...]] = {
    "gun_opened": ("gun", "purpose", "setup"),
    "gun_closed": ("gun", "purpose", "setup"),
    "check_started": ("gun", "setup"),
    "check_ended": ("gun", "setup"),
    "setup_loaded": ("setup",),
    "needle_set": ("gun", "setting"),
    "part_changed": ("gun", "part"),
    "scale_zeroed": ("scale",),
    "cell_ready": ("ready",),
}
"""An event's own members; others are ignored."""

NEEDED: dict[str, tuple[str, ...]] = {
    "check_started": ("gun",),
    "check_ended": ("gun",),
    "setup_loaded": ("setup",),
    "needle_set": ("gun", "setting"),
    "part_changed": ("gun", "part"),
    "scale_zeroed": ("scale",),
    "cell_ready": ("ready",),
}
"""Those without which an event says nothing. A gun that opens or closes may be unknown."""

_ALL = ("event", "id", "t", "reason", "gun", "purpose", "setup", "setting", "part", "scale", "ready")


class Events:
    """Reads the events of one cell."""

    def __init__(self, cell: Cell, translator: Translator | None = None) -> None:
        self._cell = cell.name
        self._guns = tuple(gun.name for gun in cell.guns)
        self._scales = tuple(scale.name for scale in cell.scales)
        self._translator = translator

    def read(self, raw: RawMessage) -> ControllerEvent | None:
        """The event in a message; None for one that the configuration says to ignore. Raises Refused."""
        body = parsed(raw.payload)
        if self._translator is not None:
            refuse_doubled(raw.payload)
            body = self._translator.body(body)
        elif type(body) is not dict:
            raise Refused("wrong_type", f"the payload is {shown(body)}, it must be an object")
        else:
            refuse_doubled(raw.payload, _ALL)
        name = needed(text(body, "event"), "event")
        if name == IGNORE and self._translator is not None:
            return None
        if name not in EVENTS:
            known = ", ".join(sorted(EVENTS))
            raise Refused("unknown_word", f"event is {shown(name)}, known are: {known}")
        return self._event(name, body, raw)

    def _event(self, name: Any, body: Body, raw: RawMessage) -> ControllerEvent:
        said = {member: self._member(member, body) for member in MEMBERS[name]}
        for member in NEEDED.get(name, ()):
            needed(said[member], member, f"{name} needs it")
        t_s, from_arrival = moment(body, raw.arrived_s)
        event_id = identifier(body)
        if event_id is None:
            # Made of what happened, so that the same event heard twice is the same.
            event_id = record_id("event", self._cell, name, f"{t_s:.6f}", *said.values())
        return ControllerEvent(
            cell=self._cell,
            event=name,
            t_s=t_s,
            arrived_s=raw.arrived_s,
            event_id=event_id,
            from_arrival=from_arrival,
            retained=raw.retain,
            reason=reason(body),
            **said,
        )

    def _member(self, member: str, body: Body) -> Any:
        if member == "gun":
            return word(body, "gun", self._guns, "unknown_gun")
        if member == "scale":
            return self._scale(body)
        if member == "purpose":
            return word(body, "purpose", PURPOSES)
        if member == "part":
            return word(body, "part", PARTS)
        if member == "setting":
            return number(body, "setting", -LARGEST_SETTING, LARGEST_SETTING)
        if member == "ready":
            return truth(body, "ready")
        return text(body, member)

    def _scale(self, body: Body) -> str | None:
        scale = word(body, "scale", self._scales, "unknown_scale")
        if scale is None and len(self._scales) == 1:
            return self._scales[0]
        return scale
