"""Every query of the dashboards, run on real databases filled by the simulator: each returns data.

The dashboards of records speak InfluxQL, which InfluxDB 1.x and 2.x answer alike; Debian's 1.6 stands for
both here. The dashboard of the agent's health speaks PromQL, to a real Prometheus that scrapes a real agent
by the configuration in `deploy/prometheus`. Grafana itself is not there: what it would refuse is looked for
in the files.
"""

import io
import json
import re
import urllib.parse
import uuid
from collections.abc import Iterator
from contextlib import redirect_stdout
from importlib.resources import files
from itertools import combinations
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest
import yaml
from jsonschema.validators import validator_for
from live_cell import live_cell
from parts_found import needed
from real_parts import HttpPart, Mosquitto, Part, free_port
from running_agent import Listener, wait_until

from agent.commands.main import main
from agent.contract.times import epoch_s
from agent.journal.rows import Row
from agent.outlets.line_protocol import lines_of

ROOT = Path(__file__).parents[2]
DEPLOY = ROOT / "deploy"
COMPOSE = DEPLOY / "compose"
DASHBOARDS = sorted((COMPOSE / "grafana" / "dashboards").glob("*.json"))
SOURCES = sorted((COMPOSE / "grafana" / "provisioning" / "datasources").glob("*.yaml"))
GRID = 24
"""Columns of Grafana's grid."""
SCENARIOS = ["worn-nozzle", "gun-out-of-balance", "container-knocked-over"]
FIVE_CHECKS = """\
title = "Five checks, one an hour: enough for wear to be told"
says = "How the first gun has changed."
[guns.first]
wear_pct_per_kg = 12.0
[voices.first]
idle_every_s = 5.0
[[steps]]
do = "shift_start"
every_s = 3600.0
times = 5
[cell]
idle_pressure_every_s = 300.0
temperature_every_s = 600.0
"""


def targets(kind: str) -> list[tuple[str, dict[str, Any]]]:
    """What the panels ask of data sources of this kind, and the name of each question."""
    return [
        (f"{file.stem}: {panel['title']} {target['refId']}", target)
        for file in DASHBOARDS
        for panel in json.loads(file.read_text())["panels"]
        for target in panel["targets"]
        if target["datasource"]["type"] == kind
    ]


def variables(kind: str) -> list[tuple[str, Any]]:
    """What the variables of dashboards ask."""
    return [
        (f"{file.stem}: variable {variable['name']}", variable["query"])
        for file in DASHBOARDS
        for variable in json.loads(file.read_text())["templating"]["list"]
        if variable["datasource"]["type"] == kind
    ]


INFLUXQL = [(name, target["query"]) for name, target in targets("influxdb")] + variables("influxdb")
PROMQL = [(name, target["expr"]) for name, target in targets("prometheus")]


@pytest.fixture(scope="module")
def database(influxd: Any, tmp_path_factory: pytest.TempPathFactory) -> str:
    """A database with the records of some simulated shift starts, as the agent writes them."""
    folder = tmp_path_factory.mktemp("dashboards")
    name = f"flow_{uuid.uuid4().hex}"
    influxd.get(f"/query?q=CREATE+DATABASE+{name}", b"")
    (folder / "five-checks.toml").write_text(FIVE_CHECKS)
    for scenario in (*SCENARIOS, str(folder / "five-checks.toml")):
        capture = folder / f"{Path(scenario).stem}.jsonl"
        said = io.StringIO()
        with redirect_stdout(said):
            assert main(["simulate", "--scenario", scenario, "--capture", str(capture)]) == 0
        said = io.StringIO()
        with redirect_stdout(said):
            assert (
                main(["replay", str(capture), "--config", str(ROOT / "simulators/site.toml"), "--json"]) == 0
            )
        lines = []
        for number, text in enumerate(said.getvalue().splitlines()):
            body = json.loads(text)
            time_ns = int(epoch_s(body["at"]) * 1e9) + number
            row = SimpleNamespace(
                kind=body["record"], payload=body, time_ns=time_ns, cell=body["cell"], id=body["id"]
            )
            lines += lines_of(cast("Row", row))
        influxd.get(f"/write?db={name}&precision=ns", "\n".join(lines).encode())
    return name


@pytest.mark.real_part("influxd")
def test_every_query_of_records_returns_data(influxd: Any, database: str) -> None:
    assert len(INFLUXQL) > 20
    faults = {name: fault for name, query in INFLUXQL if (fault := fault_of(influxd, database, query))}
    assert not faults


def fault_of(influxd: Any, database: str, query: str) -> str | None:
    """Why a query shows nothing, or a column of nothing; None where it is well."""
    asked = query.replace("$timeFilter", "time > '2020-01-01'").replace("$cell", ".*")
    if re.search(r"\$(?!/)", asked):
        return f"a variable that is not filled in: {asked}"
    answer = json.loads(influxd.get(f"/query?db={database}&q={urllib.parse.quote(asked)}"))
    (result,) = answer["results"]
    rows = [row for series in result.get("series", []) for row in series["values"]]
    if "error" in result or not rows:
        return f"{result.get('error', 'no data')}: {asked}"
    # Some members may be null in every record; any other column that is always empty is misspelt.
    optional = {"acknowledged_by", "shelved_until", "advised", "valid_until", "reasons", "flags"}
    empty = [
        column
        for index, column in enumerate(result["series"][0]["columns"])
        if column not in optional and all(row[index] is None for row in rows)
    ]
    return f"{', '.join(empty)} empty in: {asked}" if empty else None


@pytest.fixture(scope="module")
def prometheus(tmp_path_factory: pytest.TempPathFactory) -> Iterator[HttpPart]:
    """A Prometheus with our scrapes and rules; one agent is at a simulated cell, another one is away."""
    program, folder = needed("prometheus-server"), tmp_path_factory.mktemp("prometheus")
    broker = Mosquitto(needed("mosquitto"), folder / "broker")
    broker.start()
    port = free_port()
    try:
        with live_cell(folder, broker.port, speed=20.0) as live:
            talker = Listener(broker.port)
            for _ in range(25):
                talker.say("yard/booth-2/scale/bench/reading", {"value": "x"})
            target = live.health_url.removeprefix("http://")
            config = yaml.safe_load((DEPLOY / "prometheus" / "prometheus.yaml").read_text())
            config["global"] = {"scrape_interval": "500ms", "evaluation_interval": "500ms"}
            config["rule_files"] = [str(DEPLOY / "prometheus" / name) for name in config["rule_files"]]
            (job,) = config["scrape_configs"]
            job["static_configs"] = [{"targets": [target, f"127.0.0.1:{free_port()}"]}]
            (folder / "prometheus.yaml").write_text(yaml.safe_dump(config))
            command = [
                program,
                f"--config.file={folder}/prometheus.yaml",
                f"--storage.tsdb.path={folder}/data",
                f"--web.listen-address=127.0.0.1:{port}",
            ]
            served = HttpPart(Part(command, folder / "prometheus.log", cwd=folder), port)
            served.start()
            wait_until(lambda: is_ready(served))
            try:
                wait_until(lambda: bool(asked(served, "shotgram_fit_seconds_count > 0")), 60.0)
                # A broker that is away is a trouble, and an alert that waits.
                broker.kill()
                wait_until(lambda: bool(asked(served, "shotgram_trouble == 1")), 30.0)
                # Rates want several scrapes since the fits.
                wait_until(lambda: bool(asked(served, "rate(shotgram_fit_seconds_count[1h]) > 0")), 30.0)
                yield served
            finally:
                served.stop()
                talker.close()
    finally:
        broker.stop()


def is_ready(prometheus: HttpPart) -> bool:
    """Whether it answers questions: a while after its port is open."""
    try:
        return "Ready" in prometheus.get("/-/ready").decode()
    except RuntimeError:
        return False


def asked(prometheus: HttpPart, query: str) -> list[dict[str, Any]]:
    """What an instant query answers."""
    filled = query.replace("$instance", ".*").replace("$__rate_interval", "1m")
    assert "$" not in filled, f"a variable that is not filled in: {filled}"
    text = prometheus.get(f"/api/v1/query?query={urllib.parse.quote(filled)}")
    return cast("list[dict[str, Any]]", json.loads(text)["data"]["result"])


@pytest.mark.timeout(240)
@pytest.mark.real_part("prometheus-server")
@pytest.mark.real_part("mosquitto")
def test_every_query_of_health_returns_data_and_the_alert_rules_watch(prometheus: HttpPart) -> None:
    assert len(PROMQL) > 20
    nothing = [
        name
        for name, query in PROMQL
        if all(one["value"][1] == "NaN" for one in asked(prometheus, query))  # no rows, or no numbers
    ]
    assert not nothing
    ((_, variable),) = variables("prometheus")
    metric, label = re.fullmatch(r"label_values\((\w+), (\w+)\)", variable["query"]).groups()  # type: ignore[union-attr]
    values = json.loads(prometheus.get(f"/api/v1/label/{label}/values?match[]={metric}"))["data"]
    assert len(values) == 1
    alerts = 'ALERTS{alertname=~"ShotgramDown|ShotgramBrokerAway"}'
    wait_until(lambda: len(asked(prometheus, alerts)) == 2, 30.0)
    groups = json.loads(prometheus.get("/api/v1/rules"))["data"]["groups"]
    assert {rule["health"] for group in groups for rule in group["rules"]} == {"ok"}


@pytest.mark.parametrize("file", DASHBOARDS, ids=lambda file: file.stem)
def test_dashboards_are_whole(file: Path) -> None:
    board = json.loads(file.read_text())
    known = {
        (source["type"], source["uid"])
        for path in SOURCES
        for source in yaml.safe_load(path.read_text())["datasources"]
    }
    asked_of = [
        holder["datasource"]
        for panel in board["panels"]
        for holder in (panel, *panel["targets"], *board["templating"]["list"])
    ]
    assert {(source["type"], source["uid"]) for source in asked_of} <= known
    assert len({panel["id"] for panel in board["panels"]}) == len(board["panels"])
    assert all(panel["description"] and panel["title"] for panel in board["panels"])
    for panel in board["panels"]:
        place = panel["gridPos"]
        assert place["x"] >= 0, panel["title"]
        assert place["x"] + place["w"] <= GRID, panel["title"]
        refs = [target["refId"] for target in panel["targets"]]
        assert len(set(refs)) == len(refs), panel["title"]
    for one, other in combinations([panel["gridPos"] for panel in board["panels"]], 2):
        beside = one["x"] + one["w"] <= other["x"] or other["x"] + other["w"] <= one["x"]
        below = one["y"] + one["h"] <= other["y"] or other["y"] + other["h"] <= one["y"]
        assert beside or below, (one, other)


def test_dashboards_and_sources_have_names_of_their_own() -> None:
    boards = [json.loads(file.read_text()) for file in DASHBOARDS]
    assert len({board["uid"] for board in boards}) == len(boards)
    assert len({board["title"] for board in boards}) == len(boards)
    assert {variable for board in boards for variable in ("shotgram",) if variable in board["tags"]} == {
        "shotgram"
    }


def test_the_compose_file_follows_the_compose_specification() -> None:
    """Against the JSON Schema of the Compose Specification, as PyPI's check-jsonschema carries it."""
    schema = json.loads(
        (files("check_jsonschema.builtin_schemas.vendor") / "compose-spec.json").read_text(encoding="utf-8")
    )
    compose = yaml.safe_load((COMPOSE / "compose.yaml").read_text())
    validator = validator_for(schema)(schema)
    assert [fault.message for fault in validator.iter_errors(compose)] == []
    compose["services"]["grafana"]["imagination"] = "x"
    assert list(validator.iter_errors(compose))


def test_the_compose_file_hangs_together() -> None:
    """Docker compose is not there to be asked: what can be checked without it."""
    compose = yaml.safe_load((COMPOSE / "compose.yaml").read_text())
    made = ("./site/", "./secrets/")  # by make-site.sh and by hand, as its first lines say
    for name, service in compose["services"].items():
        image, _, tag = service["image"].rpartition(":")
        assert image, name
        assert re.fullmatch(r"v?\d+\.\d+\.\d+", tag), (
            f"{name}: an image without its version changes by itself"
        )
        host_network = service.get("network_mode") == "host"
        said = " ".join([*service.get("command", []), *service.get("environment", {}).values()])
        assert host_network != ("ports" in service), name
        assert not host_network or "127.0.0.1" in said, f"{name} listens on every address of the host"
        for port in service.get("ports", []):
            assert port.startswith("127.0.0.1:") or port == "8883:8883", f"{name} opens {port} to the network"
        for secret in service.get("secrets", []):
            assert secret in compose["secrets"]
        for volume in service["volumes"]:
            source = volume.split(":")[0]
            if source.startswith(("./", "../")) and not source.startswith(made):
                assert (COMPOSE / source).exists(), source
            elif not source.startswith(("./", "../")):
                assert source in compose["volumes"], source
    for variable, value in compose["services"]["influxdb"]["environment"].items():
        if "PASSWORD" in variable or "TOKEN" in variable:
            assert variable.endswith("_FILE"), value
    for path in SOURCES:
        for source in yaml.safe_load(path.read_text())["datasources"]:
            address = urllib.parse.urlsplit(source["url"])
            published = [
                port for service in compose["services"].values() for port in service.get("ports", [])
            ]
            listening = [
                word for service in compose["services"].values() for word in service.get("command", [])
            ]
            assert any(f"{address.hostname}:{address.port}" in one for one in (*published, *listening)), (
                source
            )
