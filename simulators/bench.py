"""A spray cell on a test bench: simulated cell, the real agent's rooms, a running broker, simulated time.

The agent gets every message of the cell in order, straight away and with no network between, so that a check
of minutes takes a fraction of a second and comes out the same every time. Beside that, events, replies and
all the agent says go over a real broker on loopback, where the software under test may listen and speak.
Readings are left out there unless `mirror_readings` is set.
"""

from __future__ import annotations

import importlib
import json
from collections.abc import Callable, Iterable
from typing import Any, Protocol

from agent.contract.inputs import RawMessage
from agent.contract.record_json import payload, to_json
from agent.contract.records import Record
from simulators.bench_line import BenchLine, Heard
from simulators.bench_scale import BenchScale
from simulators.broker import EmbeddedBroker
from simulators.cell import Cell
from simulators.controller import Controller
from simulators.messages import Message, TrueDispense
from simulators.physics.gun import Gun
from simulators.scenarios import Scenario, load_scenario
from simulators.scenarios.staging import apply_settings, build_cell
from simulators.site import Site, bench_text, site_of
from simulators.technician import Technician

STEP_S = 1.0
RESULT_WITHIN_S = 120.0
"""Simulated time that the agent may take for its last word on a check."""
TAIL_S = 45.0
MOST_RUNS = 10
"""How often the agent may have the controller shoot again before it says its word on a check."""
_RETAINED = frozenset({"check", "balance", "wear", "advice", "release", "cause", "alert"})


class Outcome(Protocol):
    """What the agent gives back."""

    @property
    def records(self) -> tuple[Record, ...]:
        """What it says, in order."""


class Agent(Protocol):
    """What the bench needs of the agent."""

    def take(self, raw: RawMessage) -> Outcome:
        """One message, in the order of arrival."""

    def passed(self, now_s: float) -> Outcome:
        """Time passes with no message."""


class SprayCell:
    """What the fixture `spray_cell` gives. Use `start` and `stop`, or `with`, outside of pytest."""

    def __init__(
        self,
        *,
        config: str | None = None,
        scenario: Scenario | str = "good-day",
        cell: str | None = None,
        seed: int = 1,
        mirror_readings: bool = False,
        agent: Agent | None = None,
    ) -> None:
        """`config` is the text of an agent's configuration; left out, it is the invented shop's.

        Raises SiteError where site and scenario do not fit, and whatever the agent raises for a wrong text.
        """
        text = config or bench_text()
        self.site: Site = site_of(text)
        story = load_scenario(scenario) if isinstance(scenario, str) else scenario
        self.scenario = story
        self.cell: Cell = build_cell(self.site, story, cell, seed=seed, runs_checks=False)
        self.topics = self.cell.topics
        self.agent: Agent = agent or importlib.import_module("agent.commands.plugin_agent").agent_for(text)
        self.mirror_readings = mirror_readings
        self._line = BenchLine(self.site.root)
        self._records: list[Record] = []

    # --- the parts

    @property
    def broker(self) -> EmbeddedBroker:
        """The running broker: `broker.host`, `broker.port`."""
        return self._line.broker

    @property
    def controller(self) -> Controller:
        """The cell's controller, with its interlocks."""
        return self.cell.controller

    @property
    def technician(self) -> Technician:
        """Who turns knobs and changes parts."""
        return self.cell.technician

    @property
    def truth(self) -> list[TrueDispense]:
        """What was really dispensed."""
        return self.cell.truth

    @property
    def now_s(self) -> float:
        """Simulated time, epoch seconds."""
        return self.cell.now_s()

    def gun(self, name: str) -> Gun:
        """A gun: `spray_cell.gun("upper").wear_pct = 8`. Raises KeyError with the names there are."""
        if name not in self.cell.guns:
            raise KeyError(f"no gun called {name!r}; there are: {', '.join(self.cell.guns)}")
        return self.cell.guns[name]

    def scale(self, name: str) -> BenchScale:
        """A scale: `spray_cell.scale("floor").unplug()`. Raises KeyError with the names there are."""
        if name not in self.cell.stations:
            raise KeyError(f"no scale called {name!r}; there are: {', '.join(self.cell.stations)}")
        return BenchScale(self.cell, name)

    def set(self, **tables: Any) -> None:
        """Change anything a scenario can: `spray_cell.set(pot={"set_bar": 0.6})`. Raises SiteError."""
        apply_settings(self.cell, tables)

    # --- letting things happen

    def advance(self, seconds: float) -> None:
        """Let simulated time pass."""
        ends_s = self.now_s + seconds
        while self.now_s < ends_s:
            self._step(min(STEP_S, ends_s - self.now_s))

    def run_check(self, gun: str, setup: str | None = None, **changes: Any) -> dict[str, Any] | None:
        """Run a flow check of a gun to its end; returns the agent's `check`, or None where it gave none.

        `changes` are `shots`, `shot_s`, `bleed_s`. Raises KeyError for an unknown gun or setup.
        """
        before = len(self._records)
        self.controller.run_check(gun, setup, **changes)

        def given() -> bool:
            return any(r.record == "check" and getattr(r, "gun", None) == gun for r in self._records[before:])

        # The agent may ask for more shots before it says its word: as long as the controller works, we wait.
        for _ in range(MOST_RUNS):
            self._until(lambda: not self.controller.busy, 3600.0)
            self._until(lambda: given() or self.controller.busy, RESULT_WITHIN_S)
            if given() or not self.controller.busy:
                break
        checks = [r for r in self._records[before:] if r.record == "check" and getattr(r, "gun", None) == gun]
        return payload(checks[-1]) if checks else None

    def start_shift(self, setup: str | None = None) -> dict[str, Any] | None:
        """Load a setup, check every gun, and return the `release` after it.

        Where none is named it is that of the cell's first shift, or the site's first. Raises KeyError for an
        unknown one.
        """
        self.controller.load_setup(setup or self.cell.usual_setup().name)
        for gun in self.cell.guns:
            self.run_check(gun, setup)
        self.advance(5.0)
        return self.latest("release")

    def play(self) -> list[dict[str, Any]]:
        """Play the scenario to its end, with the checks it starts by itself; returns all records."""
        self.cell.runs_checks = True
        while True:
            self._until(lambda: self.cell.quiet, 14 * 24 * 3600.0)
            # What the agent says to the last shot may set hands in motion again.
            self.advance(TAIL_S)
            if self.cell.quiet:
                return self.records()

    def publish(self, topic: str, body: Any) -> None:
        """Say something to cell and agent, as any client of the broker may: a dict, text or bytes."""
        data = body if isinstance(body, bytes) else body.encode() if isinstance(body, str) else None
        data = json.dumps(body).encode() if data is None else data
        self._take(Message(self.now_s, topic, data, 1))
        self.cell.hear(topic, data)

    # --- looking at what came of it

    def records(self, kind: str | None = None, **members: Any) -> list[dict[str, Any]]:
        """The agent's records, oldest first, JSON objects: `spray_cell.records("dispense", gun="upper")`."""
        bodies = [payload(record) for record in self._records if kind in {None, record.record}]
        return [body for body in bodies if all(body.get(k) == v for k, v in members.items())]

    def latest(self, kind: str, **members: Any) -> dict[str, Any] | None:
        """The last record of a kind, or None."""
        found = self.records(kind, **members)
        return found[-1] if found else None

    def heard(self, topic: str = "#") -> list[Heard]:
        """What the broker distributed on a topic (filter) until now, in order."""
        return self._line.heard(topic)

    # --- inside

    def start(self) -> SprayCell:
        """Start the broker and connect."""
        self._line.start()
        return self

    def stop(self) -> None:
        """Disconnect and stop the broker."""
        self._line.stop()

    def __enter__(self) -> SprayCell:
        return self.start()

    def __exit__(self, *_: object) -> None:
        self.stop()

    def _until(self, done: Callable[[], bool], within_s: float) -> None:
        ends_s = self.now_s + within_s
        while not done() and self.now_s < ends_s:
            idle_s = self.cell.next_action_s - self.now_s
            self._step(STEP_S if self.cell.attended else min(max(idle_s, STEP_S), 60.0))

    def _step(self, seconds: float) -> None:
        for other in self._line.from_others():
            self._say(self.agent.take(RawMessage(other.topic, other.payload, self.now_s, 1)).records)
            self.cell.hear(other.topic, other.payload)
        for message in self.cell.advance(self.now_s + seconds):
            self._take(message)
        self._say(self.agent.passed(self.now_s).records)

    def _take(self, message: Message) -> None:
        if self.mirror_readings or message.qos:
            self._line.publish(message.topic, message.payload)
        raw = RawMessage(message.topic, message.payload, message.t_s, message.qos, message.retain)
        self._say(self.agent.take(raw).records)

    def _say(self, records: Iterable[Record]) -> None:
        for record in records:
            self._records.append(record)
            topic, body = self._topic(record), to_json(record).encode()
            self._line.publish(topic, body, retain=record.record in _RETAINED)
            self.cell.hear(topic, body)

    def _topic(self, record: Record) -> str:
        of = str(getattr(record, "name" if record.record == "alert" else "gun", None) or "")
        if record.record in {"check", "wear", "advice", "alert"}:
            return str(getattr(self.topics, record.record)(record.cell, of))
        return str(getattr(self.topics, record.record)(record.cell))
