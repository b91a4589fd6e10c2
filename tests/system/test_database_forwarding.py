"""Results reach real databases through influxdb-client: every value, once, whatever happens on the way.

VictoriaMetrics takes the v2 write path itself. InfluxDB 1.6 has the genuine storage engine and no v2 path:
a proxy maps `/api/v2/write` to its `/write`, so that influxdb-client writes into it all the same. The rules
for equal points are those of InfluxDB's documentation ("Handle duplicate data points").
"""

from __future__ import annotations

import json
import threading
import time
import uuid
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, quote, urlsplit

import pytest
from fault_proxy import FaultProxy
from made_records import START_S, make_alert, make_check, make_dispense

from agent.contract.record_json import payload
from agent.journal.journal import Journal
from agent.outlets.influx import InfluxOutlet, InfluxSettings, Outcome

pytestmark = pytest.mark.real_part("influxd")
MakeOutlet = Callable[..., InfluxOutlet]
Stored = Callable[..., list[dict[str, Any]]]


def v1_path(path: str) -> str:
    """`/api/v2/write?bucket=B&...` as InfluxDB 1.x has it: `/write?db=B&precision=n`."""
    parts = urlsplit(path)
    asked = parse_qs(parts.query)
    return f"/write?db={quote(asked['bucket'][0])}&precision=n" if parts.path == "/api/v2/write" else path


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    journal = Journal.open(tmp_path / "state", version="0.1.0", config_digest="d" * 16)
    journal.declare_outlets({"influx": "all"})
    yield journal
    journal.close()


@pytest.fixture
def database(influxd: Any) -> str:
    """A database of this test's own in the real InfluxDB."""
    name = f"flow_{uuid.uuid4().hex}"
    influxd.get(f"/query?q=CREATE+DATABASE+{name}", b"")
    return name


@pytest.fixture
def stored(influxd: Any, database: str) -> Stored:
    """Rows of an InfluxQL query to this test's database, each with its columns and its tags."""

    def ask(query: str = "SELECT id FROM dispense") -> list[dict[str, Any]]:
        answer = json.loads(influxd.get(f"/query?db={database}&epoch=ns&q={quote(query)}"))
        rows: list[dict[str, Any]] = []
        for series in answer["results"][0].get("series", []):
            tags = series.get("tags", {})
            rows += [tags | dict(zip(series["columns"], values, strict=True)) for values in series["values"]]
        return rows

    return ask


@pytest.fixture
def proxy(influxd: Any) -> Iterator[FaultProxy]:
    proxy = FaultProxy(influxd.port, v1_path).start()
    yield proxy
    proxy.stop()


@pytest.fixture
def make_outlet(journal: Journal, database: str, proxy: FaultProxy) -> Iterator[MakeOutlet]:
    made: list[InfluxOutlet] = []

    def make(url: str | None = None, **settings: Any) -> InfluxOutlet:
        values: dict[str, Any] = {
            "url": url or proxy.url,
            "org": "shop",
            "bucket": database,
            "timeout_s": 2.0,
        } | settings
        outlet = InfluxOutlet(
            InfluxSettings(**values),
            journal.outlet_view("influx", hold_untrusted=True),
            jitter=lambda: 0.5,
        )
        made.append(outlet)
        return outlet

    yield make
    for outlet in made:
        outlet.close()


class Steps:
    """Drives an outlet on a clock of its own: an hour of waiting passes at once."""

    def __init__(self, outlet: InfluxOutlet, now_s: float = 1000.0):
        self.outlet = outlet
        self.now_s = now_s
        self.outcomes: list[Outcome] = []
        self.told_s: dict[str, float] = {}

    def one(self) -> Outcome:
        outcome = self.outlet.step(self.now_s)
        self.outcomes.append(outcome)
        self.told_s |= {fault.code: self.now_s for fault in outcome.faults}
        self.now_s += max(outcome.wait_s, 0.01)
        return outcome

    def until_idle(self, most: int = 2000) -> None:
        for _ in range(most):
            if self.one().did == "idle":
                return
        raise AssertionError(f"never idle: {self.outcomes[-3:]}")

    def until(self, now_s: float) -> None:
        while self.now_s < now_s:
            self.one()

    @property
    def codes(self) -> list[str]:
        return [fault.code for outcome in self.outcomes for fault in outcome.faults]


def test_every_value_comes_back_from_the_genuine_engine(
    journal: Journal, make_outlet: MakeOutlet, stored: Stored
) -> None:
    said = [
        make_dispense(n, gun=("upper", "lower")[n % 2], flags=("slow_start",), fluid_c=None)
        for n in range(40)
    ]
    journal.append([*said, make_check(1), make_alert(1)])
    Steps(make_outlet()).until_idle()
    rows = {row["id"]: row for row in stored("SELECT * FROM dispense")}
    assert len(rows) == 40
    times = {row.id: row.time_ns for row in journal.records("dispense")}
    for dispense in said:
        row, body = rows[dispense.id], payload(dispense)
        assert row["time"] == times[dispense.id]
        for name in (
            "open_s",
            "mass_g",
            "u_mass_g",
            "flow_g_per_min",
            "u_flow_g_per_min",
            "n_readings",
            "quality",
        ):
            assert row[name] == body[name]
        for name in ("cell", "gun", "scale", "setup", "purpose"):
            assert row[name] == body[name]
        assert row["flags"] == "slow_start"
        assert row["rejected"] == 0
        assert row.get("fluid_c") is None
    tags = stored("SHOW TAG KEYS FROM dispense")
    assert {row["tagKey"] for row in tags} == {"cell", "gun", "scale", "setup", "purpose"}
    (check,) = stored('SELECT * FROM "check"')
    assert (check["passed"], check["shots"], check["mean_g_per_min"]) == (1, 3, 96.1)
    (alert,) = stored("SELECT * FROM alert")
    assert (alert["name"], alert["state"], alert["active"]) == ("line-air", "UNACK", 1)
    kinds = {row["fieldKey"]: row["fieldType"] for row in stored("SHOW FIELD KEYS FROM dispense")}
    assert kinds["mass_g"] == "float"
    assert kinds["n_readings"] == "integer"


def test_names_of_any_kind_arrive_and_break_nothing(
    journal: Journal, make_outlet: MakeOutlet, stored: Stored
) -> None:
    names = ["ober, unter=1", 'quo"ted', "tab\there", "line\nbreak", "back\\slash\\", "größe 漢字", "a" * 200]
    said = [make_dispense(n, gun=name, why_rejected=f'said "{name}"\\') for n, name in enumerate(names)]
    journal.append(said)
    steps = Steps(make_outlet())
    steps.until_idle()
    assert "point-rejected" not in steps.codes
    rows = {row["id"]: row for row in stored("SELECT * FROM dispense")}
    assert len(rows) == len(names)
    for dispense in said:
        kept = rows[dispense.id]["gun"]
        assert kept.replace("/", "\\") == dispense.gun.replace("\t", "_").replace("\n", "_")  # type: ignore[union-attr]
        assert rows[dispense.id]["why_rejected"].startswith('said "')


def test_sending_again_overwrites_and_doubles_nothing(
    journal: Journal, make_outlet: MakeOutlet, stored: Stored
) -> None:
    journal.append([make_dispense(n) for n in range(30)])
    Steps(make_outlet()).until_idle()
    before = stored("SELECT * FROM dispense")
    for _ in range(3):
        with journal.database.transaction() as cursor:
            cursor.execute("DELETE FROM settled")
        Steps(make_outlet()).until_idle()
    assert len(before) == 30
    assert stored("SELECT * FROM dispense") == before


def test_records_of_one_millisecond_stay_apart(
    journal: Journal, make_outlet: MakeOutlet, stored: Stored
) -> None:
    journal.append([make_alert(n) for n in range(50)])
    Steps(make_outlet()).until_idle()
    assert len(stored("SELECT id FROM alert")) == 50


def test_an_hour_without_the_database_loses_and_doubles_nothing(
    journal: Journal, make_outlet: MakeOutlet, proxy: FaultProxy, stored: Stored
) -> None:
    steps = Steps(make_outlet())
    journal.append([make_dispense(n) for n in range(5)])
    steps.until_idle()
    proxy.mode = "down"
    begun_s = steps.now_s
    for n in range(5, 125):  # two results a minute for an hour
        journal.append([make_dispense(n)])
        steps.until(begun_s + 30.0 * (n - 4))
    assert proxy.seen["refused"] > 100
    assert steps.codes == ["sink-down", "sink-degraded"]
    assert 10.0 <= steps.told_s["sink-down"] - begun_s <= 40.0
    status = steps.outlet.status()
    assert (status.state, status.backlog) == ("down", 120)
    proxy.mode = "pass"
    back_s = steps.now_s
    steps.until_idle()
    assert steps.now_s - back_s <= 10.0
    assert "sink-recovered" in steps.codes
    rows = stored("SELECT id, mass_g FROM dispense")
    assert [row["mass_g"] for row in rows] == [make_dispense(n).mass_g for n in range(125)]
    assert steps.outlet.status().backlog == 0


def test_lost_replies_are_sent_again_and_stay_single(
    journal: Journal, make_outlet: MakeOutlet, proxy: FaultProxy, stored: Stored
) -> None:
    steps = Steps(make_outlet())
    proxy.mode = "lose-reply"
    journal.append([make_dispense(n) for n in range(20)])
    for _ in range(4):
        steps.one()
        steps.now_s += 10
    assert proxy.seen["replies lost"] >= 4, "the fault did not bite"
    assert steps.outlet.status().backlog == 20
    assert len(stored()) == 20
    proxy.mode = "pass"
    steps.until_idle()
    assert len(stored()) == 20
    assert len({body for body in proxy.bodies if body}) == 1, "the same bytes each time"


@pytest.mark.parametrize("status", [429, 503])
def test_retry_after_is_honoured_on_a_monotonic_clock(
    journal: Journal, make_outlet: MakeOutlet, proxy: FaultProxy, status: int
) -> None:
    steps = Steps(make_outlet())
    proxy.mode, proxy.status, proxy.headers = "status", status, {"Retry-After": "17"}
    journal.append([make_dispense(1)])
    first = steps.one()
    assert first.did == "failed"
    assert 17.0 <= first.wait_s <= 17.5
    assert steps.outlet.step(steps.now_s - 1.0).did == "waiting"
    assert proxy.seen["requests"] == 1
    # A date is taken against the server's own clock, however wrong either clock is.
    proxy.headers = {"Retry-After": "Wed, 21 Oct 2015 07:28:30 GMT", "Date": "Wed, 21 Oct 2015 07:28:00 GMT"}
    assert 30.0 <= steps.one().wait_s <= 30.5
    proxy.mode = "pass"
    steps.until_idle()
    assert steps.outlet.status().backlog == 0


def test_two_calls_of_three_failing_is_told_once_and_everything_arrives(
    journal: Journal, make_outlet: MakeOutlet, proxy: FaultProxy, stored: Stored
) -> None:
    steps = Steps(make_outlet(batch_rows=10))
    proxy.mode = "flaky"
    journal.append([make_dispense(n) for n in range(300)])
    steps.until_idle()
    assert proxy.seen["answered 503"] > 50, "the fault did not bite"
    assert steps.codes.count("sink-degraded") == 1
    proxy.mode = "pass"
    for n in range(300, 330):
        journal.append([make_dispense(n)])
        steps.one()
    assert steps.codes.count("sink-steady") == 1
    assert len(stored()) == 330


@pytest.mark.parametrize("status", [400, 413, 422])
def test_a_row_that_is_never_taken_is_found_and_set_aside_alone(
    journal: Journal, make_outlet: MakeOutlet, stored: Stored, proxy: FaultProxy, status: int
) -> None:
    said = [make_dispense(n) for n in range(100)]
    poison = {said[37].id, said[38].id, said[99].id}

    def rule(_path: str, body: bytes) -> tuple[int, dict[str, str], bytes] | None:
        return (status, {}, b"unprocessable") if any(name.encode() in body for name in poison) else None

    proxy.rule = rule
    journal.append(said)
    steps = Steps(make_outlet())
    steps.until_idle()
    assert steps.codes.count("point-rejected") == 3
    assert steps.outlet.status().set_aside == 3
    assert len(stored()) == 97
    assert [seq for seq, _ in steps.outlet.view.aside()] == [38, 39, 100]
    assert proxy.seen["requests"] < 60
    # Once the cause is mended, they are sent after all.
    proxy.rule = None
    steps.outlet.view.try_again()
    steps.until_idle()
    assert len(stored()) == 100


def test_a_type_conflict_in_the_real_engine_rejects_one_row_and_no_other(
    journal: Journal, make_outlet: MakeOutlet, stored: Stored, influxd: Any, database: str
) -> None:
    # Somebody once wrote text into a field of ours: the genuine server answers 400 for the whole request, and
    # has stored the other lines all the same.
    shard_s = int(START_S + 40)
    influxd.get(f"/write?db={database}&precision=s", f'dispense,cell=x mass_g="heavy" {shard_s}'.encode())
    journal.append([make_dispense(1), make_check(1), make_alert(1)])
    steps = Steps(make_outlet())
    steps.until_idle()
    (fault,) = [fault for o in steps.outcomes for fault in o.faults]
    assert fault.code == "point-rejected"
    assert "field type conflict" in fault.text
    assert len(stored('SELECT id FROM "check"')) == 1
    assert len(stored("SELECT id FROM alert")) == 1


def test_points_outside_the_retention_are_set_aside_and_the_rest_arrives(
    journal: Journal, make_outlet: MakeOutlet, stored: Stored, influxd: Any, database: str
) -> None:
    influxd.get(f"/query?q=ALTER+RETENTION+POLICY+autogen+ON+{database}+DURATION+4w", b"")
    old = [make_dispense(n, at_s=time.time() - 300 * 86400 + n) for n in range(8)]
    new = [make_dispense(n, at_s=time.time() - 60 + n) for n in range(100, 108)]
    journal.append([*new[:1], *old, *new[1:]])
    steps = Steps(make_outlet())
    steps.until_idle()
    assert steps.codes.count("point-rejected") == 8
    assert "sink-rejects-all" not in steps.codes, "a row that was taken before is still taken"
    assert len(stored()) == 8


def test_a_server_that_rejects_everything_is_held_not_emptied_into(
    journal: Journal, make_outlet: MakeOutlet, proxy: FaultProxy, stored: Stored
) -> None:
    journal.append([make_dispense(n) for n in range(50)])
    proxy.mode, proxy.status, proxy.body = "status", 400, b"some setting is wrong"
    steps = Steps(make_outlet())
    steps.until(steps.now_s + 3600.0)
    assert steps.codes.count("sink-rejects-all") == 1
    status = steps.outlet.status()
    assert status.state == "held"
    assert status.set_aside == 5
    proxy.mode = "pass"
    steps.until_idle()
    steps.outlet.view.try_again()
    steps.until_idle()
    assert len(stored()) == 50


@pytest.mark.parametrize("status", [401, 403, 404])
def test_a_refusal_holds_everything_and_a_new_token_is_taken_up(
    journal: Journal, make_outlet: MakeOutlet, stored: Stored, proxy: FaultProxy, status: int
) -> None:
    token = {"is": "old-secret-token"}
    proxy.mode, proxy.status, proxy.body = "status", status, b'{"code":"unauthorized"}'
    journal.append([make_dispense(n) for n in range(10)])
    steps = Steps(make_outlet(token=lambda: token["is"]))
    steps.until(steps.now_s + 3600.0)
    assert steps.codes.count("sink-auth") == 1
    assert steps.codes.count("point-rejected") == 0
    assert steps.outlet.status().backlog == 10
    told = " ".join(fault.text for outcome in steps.outcomes for fault in outcome.faults)
    assert "check its address, bucket and token" in told
    assert "old-secret-token" not in told
    token["is"] = "new-secret-token"
    proxy.mode = "pass"
    steps.until_idle()
    assert proxy.requests[-1]["authorization"] == "Token new-secret-token"
    assert "sink-recovered" in steps.codes
    assert len(stored()) == 10


def test_a_token_that_cannot_be_read_is_held_and_read_again(
    journal: Journal, make_outlet: MakeOutlet, stored: Stored
) -> None:
    found: list[str] = []

    def token() -> str:
        if not found:
            raise FileNotFoundError("secrets/influx-token")
        return found[0]

    journal.append([make_dispense(1)])
    steps = Steps(make_outlet(token=token))
    assert steps.one().did == "held"
    assert "the token cannot be read" in steps.outcomes[0].faults[0].text
    found.append("a-token")
    steps.until_idle()
    assert len(stored()) == 1


def test_a_week_of_backlog_drains_in_order_and_live_results_are_not_late(
    journal: Journal, make_outlet: MakeOutlet, proxy: FaultProxy, stored: Stored
) -> None:
    week = 7 * 24 * 60 * 2  # two results a minute
    proxy.mode = "down"
    outlet = make_outlet(batch_rows=200)
    for n in range(0, week, 1000):
        journal.append([make_dispense(m) for m in range(n, min(n + 1000, week))])
    assert outlet.step(0.0).did == "failed"
    proxy.mode = "pass"
    now_s, late_s, sent_live = 100.0, 0.0, {}
    number = week
    while outlet.view.backlog():
        if number < week + 40:
            journal.append([make_dispense(number)])
            sent_live[number] = now_s
            number += 1
        begun = time.monotonic()
        outcome = outlet.step(now_s)
        now_s += time.monotonic() - begun + outcome.wait_s
        for waiting in [n for n in sent_live if outlet.view.settled(n + 1)]:
            late_s = max(late_s, now_s - sent_live.pop(waiting))
    assert not sent_live
    assert late_s < 10.0
    assert now_s - 100.0 < 60.0, "back to normal within a minute"
    drained = [line for body in proxy.bodies for line in body.decode().splitlines()]
    numbers = [round((float(line.split(",mass_g=")[1].split(",")[0]) - 32.0) * 1000) for line in drained]
    assert [n for n in numbers if n < week] == list(range(week)), "the backlog in order, each once"
    assert [n for n in numbers if n >= week] == list(range(week, week + 40)), "and so the live ones"
    assert len(stored()) == week + 40


def test_a_hanging_database_costs_one_timeout_and_no_thread(
    journal: Journal, make_outlet: MakeOutlet, proxy: FaultProxy, stored: Stored
) -> None:
    proxy.mode = "blackhole"
    journal.append([make_dispense(1)])
    outlet = make_outlet(timeout_s=0.3)
    begun = time.monotonic()
    assert outlet.step(0.0).did == "failed"
    assert 0.2 < time.monotonic() - begun < 2.0
    proxy.mode, proxy.delay_s = "slow", 0.1
    assert outlet.step(100.0).did == "sent"
    assert len(stored()) == 1


def test_points_that_were_taken_survive_the_databases_own_crash(
    journal: Journal, make_outlet: MakeOutlet, stored: Stored, influxd: Any
) -> None:
    steps = Steps(make_outlet())
    journal.append([make_dispense(n) for n in range(200)])
    steps.until_idle()
    influxd.kill()
    journal.append([make_dispense(n) for n in range(200, 210)])
    assert steps.one().did == "failed"
    influxd.start()
    steps.until_idle()
    assert len(stored()) == 210


def test_the_thread_forwards_and_stops_when_told(
    journal: Journal, make_outlet: MakeOutlet, stored: Stored
) -> None:
    outlet = make_outlet()
    stop = threading.Event()
    thread = threading.Thread(target=outlet.run, args=(stop,))
    thread.start()
    try:
        for n in range(20):
            journal.append([make_dispense(n)])
        until = time.monotonic() + 10
        while journal.pending("influx", 1) and time.monotonic() < until:
            time.sleep(0.02)
    finally:
        stop.set()
        thread.join(5)
    assert not thread.is_alive()
    assert len(stored()) == 20


@pytest.mark.real_part("victoria-metrics")
def test_victoria_metrics_takes_the_clients_own_path_and_gives_the_values_back(
    journal: Journal, make_outlet: MakeOutlet, victoria_metrics: Any
) -> None:
    now_s = float(int(time.time()))
    said = [make_dispense(n, at_s=now_s - 3600 + n * 40, cell="vm-values") for n in range(50)]
    journal.append(said)
    steps = Steps(make_outlet(url=victoria_metrics.url))
    steps.until_idle()
    for _ in range(2):  # sent again: still one value for each
        with journal.database.transaction() as cursor:
            cursor.execute("DELETE FROM settled")
        steps.until_idle()
    victoria_metrics.get("/internal/force_flush")
    query = quote('{__name__="dispense_mass_g",cell="vm-values"}')
    answer = victoria_metrics.get(f"/api/v1/export?match[]={query}&reduce_mem_usage=0").decode()
    (series,) = [json.loads(line) for line in answer.splitlines()]
    assert series["metric"] == {
        "__name__": "dispense_mass_g",
        "cell": "vm-values",
        "gun": "upper",
        "scale": "floor",
        "setup": "impeller-barrier",
        "purpose": "shot",
    }
    assert series["values"] == [dispense.mass_g for dispense in said]
    assert series["timestamps"] == [round(row.time_ns / 1e6 - 0.5) for row in journal.records()]
