"""What makes an agent ill, and what does not."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from agent.health.vitals import OutletVitals, Vitals, reasons

WELL = Vitals(
    worker_alive=True,
    turn_age_s=0.1,
    network_alive=True,
    journal_fault=None,
    journal=None,
    outlets={"influx": OutletVitals(alive=True, backlog=9000, oldest_s=7200.0, set_aside=3)},
)


def test_a_backlog_alone_is_no_illness() -> None:
    assert reasons(WELL) == ()


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({"worker_alive": False}, "worker-dead"),
        ({"turn_age_s": 21.0}, "worker-stuck"),
        ({"network_alive": False}, "network-dead"),
        ({"journal_fault": "the disk is full"}, "journal-not-writable"),
        ({"outlets": {"influx": OutletVitals(False, 0, None, 0)}}, "outlet-dead"),
    ],
)
def test_each_illness_has_its_code(change: dict[str, Any], code: str) -> None:
    assert [reason.code for reason in reasons(replace(WELL, **change))] == [code]
