"""What comes back to the agent: the controller's replies, and people's commands to alarms."""

from __future__ import annotations

from typing import Any, cast, get_args

from agent.contract.inputs import AlarmCommand, AlarmCommandName, RawMessage, Reply
from agent.intake.foreign import Translator
from agent.intake.members import Body, identifier, needed, number, reason, text, truth, word
from agent.intake.payloads import parsed, refuse_doubled
from agent.intake.refused import Refused, shown

COMMANDS: tuple[str, ...] = get_args(AlarmCommandName)
LONGEST_SHELVE_MIN = 525_600.0
"""A year, minutes."""


class Replies:
    """Reads the controller's answers to requests."""

    def __init__(self, cell: str, translator: Translator | None = None) -> None:
        self._cell = cell
        self._translator = translator

    def read(self, raw: RawMessage) -> Reply:
        """The answer in a message. Raises Refused."""
        if self._translator is None:
            body = _object(raw, ("id", "accepted", "reason"))
        else:
            payload = parsed(raw.payload)
            refuse_doubled(raw.payload)
            body = self._translator.body(payload)
        reply = Reply(
            self._cell,
            raw.arrived_s,
            request_id=needed(identifier(body), "id"),
            accepted=needed(truth(body, "accepted"), "accepted"),
            reason=reason(body),
        )
        if raw.retain:
            raise Refused("retained", "a retained answer belongs to an old request")
        return reply


def read_command(raw: RawMessage, cell: str, alarm: str) -> AlarmCommand:
    """What a person asks of an alarm. Raises Refused."""
    body = _object(raw, ("command", "by", "minutes"))
    command = needed(word(body, "command", COMMANDS), "command")
    minutes = number(body, "minutes", 0.0, LONGEST_SHELVE_MIN)
    if minutes == 0.0:
        raise Refused("out_of_range", "minutes is 0, it must be more")
    if raw.retain:
        raise Refused("retained", "a retained command would act at every connection: publish without retain")
    return AlarmCommand(
        cell, raw.arrived_s, alarm, cast("AlarmCommandName", command), by=text(body, "by"), minutes=minutes
    )


def _object(raw: RawMessage, members: tuple[str, ...]) -> Body:
    body: Any = parsed(raw.payload)
    if type(body) is not dict:
        raise Refused("wrong_type", f"the payload is {shown(body)}, it must be an object")
    refuse_doubled(raw.payload, members)
    return cast("Body", body)
