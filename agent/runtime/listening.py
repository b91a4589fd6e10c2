"""Listens to the broker for a while as the agent would, without being the agent: for `shotgram doctor`."""

from __future__ import annotations

import queue
import time
from dataclasses import dataclass, field, replace

from paho.mqtt.client import topic_matches_sub

from agent.contract.inputs import Undecodable
from agent.contract.topics import Topics
from agent.intake.decoder import Decoder
from agent.runtime.canary import Canary
from agent.runtime.clock import SystemClock
from agent.runtime.happenings import Arrival, LinkDown, LinkUp, Subscribed
from agent.runtime.mqtt_link import MqttLink
from agent.runtime.wiring import broker_of
from agent.settings.site import Site

ANSWERS_WITHIN_S = 8.0
MOST_FAULTS = 5


@dataclass(slots=True)
class Heard:
    """What a while of listening showed."""

    version: str | None = None
    """MQTT version of the broker; None where it did not let us in."""
    why: str = ""
    refused: tuple[str, ...] = ()
    canary: bool = False
    counts: dict[str, int] = field(default_factory=dict)
    """Messages by topic filter."""
    faults: list[str] = field(default_factory=list)


def listen(site: Site, seconds: float) -> Heard:
    """Connect under another client id, so that a running agent keeps its session, and count what comes."""
    decoder = Decoder(site.plan)
    filters = decoder.filters(site.mqtt.readings_qos)
    inputs = [name for name, _ in filters if not name.endswith(("/command", "/reply"))]
    heard = Heard(counts=dict.fromkeys(inputs, 0))
    topics = Topics(site.plan.root)
    broker = replace(broker_of(site), client_id=f"{site.client_id}-doctor", keeps_session=False)
    canary = Canary(topics, site.plan.agent, lambda topic, song: link.publish(topic, song, retain=False))
    will = (f"{topics.root}/agent/{site.plan.agent}/doctor/state", b"")
    link = MqttLink(broker, [*filters, (canary.topic, 1)], will, SystemClock())
    link.start()
    began = time.monotonic()
    try:
        while time.monotonic() - began < (seconds if heard.version else ANSWERS_WITHIN_S):
            link.consider_other_version()
            try:
                happening = link.inbox.get(timeout=0.1)
            except queue.Empty:
                continue
            match happening:
                case LinkUp():
                    heard.version, began = happening.version, time.monotonic()
                case LinkDown():
                    # What the broker said counts for more than that the line closed after it.
                    if happening.kind in {"refused", "tls"} or not heard.why:
                        heard.why = happening.why
                case Subscribed():
                    heard.refused = happening.refused
                    canary.send(time.monotonic())
                case Arrival():
                    link.acknowledge(happening)
                    _count(happening, decoder, canary, heard)
                case _:
                    pass
    finally:
        link.stop(will)
    return heard


def _count(arrival: Arrival, decoder: Decoder, canary: Canary, heard: Heard) -> None:
    message = arrival.message
    ours = canary.heard(message.topic, message.payload)
    if ours is not None:
        heard.canary = heard.canary or ours
        return
    for name in heard.counts:
        if topic_matches_sub(name, message.topic):
            heard.counts[name] += 1
    item = decoder.decode(message)
    if isinstance(item, Undecodable) and len(heard.faults) < MOST_FAULTS:
        text = f"{item.topic}: {item.fault}"
        if text not in heard.faults:
            heard.faults.append(text)
