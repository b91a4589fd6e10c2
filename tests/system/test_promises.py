"""The promises of DEVELOPERS.md under every fault: the fault campaign in its short form.

`make faults` is the full form. The worlds of the campaign run beside each other, for most of them wait most
of the time. What they find stands in a table, row by row and promise by promise: a failing test shows it, and
SHOTGRAM_FAULTS_REPORT names a file for it.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

CAMPAIGN = Path(__file__).parents[1] / "campaign"
sys.path.insert(0, str(CAMPAIGN))
FAULTS = """
1 2 3 4a 4b 5 6 7 8 8b 9 10 11 12 13 14 15 16 17 17b 18 18e 19 20a 20b 20c 21 22a 22b 22c 23 24
25a 25b 25c 26a 26b 27 28 29 30
"""
# Numbers of the campaign's rows. A stolen client id and forbidden topics: `test_broker_acl.py`.
LEAST = {"1": 100, "3": 100, "4a": 50, "15": 10}
"""How often the faults are met whose moment is left to chance."""


@pytest.mark.alone
@pytest.mark.timeout(1500)
@pytest.mark.real_part("mosquitto", "victoria-metrics", "strace", "openssl", "root")
def test_the_promises_hold_under_every_fault(tmp_path: Path) -> None:
    report = Path(os.environ.get("SHOTGRAM_FAULTS_REPORT", tmp_path / "faults.txt"))
    words = [sys.executable, str(CAMPAIGN / "campaign.py"), "--report", str(report)]
    progress = tmp_path / "progress"
    with (
        progress.open("wb") as told,
        subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=told) as campaign,
    ):
        try:
            status = campaign.wait()
        finally:
            if campaign.poll() is None:
                campaign.send_signal(signal.SIGTERM)
    assert report.exists(), progress.read_text(encoding="utf-8")
    table = report.read_text(encoding="utf-8")
    print(table)
    rows = json.loads(report.with_suffix(".json").read_text(encoding="utf-8"))["rows"]
    met = {row["number"]: row["injected"] for row in rows}
    assert set(met) - {"-"} == set(FAULTS.split()), table
    assert {number: met[number] for number, least in LEAST.items() if met[number] < least} == {}, table
    assert status == 0, table


@pytest.mark.slow
@pytest.mark.timeout(900)
@pytest.mark.real_part("mosquitto")
def test_simulated_days_leave_memory_and_files_as_they_were(tmp_path: Path) -> None:
    ran = subprocess.run(
        [sys.executable, str(CAMPAIGN / "soak.py"), "--hours", "96", "--rate", "5000"],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "TMPDIR": str(tmp_path)},
    )
    print(ran.stdout)
    assert ran.returncode == 0, ran.stdout + ran.stderr[-2000:]


def test_a_run_that_did_not_bite_fails() -> None:
    from rows import Report

    report = Report()
    report.vacuous(("redelivery",))
    assert report.promises()["P14-it-bit"] == ["- the faults bit: no redelivery was seen"]
    report = Report()
    report.bites["redelivery"] += 1
    report.vacuous(("redelivery",))
    assert report.promises()["P14-it-bit"] == []


def test_every_promise_is_stated_for_people() -> None:
    from rows import PROMISES

    text = (Path(__file__).parents[2] / "DEVELOPERS.md").read_text(encoding="utf-8")
    for promise, words in PROMISES.items():
        assert f"`{promise}`" in text, promise
        assert words in text, words
