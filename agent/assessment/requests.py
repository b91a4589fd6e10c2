"""Flow checks asked of the controller: what is open, what was answered, what ran out.

The agent asks; the controller, with its own interlocks, decides. One request is open per gun at most.
"""

from __future__ import annotations

import re
from collections import deque
from dataclasses import dataclass
from typing import Literal, TypeAlias

from agent.contract.inputs import Reply
from agent.contract.plan import Setup
from agent.contract.records import Request
from agent.contract.times import epoch_s, rfc3339

START_WITHIN_S = 300.0
"""A request not begun after this long is void: the controller must not start it any more."""
BETWEEN_SHOTS_S = 30.0
"""Settling and handling between two shots, at most."""

Ending: TypeAlias = Literal["refused", "silent", "not_run", "done"]
"""`silent`: no answer and no check came; `not_run`: accepted, and still no check came."""


@dataclass(slots=True)
class OpenRequest:
    """A request that is not over yet."""

    request: Request
    key: str
    """What it was asked for: the shift's occurrence, or `more`."""
    accepted: bool = False
    begun: bool = False
    restored: bool = False
    """It comes from before a restart: an answer may have been heard and forgotten."""

    def over_s(self) -> float:
        """When it is over without a result, epoch seconds."""
        expires_s = epoch_s(self.request.expires)
        return expires_s + duration_s(self.request) if self.accepted or self.begun else expires_s


@dataclass(frozen=True, slots=True)
class Ended:
    """A request that is over."""

    open: OpenRequest
    how: Ending
    at_s: float
    reason: str = ""

    @property
    def may_retry(self) -> bool:
        """Whether asking again later makes sense."""
        return self.how != "refused" or is_passing(self.reason)


def duration_s(request: Request) -> float:
    """How long a check takes at most, once begun, seconds."""
    return request.bleed_s + request.shots * (request.shot_s + BETWEEN_SHOTS_S) + 120.0


def is_passing(reason: str) -> bool:
    """Whether a controller's reason for refusing will pass by itself: busy, not ready, no reason given."""
    return not reason or _PASSING.search(reason) is not None


_PASSING = re.compile(
    r"busy|not[ _-]*ready|later|in[ _-]*use|running|occupied|wait|moment|blocked|open|progress", re.IGNORECASE
)


def new_request(
    cell: str, gun: str, setup: Setup, *, shots: int, why: str, request_id: str, at_s: float
) -> Request:
    """A request for a flow check of one gun, void after `START_WITHIN_S`."""
    return Request(
        id=request_id,
        cell=cell,
        at=rfc3339(at_s),
        gun=gun,
        setup=setup.name,
        shots=shots,
        shot_s=setup.shot_s,
        bleed_s=setup.bleed_s,
        expires=rfc3339(at_s + START_WITHIN_S),
        why=why,
    )


class RequestBook:
    """The open requests of a cell."""

    def __init__(self) -> None:
        self._open: dict[str, OpenRequest] = {}
        self._past: deque[str] = deque(maxlen=256)

    def open(self, gun: str) -> OpenRequest | None:
        """The gun's open request, or None."""
        return self._open.get(gun)

    def knows(self, request_id: str) -> bool:
        """Whether a request of this id is open, or was lately."""
        return request_id in self._past or any(one.request.id == request_id for one in self._open.values())

    def asked(self, request: Request, key: str) -> None:
        """A request was sent."""
        self._open[request.gun] = OpenRequest(request, key)

    def restored(self) -> None:
        """What is open comes from before a restart."""
        for one in self._open.values():
            one.restored = True

    def reply(self, reply: Reply) -> Ended | OpenRequest | None:
        """The controller's answer: an ended request where it refused, the open one where it accepted.

        An answer that comes twice, to a request that is over or to one that nobody knows, changes nothing.
        """
        found = next((one for one in self._open.values() if one.request.id == reply.request_id), None)
        if found is None:
            return None
        if reply.accepted:
            found.accepted = True
            return found
        if found.begun:
            return None
        return self._end(found, "refused", reply.arrived_s, reply.reason or "")

    def begun(self, gun: str) -> None:
        """A check of this gun runs: that is an answer as well."""
        if (found := self._open.get(gun)) is not None:
            found.begun = True

    def done(self, gun: str, at_s: float) -> Ended | None:
        """A check of this gun was given."""
        found = self._open.get(gun)
        return None if found is None else self._end(found, "done", at_s)

    def passed(self, now_s: float) -> list[Ended]:
        """Requests that ran out by `now_s`."""
        over = sorted(
            (one for one in self._open.values() if one.over_s() <= now_s),
            key=lambda one: (one.over_s(), one.request.gun),
        )
        return [self._end(one, _how_it_ran_out(one), one.over_s()) for one in over]

    def _end(self, one: OpenRequest, how: Ending, at_s: float, reason: str = "") -> Ended:
        del self._open[one.request.gun]
        self._past.append(one.request.id)
        return Ended(one, how, at_s, reason)


def _how_it_ran_out(one: OpenRequest) -> Ending:
    return "not_run" if one.accepted or one.begun or one.restored else "silent"
