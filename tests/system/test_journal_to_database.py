"""From a process killed again and again into a genuine database behind a bad line: each record once."""

from __future__ import annotations

import json
import os
import random
import subprocess
import sys
import time
import uuid
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, quote, urlsplit

import pytest
from fault_proxy import FaultProxy
from made_records import make_dispense

from agent.contract.record_json import payload

WRITER = Path(__file__).parents[1] / "support" / "journal_writer.py"
KILLS = int(os.environ.get("SHOTGRAM_KILLS", "15"))


def v1_path(path: str) -> str:
    bucket = parse_qs(urlsplit(path).query)["bucket"][0]
    return f"/write?db={quote(bucket)}&precision=n"


@pytest.mark.slow
@pytest.mark.real_part("influxd")
@pytest.mark.timeout(max(120, 4 * KILLS))
def test_killed_while_forwarding_over_a_bad_line_every_record_arrives_once(
    tmp_path: Path, influxd: Any
) -> None:
    database = f"flow_{uuid.uuid4().hex}"
    influxd.get(f"/query?q=CREATE+DATABASE+{database}", b"")
    proxy = FaultProxy(influxd.port, v1_path).start()
    proxy.delay_s = 0.05
    chance = random.Random(11)
    acked: set[int] = set()
    faults: list[str] = []

    def hear(line: bytes) -> None:
        word, _, rest = line.decode().strip().partition(" ")
        if word == "ACK":
            acked.add(int(rest))
        elif word == "FAULT":
            faults.append(rest)

    def words(first: int, last: int) -> list[str]:
        more = ["--batch", "3", "--pause", "0.005", "--url", proxy.url, "--bucket", database]
        return [sys.executable, str(WRITER), str(tmp_path / "s"), str(first), str(last), *more]

    try:
        for kill in range(KILLS):
            proxy.mode = ("lose-reply", "flaky", "pass", "slow", "down")[kill % 5]
            first = max(max(acked, default=-1) - 5, 0)
            with subprocess.Popen(words(first, first + 100_000), stdout=subprocess.PIPE) as writer:
                assert writer.stdout is not None
                until = None
                for line in writer.stdout:
                    hear(line)
                    until = until or time.monotonic() + chance.uniform(0.6, 1.4)
                    if time.monotonic() >= until:
                        break
                writer.kill()
                for line in writer.stdout:
                    hear(line)
        proxy.mode = "pass"
        last = max(acked) + 1
        ended = subprocess.run(words(last - 5, last + 3), capture_output=True, timeout=100, check=True)
        for line in ended.stdout.splitlines():
            hear(line)
    finally:
        proxy.stop()
    assert faults.count("restarted-uncleanly") >= KILLS - 1, "the kills did not bite"
    assert proxy.seen["replies lost"] > 0, "no reply was lost"
    assert proxy.seen["answered 503"] > 0, "no write was refused"
    query = quote("SELECT id, mass_g FROM dispense")
    answer = json.loads(influxd.get(f"/query?db={database}&q={query}"))
    values = answer["results"][0]["series"][0]["values"]
    stored = {name: mass_g for _, name, mass_g in values}
    assert len(values) == len(stored), "a record is there twice"
    for number in acked:
        said = payload(make_dispense(number))
        assert stored.get(said["id"]) == said["mass_g"], f"record {number} is lost or altered"
    spurious = set(stored) - {make_dispense(n).id for n in range(max(acked) + 10)}
    assert not spurious
