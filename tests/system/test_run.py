"""`shotgram run` as a process against a real Mosquitto."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from running_agent import Listener, RunningAgent, Shots, wait_until

pytestmark = pytest.mark.real_part("mosquitto")


@pytest.fixture
def running(tmp_path: Path, mosquitto: Any) -> Iterator[RunningAgent]:
    agent = RunningAgent(tmp_path, mosquitto.port)
    yield agent
    agent.kill()


@pytest.fixture
def listener(mosquitto: Any) -> Iterator[Listener]:
    heard = Listener(mosquitto.port)
    yield heard
    heard.close()


def state(listener: Listener) -> list[str]:
    return [
        json.loads(p)["state"] for t, p, _ in list(listener.heard) if t == "yard/agent/edge-7/state" and p
    ]


def test_three_shots_become_a_judged_check_and_a_clean_stop(
    running: RunningAgent, listener: Listener
) -> None:
    running.start()
    wait_until(lambda: "online" in state(listener))
    assert "MQTT 5" in running.log_text()
    shots = Shots(listener)
    shots.rest(4.0)
    for _ in range(3):
        shots.shoot(4.0)
        shots.rest(7.5)
    wait_until(lambda: bool(listener.records("check")))
    dispenses = listener.records("dispense")
    assert [d["gun"] for d in dispenses] == ["port"] * 3
    for dispense in dispenses:
        # 1.4 g/s is 84 g/min apparent; buoyancy adds 0.12 %.
        assert dispense["flow_g_per_min"] == pytest.approx(84.0, rel=0.01)
    check = listener.records("check")[-1]
    assert check["verdict"] == "pass"
    assert len(check["shots"]) == 3
    began = time.monotonic()
    assert running.stop(signal.SIGTERM) == 0
    assert time.monotonic() - began < 5.0
    wait_until(lambda: state(listener)[-1] == "offline")


def test_retained_state_meets_a_late_listener_and_the_will_speaks_for_the_dead(
    running: RunningAgent, listener: Listener, mosquitto: Any
) -> None:
    running.start()
    wait_until(lambda: "online" in state(listener))
    late = Listener(mosquitto.port, name="late")
    wait_until(lambda: any(t.endswith("/state") and r for t, _, r in late.heard))
    running.kill()
    wait_until(lambda: state(listener)[-1] == "offline", 30.0)
    late.close()


def test_a_redelivered_event_and_a_restart_change_nothing(
    running: RunningAgent, listener: Listener, tmp_path: Path
) -> None:
    running.start()
    wait_until(lambda: "online" in state(listener))
    event = {"event": "setup_loaded", "t": time.time(), "id": "load-1", "setup": "gearbox-primer"}
    listener.say("yard/booth-2/controller/event", event)
    listener.say("yard/booth-2/controller/event", event)
    wait_until(lambda: bool(listener.records("release")))
    assert running.stop() == 0
    before = len(listener.records("release"))
    running.start()
    wait_until(lambda: state(listener).count("online") >= 2)
    listener.say("yard/booth-2/controller/event", event)
    time.sleep(1.0)
    assert len(listener.records("release")) == before == 1
    assert running.stop() == 0


def test_the_broker_goes_and_comes_back_while_a_record_waits(
    running: RunningAgent, listener: Listener, mosquitto: Any
) -> None:
    running.start()
    wait_until(lambda: "online" in state(listener))
    mosquitto.kill()
    wait_until(lambda: "no broker" in running.log_text())
    mosquitto.start()
    wait_until(lambda: running.log_text().count("connected to") >= 2, 30.0)
    listener.say(
        "yard/booth-2/controller/event",
        {"event": "setup_loaded", "t": time.time(), "id": "load-2", "setup": "gearbox-primer"},
    )
    wait_until(lambda: bool(listener.records("release")))
    assert running.stop() == 0


def test_bad_input_is_warned_of_and_changes_nothing(running: RunningAgent, listener: Listener) -> None:
    running.start()
    wait_until(lambda: "online" in state(listener))
    for body in ("nonsense", float("nan"), {"value": "x"}, {"value": 1e300}, {"value": 1, "unit": "stone"}):
        listener.say("yard/booth-2/scale/bench/reading", body)
    listener.say("yard/booth-9/controller/event", {"event": "setup_loaded", "setup": "x"})
    wait_until(lambda: "dropped a message" in running.log_text())
    assert running.stop() == 0
    assert "Traceback" not in running.log_text()
    assert listener.records("dispense") == []


def test_a_second_agent_on_the_same_journal_does_not_start(
    running: RunningAgent, listener: Listener, tmp_path: Path
) -> None:
    running.start()
    wait_until(lambda: "online" in state(listener))
    second = subprocess.run(
        [sys.executable, "-m", "agent", "run", "--config", str(running.config)],
        capture_output=True,
        text=True,
        timeout=30,
        check=False,
    )
    assert second.returncode == 1
    assert "another agent" in second.stderr
    assert running.stop() == 0


def test_a_wrong_configuration_is_refused_with_status_2(tmp_path: Path) -> None:
    wrong = tmp_path / "wrong.toml"
    wrong.write_text("[agent]\nid = 7\n[mqtt]\nport = 99999\n")
    done = subprocess.run(
        [sys.executable, "-m", "agent", "run", "--config", str(wrong)],
        capture_output=True,
        text=True,
        timeout=30,
        check=False,
    )
    assert done.returncode == 2
    assert "faults" in done.stderr
