"""The cell's controller: it opens and closes guns by programme, tells what it did, and answers requests.

It has the interlocks of a real one: a closed door, its own readiness, one programme at a time. What it does
not model: robot motion, emergency stops in the middle of a stroke, a programme that is paused.
"""

from __future__ import annotations

import json
import math
from collections import deque
from collections.abc import Callable, Iterator
from typing import Any, Protocol, TypeAlias

from simulators.interlocks import Interlocks, Manners, deadline_s, objection
from simulators.messages import json_bytes, time_member
from simulators.site import SiteSetup

Programme: TypeAlias = Iterator[float]
"""Does a step each time it is asked and says after how many seconds it wants to be asked again."""


class CellSide(Protocol):
    """What the controller needs of the cell it controls."""

    def now_s(self) -> float:
        """True time, epoch seconds."""

    def after(self, seconds: float, action: Callable[[], None]) -> None:
        """Do something later."""

    def say(self, channel: str, payload: bytes) -> None:
        """Publish on the cell's `event` or `reply` topic, QoS 1."""

    def open_gun(self, gun: str, purpose: str, setup: str | None, event_id: str) -> None:
        """Energise a trigger valve."""

    def close_gun(self, gun: str) -> None:
        """Let it go."""

    def prepare(self, setup: SiteSetup) -> None:
        """Turn the pot's regulator to a setup's pressure and fill its liquid."""


class Controller:
    """One cell's controller."""

    def __init__(self, cell: CellSide, name: str, setups: dict[str, SiteSetup], guns: list[str]) -> None:
        self.cell = cell
        self.manners = Manners()
        self.door_open = False
        self.ready = True
        self.not_ready_because = ""
        self.setup: str | None = None
        self._name = name
        self._setups = setups
        self._guns = guns
        self._waiting: deque[tuple[str, Programme, float]] = deque()
        self._running: tuple[str, Programme] | None = None
        self._boot = 1
        self._events = 0
        self._started_at_s = cell.now_s()
        self.checks_begun: dict[str, int] = dict.fromkeys(guns, 0)

    # --- what others ask of it

    @property
    def busy(self) -> bool:
        """Whether a programme runs."""
        return self._running is not None

    def hear_request(self, payload: bytes) -> None:
        """A request came in: answer it, and run it if the interlocks allow."""
        if not self.manners.answers:
            return
        try:
            body = json.loads(payload)
        except ValueError:
            return
        if isinstance(body, dict) and "id" in body:
            self.cell.after(self.manners.answers_after_s, lambda: self._answer(body))

    def run_check(
        self,
        gun: str,
        setup: str | None = None,
        *,
        shots: int | None = None,
        shot_s: float | None = None,
        bleed_s: float | None = None,
        request_id: str | None = None,
        not_after_s: float = math.inf,
    ) -> None:
        """Queue a flow check of a gun; what is left out comes from the setup.

        A check that could not begin by `not_after_s` (true time, epoch seconds) is dropped.

        Raises KeyError for an unknown gun or setup.
        """
        if gun not in self._guns:
            raise KeyError(f"no gun called {gun!r}; there are: {', '.join(self._guns)}")
        target = self._setups[setup or self.setup or next(iter(self._setups))]
        self._enqueue(
            f"check {gun}",
            self._check(
                gun,
                target.name,
                target.shots if shots is None else shots,
                (
                    target.shot_s if shot_s is None else shot_s,
                    target.bleed_s if bleed_s is None else bleed_s,
                ),
                request_id,
            ),
            not_after_s,
        )

    def run_job(self, guns: list[str], seconds: float) -> None:
        """Queue a job: these guns spray at the part, not at the scale, for so long."""
        self._enqueue("job", self._job(guns, seconds))

    def load_setup(self, setup: str) -> None:
        """A job with this setup is about to run: the regulator is set, and it is told."""
        target = self._setups[setup]
        self.setup = setup
        self.cell.prepare(target)
        self.tell("setup_loaded", setup=setup)

    def restart(self, takes_s: float = 20.0) -> None:
        """Power fails and comes back: guns close with nobody told, the programme is lost, ids go on."""
        for gun in self._guns:
            self.cell.close_gun(gun)
        self._running = None
        self._waiting.clear()
        self._boot += 1
        self._events = 0
        self.ready = False
        self.not_ready_because = "starting"
        boot = self._boot
        self.cell.after(takes_s, lambda: self._booted(boot))

    def set_ready(self, ready: bool, reason: str = "") -> None:
        """The controller's own interlocks allow, or do not allow, a dispense; told."""
        self.ready = ready
        self.not_ready_because = reason
        self.tell("cell_ready", ready=ready, **({"reason": reason} if reason else {}))
        if ready:
            self._next()

    def set_door(self, open_: bool) -> None:
        """Somebody opens or closes the door of the cell."""
        self.door_open = open_
        self.set_ready(not open_, "door open" if open_ else "")

    def tell(self, event: str, **members: Any) -> str:
        """Publish an event; returns its id."""
        self._events += 1
        event_id = f"{self._name}-{self._started_at_s:.0f}-{self._boot}-{self._events:05d}"
        if self.manners.speaks:
            at = time_member(self.cell.now_s() + self.manners.clock_offset_s, self.manners.t_form)
            payload = json_bytes({"event": event, **at, "id": event_id, **members})
            self.cell.say("event", payload)
            if self.manners.repeats_events:
                self.cell.say("event", payload)
        return event_id

    # --- answering

    def _answer(self, body: dict[str, Any]) -> None:
        why_not = objection(body, self._interlocks(), self.manners)
        answer = {"id": body["id"], "accepted": why_not is None, "reason": why_not}
        self.cell.say("reply", json_bytes(answer))
        if why_not is None:
            self.run_check(
                body["gun"],
                body["setup"],
                shots=int(body.get("shots") or self._setups[body["setup"]].shots),
                shot_s=float(body.get("shot_s") or self._setups[body["setup"]].shot_s),
                bleed_s=float(body.get("bleed_s") or 0.0),
                request_id=str(body["id"]),
                not_after_s=deadline_s(body, self.cell.now_s(), self.manners),
            )

    def _interlocks(self) -> Interlocks:
        return Interlocks(
            guns=tuple(self._guns),
            setups=frozenset(self._setups),
            door_open=self.door_open,
            ready=self.ready,
            not_ready_because=self.not_ready_because,
            running=self._running[0] if self._running is not None else None,
            waiting=len(self._waiting),
            now_s=self.cell.now_s(),
        )

    # --- programmes

    def _enqueue(self, what: str, programme: Programme, not_after_s: float = math.inf) -> None:
        self._waiting.append((what, programme, not_after_s))
        self._next()

    def _next(self) -> None:
        while self._running is None and self._waiting and self.ready:
            what, programme, not_after_s = self._waiting.popleft()
            if self.cell.now_s() <= not_after_s:
                self._running = (what, programme)
                self._step(self._running)

    def _step(self, running: tuple[str, Programme]) -> None:
        if self._running is not running:
            return  # lost in a restart
        wait_s = next(running[1], None)
        if wait_s is not None:
            self.cell.after(wait_s, lambda: self._step(running))
            return
        self._running = None
        self._next()

    def _check(
        self, gun: str, setup: str, shots: int, times_s: tuple[float, float], asked_by: str | None
    ) -> Programme:
        shot_s, bleed_s = times_s
        if self.setup != setup:
            self.load_setup(setup)
        self.checks_begun[gun] += 1
        asked = {"request": asked_by} if asked_by else {}
        self.tell("check_started", gun=gun, setup=setup, **asked)
        yield self.manners.settles_before_s
        if bleed_s > 0.0:
            yield from self._dispense(gun, "bleed", setup, bleed_s)
        for _ in range(shots):
            yield from self._dispense(gun, "shot", setup, shot_s)
        self.tell("check_ended", gun=gun, setup=setup, **asked)
        yield 2.0

    def _dispense(self, gun: str, purpose: str, setup: str, seconds: float) -> Programme:
        members = {"purpose": purpose} if self.manners.tells_purpose else {}
        members |= {"setup": setup} if self.manners.tells_setup else {}
        event_id = self.tell("gun_opened", gun=gun, **members)
        self.cell.open_gun(gun, purpose, setup, event_id)
        yield seconds
        self.cell.close_gun(gun)
        self.tell("gun_closed", gun=gun, **members)
        yield self.manners.rests_s

    def _job(self, guns: list[str], seconds: float) -> Programme:
        members = {"purpose": "job"} if self.manners.tells_purpose else {}
        members |= {"setup": self.setup} if self.setup and self.manners.tells_setup else {}
        for gun in guns:
            event_id = self.tell("gun_opened", gun=gun, **members)
            self.cell.open_gun(gun, "job", self.setup, event_id)
        yield seconds
        for gun in guns:
            self.cell.close_gun(gun)
            self.tell("gun_closed", gun=gun, **members)
        yield 5.0

    def _booted(self, boot: int) -> None:
        if boot == self._boot:
            self.set_ready(True)
