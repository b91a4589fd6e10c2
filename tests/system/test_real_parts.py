"""The real parts themselves: they start on free ports, die and come back, and keep what they should."""

from __future__ import annotations

import json
import subprocess
from typing import Any

import pytest


@pytest.mark.real_part("mosquitto", "mosquitto-clients")
def test_the_broker_keeps_retained_messages_over_a_restart_and_forgets_when_told(mosquitto: Any) -> None:
    port = str(mosquitto.port)
    subprocess.run(
        ["mosquitto_pub", "-p", port, "-t", "a/b", "-m", "kept", "-r", "-q", "1"], check=True, timeout=10
    )
    mosquitto.restart()
    heard = subprocess.run(
        ["mosquitto_sub", "-p", port, "-t", "a/b", "-C", "1", "-W", "5"],
        capture_output=True,
        check=True,
        timeout=10,
    )
    assert heard.stdout.strip() == b"kept"
    mosquitto.restart(forget=True)
    silent = subprocess.run(
        ["mosquitto_sub", "-p", port, "-t", "a/b", "-C", "1", "-W", "1"],
        capture_output=True,
        check=False,
        timeout=10,
    )
    assert silent.stdout == b""


@pytest.mark.real_part("mosquitto")
def test_several_listeners_each_with_its_own_rules(mosquitto_factory: Any) -> None:
    broker = mosquitto_factory(
        config="per_listener_settings true",
        listeners={"open": "allow_anonymous true", "shut": "allow_anonymous false"},
    )
    assert set(broker.ports) == {"open", "shut"}
    assert broker.ports["open"] != broker.ports["shut"]


@pytest.mark.real_part("victoria-metrics")
def test_victoria_metrics_takes_a_line_and_gives_it_back(victoria_metrics: Any) -> None:
    victoria_metrics.get("/api/v2/write?precision=ns", b"probe,cell=parts value=7.5 1700000000000000000")
    victoria_metrics.get("/internal/force_flush")
    answer = victoria_metrics.get("/api/v1/export?match[]=probe_value{cell=%22parts%22}")
    assert json.loads(answer)["values"] == [7.5]


@pytest.mark.real_part("influxd")
def test_influxd_takes_a_line_and_gives_it_back(influxd: Any) -> None:
    influxd.get("/query?q=CREATE+DATABASE+parts", b"")
    influxd.get("/write?db=parts", b"probe,cell=parts value=7.5 1700000000000000000")
    answer = json.loads(influxd.get("/query?db=parts&q=SELECT+value+FROM+probe"))
    assert answer["results"][0]["series"][0]["values"] == [["2023-11-14T22:13:20Z", 7.5]]
