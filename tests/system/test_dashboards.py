"""Every query of the dashboards, run on a real InfluxDB filled by the simulator: each returns data.

The dashboards speak InfluxQL, which InfluxDB 1.x and 2.x answer alike; Debian's 1.6 stands for both here.
"""

import io
import json
import re
import urllib.parse
import uuid
from contextlib import redirect_stdout
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest
import yaml

from agent.commands.main import main
from agent.contract.times import epoch_s
from agent.journal.rows import Row
from agent.outlets.line_protocol import lines_of

ROOT = Path(__file__).parents[2]
COMPOSE = ROOT / "deploy" / "compose"
DASHBOARDS = sorted((COMPOSE / "grafana" / "dashboards").glob("*.json"))
SCENARIOS = ["worn-nozzle", "gun-out-of-balance", "container-knocked-over", "week-of-shifts"]
LONGEST_LINES = 75_000
"""Of a week the first two days are enough for wear to be told."""


def queries() -> list[Any]:
    found = []
    for file in DASHBOARDS:
        board = json.loads(file.read_text())
        for panel in board["panels"]:
            for target in panel["targets"]:
                name = f"{file.stem}: {panel['title']} {target['refId']}"
                found.append(pytest.param(target["query"], id=name))
        found += [
            pytest.param(variable["query"], id=f"{file.stem}: variable {variable['name']}")
            for variable in board["templating"]["list"]
        ]
    return found


@pytest.fixture(scope="module")
def database(influxd: Any, tmp_path_factory: pytest.TempPathFactory) -> str:
    """A database with the records of some simulated shift starts, as the agent writes them."""
    folder = tmp_path_factory.mktemp("dashboards")
    name = f"flow_{uuid.uuid4().hex}"
    influxd.get(f"/query?q=CREATE+DATABASE+{name}", b"")
    for scenario in SCENARIOS:
        capture = folder / f"{scenario}.jsonl"
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


@pytest.mark.slow
@pytest.mark.real_part("influxd")
@pytest.mark.parametrize("query", queries())
def test_every_query_returns_data(influxd: Any, database: str, query: str) -> None:
    asked = query.replace("$timeFilter", "time > '2020-01-01'").replace("$cell", ".*")
    assert not re.search(r"\$(?!/)", asked), f"a variable that is not filled in: {asked}"
    answer = json.loads(influxd.get(f"/query?db={database}&q={urllib.parse.quote(asked)}"))
    (result,) = answer["results"]
    assert "error" not in result, result
    rows = [row for series in result.get("series", []) for row in series["values"]]
    assert rows, asked
    columns = result["series"][0]["columns"]
    for index, column in enumerate(columns):
        # Some members may be null in every record; any other column that is always empty is misspelt.
        optional = {"acknowledged_by", "shelved_until", "advised", "valid_until", "reasons", "flags"}
        if column not in optional:
            assert any(row[index] is not None for row in rows), f"{column} is empty in: {asked}"


@pytest.mark.parametrize("file", DASHBOARDS, ids=lambda file: file.stem)
def test_dashboards_are_whole(file: Path) -> None:
    board = json.loads(file.read_text())
    source = yaml.safe_load((COMPOSE / "grafana/provisioning/datasources/influxdb.yaml").read_text())
    assert {panel["datasource"]["uid"] for panel in board["panels"]} == {source["datasources"][0]["uid"]}
    assert len({panel["id"] for panel in board["panels"]}) == len(board["panels"])
    assert all(panel["description"] for panel in board["panels"])


def test_the_compose_file_hangs_together() -> None:
    """Docker compose is not there to be asked: what can be checked without it."""
    compose = yaml.safe_load((COMPOSE / "compose.yaml").read_text())
    made = ("./site/", "./secrets/")  # by make-site.sh and by hand, as its first lines say
    for name, service in compose["services"].items():
        image, _, tag = service["image"].rpartition(":")
        assert image, name
        assert re.fullmatch(r"\d+\.\d+\.\d+", tag), f"{name}: an image without its version changes by itself"
        for port in service["ports"]:
            assert port.startswith("127.0.0.1:") or port == "8883:8883", f"{name} opens {port} to the network"
        for secret in service.get("secrets", []):
            assert secret in compose["secrets"]
        for volume in service["volumes"]:
            source = volume.split(":")[0]
            if source.startswith("./") and not source.startswith(made):
                assert (COMPOSE / source).exists(), source
            elif not source.startswith("./"):
                assert source in compose["volumes"], source
    for variable, value in compose["services"]["influxdb"]["environment"].items():
        if "PASSWORD" in variable or "TOKEN" in variable:
            assert variable.endswith("_FILE"), value
