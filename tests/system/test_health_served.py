"""/health and /metrics of a running agent, as Prometheus and a service manager meet them."""

from __future__ import annotations

import json
import sqlite3
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import real_parts
from live_cell import live_cell
from parts_found import needed
from prometheus_client.openmetrics.parser import text_string_to_metric_families
from running_agent import Listener, RunningAgent, Shots, wait_until

HERE = Path(__file__).parents[2] / "deploy" / "prometheus"
pytestmark = pytest.mark.timeout(300)
OPENMETRICS = "application/openmetrics-text; version=1.0.0"


def get(url: str, accept: str = "*/*") -> tuple[int, str, str]:
    asked = urllib.request.Request(url, headers={"accept": accept})  # noqa: S310
    try:
        with urllib.request.urlopen(asked, timeout=10.0) as answer:  # noqa: S310
            return answer.status, answer.headers["content-type"], answer.read().decode()
    except urllib.error.HTTPError as fault:
        with fault:
            return fault.code, fault.headers["content-type"], fault.read().decode()


def sample(url: str, name: str, /, **labels: str) -> float | None:
    _, _, text = get(f"{url}/metrics", OPENMETRICS)
    for family in text_string_to_metric_families(text):
        for one in family.samples:
            if one.name == name and all(one.labels.get(key) == value for key, value in labels.items()):
                return float(one.value)
    return None


def health(url: str) -> tuple[int, dict[str, Any]]:
    status, _, text = get(f"{url}/health")
    return status, json.loads(text)


def answers(url: str) -> bool:
    try:
        return get(f"{url}/health")[0] == 200
    except OSError:
        return False


@pytest.fixture
def served(tmp_path: Path, mosquitto: Any) -> Iterator[tuple[RunningAgent, str]]:
    port = real_parts.free_port()
    agent = RunningAgent(tmp_path, mosquitto.port, f"\n[health]\nenabled = true\nport = {port}\n").start()
    url = f"http://127.0.0.1:{port}"
    wait_until(lambda: answers(url), 60.0)
    yield agent, url
    agent.kill()


@pytest.mark.real_part("mosquitto")
@pytest.mark.real_part("prometheus")
def test_what_came_in_is_counted_and_prometheus_can_read_it(
    served: tuple[RunningAgent, str], mosquitto: Any
) -> None:
    agent, url = served
    listener = Listener(mosquitto.port)
    wait_until(lambda: sample(url, "shotgram_broker_connected") == 1.0)
    for body in ("nonsense", {"value": "x"}, {"value": 1, "unit": "stone"}):
        listener.say("yard/booth-2/scale/bench/reading", body)
    listener.say("yard/booth-9/controller/event", {"event": "setup_loaded", "setup": "x"})
    shots = Shots(listener)
    shots.rest(3.0)
    shots.shoot(4.0)
    shots.rest(6.0)
    wait_until(
        lambda: sample(url, "shotgram_dispenses_total", cell="booth-2", purpose="shot", quality="good") == 1.0
    )
    assert sample(url, "shotgram_messages_total", cell="booth-2", kind="event") == 2.0
    assert (sample(url, "shotgram_messages_total", cell="booth-2", kind="reading") or 0.0) > 100.0
    assert sample(url, "shotgram_messages_dropped_total", cause="unit") == 1.0
    assert sample(url, "shotgram_messages_dropped_total", cause="overload") == 0.0
    assert sample(url, "shotgram_fit_seconds_count") == 1.0
    assert 0.0 < (sample(url, "shotgram_fit_seconds_sum") or 0.0) < 30.0
    assert (sample(url, "shotgram_scale_message_age_seconds", scale="bench") or 99.0) < 60.0
    assert sample(url, "shotgram_outbox_records", outlet="mqtt") == 0.0
    assert (sample(url, "shotgram_journal_rows") or 0.0) >= 1.0
    status, body = health(url)
    assert (status, body["healthy"], body["broker_connected"]) == (200, True, True)
    # Both forms: OpenMetrics 1.0 (parsed above by the reference library) and Prometheus' own text.
    assert get(f"{url}/metrics", OPENMETRICS)[1].startswith("application/openmetrics-text")
    _, kind, text = get(f"{url}/metrics", "text/plain")
    assert kind.startswith("text/plain")
    done = subprocess.run(
        [needed("prometheus"), "check", "metrics"], input=text, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    listener.close()
    assert agent.stop() == 0


@pytest.mark.real_part("mosquitto")
def test_a_broker_that_is_away_is_told_and_is_no_illness(
    served: tuple[RunningAgent, str], mosquitto: Any
) -> None:
    _, url = served
    wait_until(lambda: sample(url, "shotgram_broker_connected") == 1.0)
    mosquitto.kill()
    wait_until(lambda: sample(url, "shotgram_broker_connected") == 0.0)
    wait_until(lambda: sample(url, "shotgram_trouble", name="broker-lost") == 1.0)
    status, body = health(url)
    assert status == 200
    assert "broker-lost" in body["troubles"]


@pytest.mark.real_part("mosquitto")
def test_a_journal_that_takes_nothing_is_an_illness_until_it_does_again(
    served: tuple[RunningAgent, str], mosquitto: Any
) -> None:
    agent, url = served
    wait_until(lambda: sample(url, "shotgram_broker_connected") == 1.0)
    blocker = sqlite3.connect(agent.folder / "state" / "journal.db", isolation_level=None)
    blocker.execute("BEGIN IMMEDIATE")
    listener = Listener(mosquitto.port)
    try:
        event = {"event": "setup_loaded", "t": time.time(), "id": "load-1", "setup": "gearbox-primer"}
        listener.say("yard/booth-2/controller/event", event)
        wait_until(lambda: health(url)[0] == 503, 30.0)
        codes = {reason["code"] for reason in health(url)[1]["reasons"]}
        assert codes <= {"journal-not-writable", "worker-stuck"}
        wait_until(lambda: sample(url, "shotgram_journal_writable") == 0.0, 15.0)
        assert sample(url, "shotgram_healthy") == 0.0
    finally:
        blocker.execute("ROLLBACK")
        blocker.close()
    wait_until(lambda: health(url)[0] == 200, 30.0)
    wait_until(lambda: bool(listener.records("release")))
    listener.close()


@pytest.mark.real_part("mosquitto")
def test_a_worker_that_ended_is_an_illness(tmp_path: Path, mosquitto: Any) -> None:
    with live_cell(tmp_path, mosquitto.port) as live:
        wait_until(lambda: health(live.health_url)[0] == 200)
        live.stop_worker.set()
        wait_until(lambda: health(live.health_url)[0] == 503)
        assert "worker-dead" in {reason["code"] for reason in health(live.health_url)[1]["reasons"]}


@pytest.mark.real_part("mosquitto")
def test_nothing_can_be_changed_from_here(served: tuple[RunningAgent, str]) -> None:
    _, url = served
    for method in ("POST", "PUT", "DELETE"):
        asked = urllib.request.Request(f"{url}/metrics", data=b"{}", method=method)  # noqa: S310
        with pytest.raises(urllib.error.HTTPError) as refused:
            urllib.request.urlopen(asked, timeout=10.0)  # noqa: S310
        assert refused.value.code == 405
        refused.value.close()


@pytest.mark.real_part("mosquitto")
def test_a_port_that_is_taken_does_not_keep_the_agent_from_its_work(tmp_path: Path, mosquitto: Any) -> None:
    taken = mosquitto.port
    agent = RunningAgent(tmp_path, mosquitto.port, f"\n[health]\nenabled = true\nport = {taken}\n").start()
    try:
        wait_until(lambda: "is not served" in agent.log_text() and "connected to" in agent.log_text())
        assert str(taken) in agent.log_text()
        assert agent.stop() == 0
    finally:
        agent.kill()


def test_an_agent_that_serves_nothing_loads_no_server(tmp_path: Path) -> None:
    code = (
        "import sys\n"
        "from pathlib import Path\n"
        "from running_agent import SITE\n"
        "from agent.settings.load import load\n"
        "from agent.runtime.service import Service\n"
        "config = Path(sys.argv[1]); config.write_text(SITE.format(port=1))\n"
        "service = Service(load(config)); service.journal.close()\n"
        "found = {'starlette', 'uvicorn', 'prometheus_client', 'anyio'} & set(sys.modules)\n"
        "sys.exit(', '.join(found) or 0)\n"
    )
    support = Path(__file__).parents[1] / "support"
    done = subprocess.run(
        [
            sys.executable,
            "-c",
            f"import sys; sys.path.insert(0, {str(support)!r})\n{code}",
            str(tmp_path / "s.toml"),
        ],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 0, done.stderr


@pytest.mark.real_part("prometheus")
def test_every_alert_rule_fires_when_it_should_and_not_before() -> None:
    promtool = needed("prometheus")
    for words in (
        ["check", "rules", str(HERE / "shotgram-alerts.yaml")],
        ["test", "rules", str(HERE / "shotgram-alerts.test.yaml")],
        ["check", "config", str(HERE / "prometheus.yaml")],
    ):
        done = subprocess.run([promtool, *words], capture_output=True, text=True, timeout=60, check=False)
        assert done.returncode == 0, done.stdout + done.stderr


@pytest.mark.real_part("mosquitto")
@pytest.mark.real_part("prometheus")
def test_the_alert_rules_ask_for_metrics_that_exist(served: tuple[RunningAgent, str]) -> None:
    import re

    _, url = served
    wait_until(lambda: sample(url, "shotgram_broker_connected") == 1.0)
    _, _, text = get(f"{url}/metrics", OPENMETRICS)
    families = {family.name for family in text_string_to_metric_families(text)}
    asked = set(re.findall(r"\bshotgram_[a-z_]+", (HERE / "shotgram-alerts.yaml").read_text()))
    known = {name.removesuffix("_total").removesuffix("_bucket") for name in asked}
    assert known <= families, known - families
