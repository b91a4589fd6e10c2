"""Two agents that stand by for each other, as processes, at a broker as deploy/make-site.sh sets it up."""

from __future__ import annotations

import json
import os
import signal
import time
from collections import Counter
from pathlib import Path
from typing import Any

from cable import Cable
from running_agent import Listener, RunningAgent, wait_until
from site_broker import SiteBroker

SITE = "--root yard --agent edge-7 --cell booth-2 --standby a --standby b --sparkplug shop"


class SiteListener(Listener):
    """Hears everything as the people who look after the cells; speaks as the bridge and the controller."""

    def __init__(self, site: SiteBroker) -> None:
        self.heard = []
        self._client = site.client("maintenance", reconnects=True)
        self._client.on_connect = lambda client, *_: client.subscribe("yard/#", 1)
        self._client.on_message = lambda _c, _d, m: self.heard.append((m.topic, bytes(m.payload), m.retain))
        self._bridge = site.client("edge-7-bridge", reconnects=True)
        self._controller = site.client("booth-2-controller", reconnects=True)
        for client in (self._client, self._bridge, self._controller):
            client.connect("127.0.0.1", site.port)
            client.loop_start()

    def say(self, topic: str, body: Any, qos: int = 1) -> None:
        who = self._bridge if "/scale/" in topic else self._controller
        who.publish(topic, json.dumps(body), qos).wait_for_publish(5.0)


class Pair:
    """Two agents of one configuration, each with a folder of its own, and an ear for what they say."""

    def __init__(self, folder: Path, broker: SiteBroker, more: dict[str, str] | None = None) -> None:
        self.broker = broker
        self.cable = Cable(broker.port)
        self.agents: list[RunningAgent] = []
        for name, port in (("a", self.cable.port), ("b", broker.port)):
            (folder / name).mkdir()
            agent = RunningAgent(folder / name, port, (more or {}).get(name, ""))
            text = agent.config.read_text().replace(
                'root = "yard"', f'root = "yard"\n{keys(broker, "edge-7")}'
            )
            ear = f'[standby]\nname = "{name}"\n{keys(broker, f"edge-7-{name}", authority=False)}\n'
            agent.config.write_text(text.replace("[[setups]]", f"{ear}\n[[setups]]"))
            self.agents.append(agent)
        self.listener = SiteListener(broker)

    def start(self) -> None:
        """The first agent has the turn, the second stands by."""
        first, second = self.agents
        first.start()
        wait_until(lambda: bool(self.holders()), 30.0)
        second.start()
        wait_until(lambda: "connected to" in second.log_text(), 30.0)
        time.sleep(2.0)

    def holders(self) -> list[str]:
        """Who renewed the lease, in order, each turn once."""
        turns: list[str] = []
        for topic, payload, retained in list(self.listener.heard):
            if topic == "yard/agent/edge-7/lease" and not retained:
                holder = json.loads(payload)["holder"]
                if not turns or turns[-1] != holder:
                    turns.append(holder)
        return turns

    def dispenses(self) -> Counter[str]:
        return Counter(body["id"] for body in self.listener.records("dispense"))

    def said_alike(self) -> bool:
        """No dispense was said in two ways; the same bytes may come twice after a crash."""
        bodies = self.listener.records("dispense")
        return len({json.dumps(body, sort_keys=True) for body in bodies}) == len(
            {body["id"] for body in bodies}
        )

    def close(self) -> None:
        for agent in self.agents:
            if agent._process is not None:
                os.kill(agent.pid, signal.SIGCONT) if agent._process.poll() is None else None
            agent.kill()
        self.cable.close()
        self.listener.close()


def keys(site: SiteBroker, user: str, *, authority: bool = True) -> str:
    """Lines of a configuration that show a user's certificate."""
    cert, key = site.certificate(user)
    lines = [f'ca_file = "{site.authority}"'] if authority else []
    return "\n".join([*lines, f'cert_file = "{cert}"', f'key_file = "{key}"'])
