"""What a broker lacks is found out by trying. The rules tried: MQTT 3.1.1, [MQTT-3.3.1-6] and [MQTT-3.3.1-8]
(a retained message goes to a new matching subscription, marked as retained).
"""

from __future__ import annotations

import pytest
from paho.mqtt.client import topic_matches_sub

from agent.contract.inputs import RawMessage
from agent.runtime.abilities import PATIENCE_S, Abilities
from agent.runtime.happenings import LinkUp

TOPIC = "yard/agent/edge-7/canary"


class Broker:
    """A broker's rules for retained messages, or for what it has of them."""

    def __init__(self, *, retained: bool = True, wildcard: bool = True) -> None:
        self.heard: list[RawMessage] = []
        self.filters = [TOPIC]
        self.kept: dict[str, bytes] = {}
        self._retained, self._wildcard = retained, wildcard

    def publish(self, topic: str, payload: bytes, *, retain: bool) -> int | None:
        self.heard.append(RawMessage(topic, payload, 0.0))
        self.kept[topic] = payload
        return 1

    def ask_for(self, name: str) -> None:
        self.filters.append(name)
        if not self._retained or ("+" in name and not self._wildcard):
            return
        self.heard += [
            RawMessage(topic, payload, 0.0, retain=True)
            for topic, payload in self.kept.items()
            if topic_matches_sub(name, topic)
        ]

    def leave(self, name: str) -> None:
        self.filters.remove(name)


def tried(broker: Broker, version: str = "3.1.1", lacks: tuple[str, ...] = ()) -> Abilities:
    abilities = Abilities(TOPIC, broker)
    abilities.line_up(LinkUp(1, False, version, lacks))
    for second in range(3 * int(PATIENCE_S) + 3):
        while broker.heard:
            abilities.heard(broker.heard.pop(0), float(second))
        abilities.step(float(second))
    return abilities


@pytest.mark.parametrize(
    ("broker", "words"),
    [
        (Broker(), ["MQTT 5"]),
        (Broker(wildcard=False), ["MQTT 5", "retained messages for subscriptions with a wildcard"]),
        (Broker(retained=False), ["MQTT 5", "retained messages: who comes later"]),
    ],
)
def test_what_is_missing_is_said_and_nothing_else(broker: Broker, words: list[str]) -> None:
    abilities = tried(broker)
    assert len(abilities.lacks) == len(words)
    assert all(said.startswith(word) for said, word in zip(abilities.lacks, words, strict=True))
    # Nothing of the trial stays behind.
    assert broker.kept[TOPIC] == b""
    assert not [name for name in broker.filters if "+" in name]


def test_a_broker_of_mqtt_5_says_itself_what_it_lacks() -> None:
    broker = Broker()
    assert tried(broker, "5").lacks == []
    assert tried(broker, "5", ("retained messages: gone",)).lacks == ["retained messages: gone"]
    assert broker.kept == {}


def test_a_lowered_qos_is_told_once() -> None:
    abilities = Abilities(TOPIC, Broker())
    for _ in range(2):
        abilities.lowered(["yard/booth-2/controller/event"])
    assert len(abilities.lacks) == 1
    assert "yard/booth-2/controller/event" in abilities.lacks[0]


def test_the_canary_itself_is_left_alone() -> None:
    abilities = Abilities(TOPIC, Broker())
    assert not abilities.heard(RawMessage(TOPIC, b"another song", 0.0), 0.0)
    assert not abilities.heard(RawMessage("yard/booth-2/reply", b"", 0.0), 0.0)
