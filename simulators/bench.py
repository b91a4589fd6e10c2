"""A spray cell on a test bench: simulated cell, the real agent's rooms, a running broker, simulated time.

The agent gets every message of the cell in order, straight away and with no network between, so that a check
of minutes takes a fraction of a second and comes out the same every time. Beside that, events, replies and
all the agent says go over a real broker on loopback, where the software under test may listen and speak.
Readings are left out there unless `mirror_readings` is set.
"""

from __future__ import annotations

import importlib
import json
import threading
from collections import Counter, deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any, Protocol

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from agent.contract.inputs import RawMessage
from agent.contract.records import Record, payload, to_json
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
WAITS_S = 5.0
MOST_KEPT = 200_000
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


@dataclass(frozen=True, slots=True)
class Heard:
    """A message that the broker distributed."""

    topic: str
    payload: bytes

    @property
    def body(self) -> Any:
        """The payload as JSON. Raises ValueError where it is none."""
        return json.loads(self.payload)


class BenchScale:
    """A scale within reach of a hand: `spray_cell.scale("floor").unplug()`."""

    def __init__(self, cell: Cell, name: str) -> None:
        self._cell = cell
        self.name = name
        self.station = cell.stations[name]
        """Everything about it: scale, container, voice, network."""

    def unplug(self) -> None:
        """Pull its cable."""
        self._cell.unplug(self.name)

    def plug_in(self) -> None:
        """Put the cable back; the scale starts anew and has forgotten its tare."""
        self._cell.plug_in(self.name)

    def bump(self, force_g: float = 80.0, lasts_s: float = 0.4) -> None:
        """Knock against it."""
        self._cell.bump(self.name, force_g, lasts_s)

    def knock_over(self) -> None:
        """Knock the container off it."""
        self._cell.knock_over(self.name)

    def take_away(self) -> None:
        """Lift the container off."""
        self._cell.take_away(self.name)

    def put_back(self) -> None:
        """Put the container onto it."""
        self._cell.put_back(self.name)

    def zero(self) -> None:
        """Press zero."""
        self._cell.zero(self.name)


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
        self.broker = EmbeddedBroker()
        self.mirror_readings = mirror_readings
        self._records: list[Record] = []
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=f"bench-{id(self):x}")
        self._client.on_message = self._on_message
        self._client.on_connect = self._on_connect
        self._subscribed = threading.Event()
        self._client.on_subscribe = lambda *_: self._subscribed.set()
        self._came = threading.Condition()
        self._heard: deque[Heard] = deque(maxlen=MOST_KEPT)
        self._echoes: Counter[tuple[str, bytes]] = Counter()
        self._from_others: deque[Heard] = deque(maxlen=MOST_KEPT)
        self._flushes = 0
        self._flush_came = 0

    # --- the parts

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
        """Load a setup (the first, if none is named), check every gun, and return the `release` after it."""
        self.controller.load_setup(setup or self.site.setups[0].name)
        for gun in self.cell.guns:
            self.run_check(gun, setup)
        self.advance(5.0)
        return self.latest("release")

    def play(self) -> list[dict[str, Any]]:
        """Play the scenario to its end, with the checks it starts by itself; returns all records."""
        self.cell.runs_checks = True
        self._until(lambda: self.cell.quiet, 14 * 24 * 3600.0)
        self.advance(TAIL_S)
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
        self._flush()
        return [one for one in list(self._heard) if mqtt.topic_matches_sub(topic, one.topic)]

    # --- inside

    def start(self) -> SprayCell:
        """Start the broker and connect."""
        self.broker.start()
        self._client.connect(self.broker.host, self.broker.port)
        self._client.loop_start()
        if not self._subscribed.wait(WAITS_S):
            raise TimeoutError("the embedded broker did not answer")
        return self

    def stop(self) -> None:
        """Disconnect and stop the broker."""
        self._client.disconnect()
        self._client.loop_stop()
        self.broker.stop()

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
        while self._from_others:
            other = self._from_others.popleft()
            self._say(self.agent.take(RawMessage(other.topic, other.payload, self.now_s, 1)).records)
            self.cell.hear(other.topic, other.payload)
        for message in self.cell.advance(self.now_s + seconds):
            self._take(message)
        self._say(self.agent.passed(self.now_s).records)

    def _take(self, message: Message) -> None:
        if self.mirror_readings or message.qos:
            self._mirror(message.topic, message.payload, retain=False)
        raw = RawMessage(message.topic, message.payload, message.t_s, message.qos, message.retain)
        self._say(self.agent.take(raw).records)

    def _say(self, records: Iterable[Record]) -> None:
        for record in records:
            self._records.append(record)
            topic, body = self._topic(record), to_json(record).encode()
            self._mirror(topic, body, retain=record.record in _RETAINED)
            self.cell.hear(topic, body)

    def _topic(self, record: Record) -> str:
        of = str(getattr(record, "name" if record.record == "alert" else "gun", None) or "")
        if record.record in {"check", "wear", "advice", "alert"}:
            return str(getattr(self.topics, record.record)(record.cell, of))
        return str(getattr(self.topics, record.record)(record.cell))

    def _mirror(self, topic: str, data: bytes, *, retain: bool) -> None:
        if not self._subscribed.is_set():
            return
        self._echoes[topic, data] += 1
        self._client.publish(topic, data, qos=1, retain=retain)

    def _flush(self) -> None:
        """Wait until the broker has given back all that was published before."""
        if not self._subscribed.is_set():
            return
        self._flushes += 1
        topic, data = f"{self.site.root}/bench/flush", str(self._flushes).encode()
        self._client.publish(topic, data, qos=1)
        with self._came:
            came = self._came.wait_for(lambda: self._flush_came >= self._flushes, WAITS_S)
        if not came:
            raise TimeoutError("the embedded broker did not give back what was published")

    def _on_connect(self, client: mqtt.Client, *_: Any) -> None:
        client.subscribe(f"{self.site.root}/#", 1)

    def _on_message(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        data = bytes(message.payload)
        with self._came:
            if message.topic == f"{self.site.root}/bench/flush":
                self._flush_came = int(data)
                self._came.notify_all()
                return
            heard = Heard(message.topic, data)
            self._heard.append(heard)
            if self._echoes[message.topic, data] > 0:
                self._echoes[message.topic, data] -= 1
            else:
                self._from_others.append(heard)
