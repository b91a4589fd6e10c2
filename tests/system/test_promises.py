"""The short form of the fault campaign: every fault of the table, a few times each.

`make faults` is the full form. Several groups of faults run beside each other, for most of them wait most of
the time. What they find stands in the report that a failing test shows, row by row and promise by promise.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

CAMPAIGN = Path(__file__).parents[1] / "campaign"
sys.path.insert(0, str(CAMPAIGN))
TOGETHER = {
    # The groups `disks` and `line` mount small file systems and a name server's file, and need to be root.
    "database, clocks, hangs, line": ("sink", "time", "hangs", "line"),
    "killed, disks, broker, input": ("process", "storage", "disks", "broker", "input", "gaps"),
}

pytestmark = [
    pytest.mark.slow,
    pytest.mark.real_part("mosquitto", "victoria-metrics", "strace", "openssl", "root"),
    pytest.mark.timeout(900),
]


@pytest.mark.parametrize("groups", TOGETHER.values(), ids=list(TOGETHER))
def test_the_promises_hold_under_every_fault(groups: tuple[str, ...], tmp_path: Path) -> None:
    running = {}
    for group in groups:
        words = [sys.executable, str(CAMPAIGN / "campaign.py"), "--group", group]
        environment = {**os.environ, "TMPDIR": str(tmp_path)}
        running[group] = subprocess.Popen(
            words, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, env=environment
        )
    reports = {group: process.communicate()[0] for group, process in running.items()}
    print(*reports.values(), sep="\n")
    broken = [group for group, process in running.items() if process.returncode]
    assert not broken, "\n".join(reports[group] for group in broken)


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
