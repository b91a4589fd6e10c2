"""Two like agents on one broker: one speaks, the other takes over when it dies, and never do both speak.

The broker is a site's, with TLS and exactly the files that deploy/make-site.sh writes: its access list, and a
client id made of the certificate's name.

Source of the fence: MQTT 5, [MQTT-3.1.4-3]: where a client id is connected already, the server closes the
network connection of the existing client.
"""

from __future__ import annotations

import json
import os
import signal
import threading
import time
from collections.abc import Callable, Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from fault_proxy import FaultProxy
from running_agent import Shots, wait_until
from site_broker import SiteBroker, start_site_broker
from standing_by import SITE, Pair, keys

from agent.runtime.lease import APART_S, SILENT_S

pytestmark = [pytest.mark.real_part("mosquitto", "openssl"), pytest.mark.timeout(180)]

TAKES_OVER_S = 10.0


@pytest.fixture
def site(tmp_path: Path) -> Iterator[SiteBroker]:
    broker = start_site_broker(tmp_path, SITE)
    yield broker
    broker.leave()
    broker.part.stop()


@pytest.fixture
def pair(tmp_path: Path, site: SiteBroker) -> Iterator[Pair]:
    two = Pair(tmp_path, site)
    yield two
    two.close()


def _killed(pair: Pair) -> None:
    pair.agents[0].kill()


def _stopped(pair: Pair) -> None:
    os.kill(pair.agents[0].pid, signal.SIGSTOP)


def _cable_pulled(pair: Pair) -> None:
    pair.cable.pull()


@pytest.mark.parametrize("strike", [_killed, _stopped, _cable_pulled])
def test_the_other_takes_over_within_ten_seconds_and_tells_the_shot_that_ran(
    pair: Pair, strike: Callable[[Pair], None]
) -> None:
    pair.start()
    assert len(pair.holders()) == 1
    shots = Shots(pair.listener)
    shots.rest(4.0)
    shots.shoot(4.0)
    shots.rest(12.0)
    wait_until(lambda: len(pair.dispenses()) == 1, 60.0)
    struck = threading.Timer(2.0, strike, [pair])
    struck.start()
    began = time.monotonic() + 2.0
    took: list[float] = []

    def watch() -> None:
        while len(pair.holders()) < 2 and time.monotonic() < began + 30.0:
            time.sleep(0.05)
        took.append(time.monotonic() - began)

    watcher = threading.Thread(target=watch)
    watcher.start()
    shots.shoot(4.0)
    shots.rest(13.0)
    watcher.join()
    assert took[0] < TAKES_OVER_S, pair.agents[1].log_text()
    wait_until(lambda: len(pair.dispenses()) == 2, 60.0)
    flows = {body["id"]: body["flow_g_per_min"] for body in pair.listener.records("dispense")}
    for flow in flows.values():
        assert flow == pytest.approx(84.0, rel=0.02)
    assert pair.said_alike()
    assert strike is _killed or set(pair.dispenses().values()) == {1}
    # The one that was struck comes back, and does not speak: its connection is not its any more.
    if strike is _killed:
        pair.agents[0].start()
    elif strike is _stopped:
        os.kill(pair.agents[0].pid, signal.SIGCONT)
    else:
        pair.cable.mend()
    shots.shoot(4.0)
    shots.rest(13.0)
    wait_until(lambda: len(pair.dispenses()) == 3, 60.0)
    time.sleep(2.0)
    # A machine that stands still for seconds costs the speaking one its turn by the lease; else it keeps it.
    turns = pair.holders()
    assert 2 <= len(turns) <= 3
    assert all(one != other for one, other in pairwise(turns))
    assert pair.said_alike()
    # And back: the turn goes to the one that was struck, which heard it all.
    if strike is _stopped and len(turns) == 2:
        pair.agents[1].kill()
        wait_until(lambda: len(pair.holders()) == 3, TAKES_OVER_S)
        assert pair.holders()[2] == pair.holders()[0]
        time.sleep(3.0)
        assert pair.said_alike()


def test_silence_on_a_pulled_cable_is_no_vacant_turn(pair: Pair) -> None:
    pair.start()
    speaking = pair.agents[0]
    pair.cable.pull()
    wait_until(lambda: len(pair.holders()) == 2, TAKES_OVER_S)
    wait_until(lambda: "no longer our turn" in speaking.log_text(), TAKES_OVER_S)
    # It hears nobody, and its line looks whole: past all silence that it waits for, the cable is back.
    time.sleep(SILENT_S + APART_S + 1.5)
    pair.cable.mend()
    time.sleep(8.0)
    assert speaking.log_text().count("claiming it") == 1, speaking.log_text()
    assert len(pair.holders()) == 2
    # Whoever waits still takes over when it can hear that nobody speaks.
    pair.agents[1].kill()
    wait_until(lambda: len(pair.holders()) == 3, TAKES_OVER_S)


def test_a_goodbye_hands_over_at_once(pair: Pair) -> None:
    pair.start()
    began = time.monotonic()
    assert pair.agents[0].stop(signal.SIGTERM) == 0
    wait_until(lambda: len(pair.holders()) == 2, TAKES_OVER_S)
    assert time.monotonic() - began < 5.0
    wait_until(
        lambda: (
            [json.loads(p)["state"] for t, p, _ in pair.listener.heard if t.endswith("/state")][-1]
            == "online"
        )
    )


def test_a_broker_that_restarts_leaves_one_voice(pair: Pair) -> None:
    pair.start()
    pair.broker.part.kill()
    pair.broker.part.spawn(pair.broker.port)
    turns = len(pair.holders())
    wait_until(lambda: sum("our turn to speak: nobody" in a.log_text() for a in pair.agents) >= 1, 30.0)
    time.sleep(8.0)
    assert len(pair.holders()) in (turns, turns + 1)
    fenced = pair.broker.part.log.read_text().count("already connected")
    assert fenced == 0, "two claimed at the same time although they wait apart"


@pytest.mark.real_part("victoria-metrics")
def test_database_people_and_scada_hear_from_whoever_has_the_turn_alone(
    tmp_path: Path, site: SiteBroker, victoria_metrics: Any
) -> None:
    database = {name: FaultProxy(victoria_metrics.port).start() for name in "ab"}
    people = {name: FaultProxy(victoria_metrics.port).start() for name in "ab"}
    more = {}
    calls: list[str] = []

    def taken(name: str) -> Callable[[str, bytes], tuple[int, dict[str, str], bytes]]:
        def rule(_path: str, _body: bytes) -> tuple[int, dict[str, str], bytes]:
            calls.append(name)
            return 200, {}, b""

        return rule

    for name in "ab":
        people[name].rule = taken(name)
        (tmp_path / f"people-{name}").write_text(f"json://127.0.0.1:{people[name].port}/\n")
        more[name] = (
            f'\n[influx]\nurl = "{database[name].url}"\norg = "shop"\nbucket = "flow"\n'
            f'[notify]\nurls_file = "{tmp_path}/people-{name}"\nmin_priority = "low"\n'
            f'[sparkplug]\ngroup = "shop"\n{keys(site, "edge-7-sparkplug", authority=False)}\n'
        )
    births: list[str] = []
    scada = site.client("scada", reconnects=True)
    scada.on_connect = lambda client, *_: client.subscribe("spBv1.0/shop/#", 1)
    scada.on_message = lambda _c, _d, message: births.append(message.topic.split("/")[2])
    scada.connect("127.0.0.1", site.port)
    scada.loop_start()
    pair = Pair(tmp_path, site, more)

    def written(name: str) -> int:
        return sum(b"flow" in body for body in database[name].bodies)

    try:
        pair.start()
        shots = Shots(pair.listener)
        shots.rest(4.0)
        shots.shoot(4.0)
        shots.rest(8.0)
        shots.lose_readings(40)
        shots.rest(5.0)
        wait_until(lambda: written("a") > 0 and "a" in calls and births.count("NBIRTH") == 1, 30.0)
        assert written("b") == calls.count("b") == 0

        os.kill(pair.agents[0].pid, signal.SIGSTOP)
        wait_until(lambda: len(pair.holders()) == 2, TAKES_OVER_S)
        wait_until(lambda: births.count("NBIRTH") == 2, 60.0)
        before = written("b")
        shots.rest(4.0)
        shots.shoot(4.0)
        shots.rest(8.0)
        wait_until(lambda: written("b") > before, 60.0)

        # It wakes, and does not know at once that another one speaks.
        by_a = written("a"), calls.count("a")
        os.kill(pair.agents[0].pid, signal.SIGCONT)
        shots.lose_readings(40)
        shots.shoot(4.0)
        shots.rest(10.0)
        wait_until(lambda: "b" in calls, 60.0)
        assert (written("a"), calls.count("a")) == by_a
        assert births.count("NBIRTH") == 2
        assert len(pair.holders()) == 2
    finally:
        pair.close()
        for proxy in (*database.values(), *people.values()):
            proxy.stop()
