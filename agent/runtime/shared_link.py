"""A link to the broker for one of several like agents: it always listens, and speaks only in its turn.

Two connections. The ear has a client id of its own, a user of its own where the broker knows its clients by
name, and a session that is kept: what comes is heard, computed and journalled, in turn or not. The voice has
the client id that all share, and only whoever has the turn (`lease`) opens it: the broker itself sees to it
that there is one voice. What does not go through this broker asks `surely_holds`.

Silence may be the ear's own: a pulled cable looks for a minute like a line on which nobody speaks. So the
broker is asked something before the turn is claimed, and its answer comes behind all that was said before.
"""

from __future__ import annotations

import json
import logging
import queue
import threading
import time
from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import paho.mqtt.client as paho

from agent.broker.client import Address, Client
from agent.runtime.clock import Clock
from agent.runtime.happenings import Happening, LinkDown, LinkUp, Published, TurnChanged
from agent.runtime.lease import RENEW_S, SILENT_S, Lease
from agent.runtime.mqtt_link import REFUSED, MqttLink

log = logging.getLogger(__name__)

CONNECTS_WITHIN_S = 3.0
"""A claim that took longer is given up: it may be stale."""
ASKED_AGAIN_S = 2.0
"""A question to the broker that has no answer for so long is asked again."""
VOICE_KEEPALIVE_S = 3
MOST_OVERHEARD = 20_000
MOST_RENEWALS = 16


@dataclass(frozen=True, slots=True)
class Ear:
    """What one of several like agents listens with."""

    name: str
    """Tells it from the others."""
    broker: Address


class SharedLink(MqttLink):
    """As `MqttLink`; `publish` says None while it is another's turn. The worker calls `step` often."""

    def __init__(
        self,
        broker: Address,
        filters: Sequence[tuple[str, int]],
        will: tuple[str, bytes],
        clock: Clock,
        *,
        ear: Ear,
        told: Sequence[str],
    ) -> None:
        """`broker` is how all speak, `ear` how this one listens; `told` filters what they say."""
        state_topic, _ = will
        self._lease_topic = state_topic.removesuffix("/state") + "/lease"
        self._state_topic = state_topic
        self._told = [*told]
        self.holds = False
        """Whether it is our turn."""
        self.lease = Lease(ear.name)
        self.overheard: OrderedDict[str, None] = OrderedDict()
        """Ids of the records that were told lately, by us or by others."""
        self._me = ear.name
        self._shared = broker
        self._voice_will = will
        self._voice: MqttLink | None = None
        self._claimed_s = 0.0
        self._renewed_s = 0.0
        self._renewals: dict[int, float] = {}
        self._renewed_for_certain_s = float("-inf")
        self._refusal_told = False
        self._question: int | None = None
        """Number of the packet that asks whether the ear's line stands; None where nothing is asked."""
        self._asked_s = 0.0
        self._answer: int | None = None
        self._guard = threading.Lock()
        own = [(name, 0) for name in (self._lease_topic, self._state_topic, *self._told)]
        super().__init__(
            ear.broker,
            [*filters, *own],
            None,  # the ear's end is no news to anybody
            clock,
        )

    def step(self, now_s: float) -> None:
        """Listen to the voice's line, claim the turn where nobody has it, renew it where it is ours."""
        if self._voice is not None:
            self._hear_voice(self._voice)
        # In this order: what was said before the answer has been heard when the turn is looked at.
        stands = self._question is not None and self._question == self._answer
        with self._guard:
            vacant = self.lease.vacant(now_s, listening=self.connected)
        voice = self._voice
        if voice is None:
            self._seek(now_s, vacant=vacant, stands=stands)
        elif not self.holds:
            if now_s - self._claimed_s > CONNECTS_WITHIN_S:
                self._yield("the broker did not let us speak in time")
        elif not voice.thread_alive():
            self._yield("the thread of the line died")
        elif now_s - self._renewed_s >= RENEW_S:
            self._renew(voice, now_s)

    @property
    def surely_holds(self) -> bool:
        """Whether it is our turn for certain: what we renewed within `SILENT_S` the broker has taken.

        Nobody claims the turn before it was silent for longer. By our own monotonic clock, which goes on
        while the process is stopped.
        """
        return self.holds and time.monotonic() - self._renewed_for_certain_s < SILENT_S

    def publish(self, topic: str, payload: bytes, *, retain: bool) -> int | None:
        """Publish with QoS 1 through the voice; None where it is not our turn."""
        voice = self._voice
        return voice.publish(topic, payload, retain=retain) if self.holds and voice is not None else None

    def stop(self, farewell: tuple[str, bytes] | None = None, wait_s: float = 2.0) -> None:
        """Say goodbye where it is our turn, and leave."""
        if self._voice is not None:
            self._voice.stop(farewell if self.holds else None, wait_s)
        self.holds, self._voice = False, None
        super().stop(None, wait_s)

    def held_by_another(self) -> bool:
        """Whether another one has the turn for certain."""
        with self._guard:
            return not self.holds and self.lease.held_by_another(time.monotonic())

    def _seek(self, now_s: float, *, vacant: bool, stands: bool) -> None:
        if not vacant:
            self._question = None
        elif stands:
            self._question = None
            self._claim(now_s)
        elif self._question is None or now_s - self._asked_s > ASKED_AGAIN_S:
            # A filter that nobody has: answered all the same (MQTT 5, 3.10.4-5; MQTT 3.1.1, 3.10.4-5).
            self._answer, self._asked_s = None, now_s
            _, self._question = self._client.unsubscribe(f"{self._lease_topic}/asked")

    def _claim(self, now_s: float) -> None:
        with self._guard:
            self.lease.claimed(now_s)
        log.info("nobody has the turn to speak: claiming it")
        broker = replace(
            self._shared,
            version=self.version,
            keeps_session=False,
            reconnects=False,
            keepalive_s=min(self._shared.keepalive_s, VOICE_KEEPALIVE_S),
            connect_timeout_s=min(self._shared.connect_timeout_s, 2.0),
        )
        self._claimed_s = now_s
        self._voice = MqttLink(broker, [], self._voice_will, self._clock, queue.SimpleQueue())
        self._voice.start()

    def _hear_voice(self, voice: MqttLink) -> None:
        while True:
            try:
                happening: Happening = voice.inbox.get_nowait()
            except queue.Empty:
                return
            match happening:
                case LinkUp():
                    self.holds = True
                    self._renew(voice, time.monotonic())
                    self.inbox.put(TurnChanged(True, "nobody else spoke"))
                case Published() if happening.mid in self._renewals:
                    self._renewed(self._renewals.pop(happening.mid), happening.reason)
                case Published():
                    self.inbox.put(replace(happening, generation=self.generation))
                case LinkDown():
                    self._yield(happening.why)
                    return
                case _:
                    pass

    def _renew(self, voice: MqttLink, now_s: float) -> None:
        self._renewed_s = now_s
        mid = voice.publish(self._lease_topic, json.dumps({"holder": self._me}).encode(), retain=True)
        if mid is not None:
            self._renewals[mid] = now_s
            while len(self._renewals) > MOST_RENEWALS:
                del self._renewals[next(iter(self._renewals))]

    def _renewed(self, sent_s: float, reason: int) -> None:
        if reason < REFUSED:
            self._renewed_for_certain_s = sent_s
        elif not self._refusal_told:
            self._refusal_told = True
            log.error(
                "the broker refuses %s: its access list does not let agents stand by", self._lease_topic
            )

    def _yield(self, why: str) -> None:
        # It is not taken back by itself: another may have it by now.
        voice, held = self._voice, self.holds
        self._voice, self.holds = None, False
        self._renewals.clear()
        self._renewed_for_certain_s = float("-inf")
        with self._guard:
            self.lease.claimed(time.monotonic())
        if voice is not None:
            voice.stop(None)
        if held:
            self.inbox.put(TurnChanged(False, why))

    def _make_client(self) -> Client:
        client = super()._make_client()
        client.on_unsubscribe = self._on_unsubscribe
        return client

    # In the thread of the ear's line.

    def _on_unsubscribe(
        self, _client: paho.Client, _data: Any, mid: int, _reasons: Any, _properties: Any
    ) -> None:
        self._answer = mid

    def _on_message(self, client: paho.Client, data: Any, message: paho.MQTTMessage) -> None:
        try:
            topic = message.topic
        except UnicodeDecodeError:
            topic = ""
        if topic == self._lease_topic:
            self._heard_lease(message.payload)
        elif topic == self._state_topic:
            if not message.retain and b'"offline"' in message.payload:
                with self._guard:
                    self.lease.ended(time.monotonic())
        elif any(paho.topic_matches_sub(one, topic) for one in self._told):
            self._overheard(message.payload)
        else:
            super()._on_message(client, data, message)
            return
        if message.qos:
            # It waits for its acknowledgement like any other, and means nothing to the rooms.
            super()._on_message(client, data, message)

    def _heard_lease(self, payload: bytes | bytearray) -> None:
        try:
            holder = str(json.loads(payload)["holder"])
        except (ValueError, KeyError, TypeError):
            return
        with self._guard:
            self.lease.renewed(holder, time.monotonic())

    def _overheard(self, payload: bytes | bytearray) -> None:
        try:
            name = str(json.loads(payload)["id"])
        except (ValueError, KeyError, TypeError):
            return
        with self._guard:
            self.overheard[name] = None
            while len(self.overheard) > MOST_OVERHEARD:
                self.overheard.popitem(last=False)

    def was_told(self, name: str) -> bool:
        """Whether a record of this id was heard to be told."""
        with self._guard:
            return name in self.overheard
