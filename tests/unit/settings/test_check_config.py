"""`shotgram check-config`: exit statuses, and what it says."""

from __future__ import annotations

import json
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from agent.commands.check_config import next_start, understood
from agent.commands.main import main
from agent.contract.plan import Shift
from agent.settings.load import load

from .conftest import RIGHT, Write


def test_a_right_file_is_told_back(write: Write, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check-config", str(write())]) == 0
    said = capsys.readouterr().out
    for part in (
        "can be used",
        "edge-7",
        "hub",
        "upper, lower",
        "works/west/controller/event",
        "shift early",
    ):
        assert part in said


@pytest.mark.parametrize(
    ("known", "told"),
    [
        ("", "not told: in no uncertainty"),
        ('accuracy_class = "III"\nverification_interval_g = 2.0\n', "class III, e = 2 g"),
        ('accuracy_class = "II"\nu_calibration_pct = 0.02\n', "class II, e = 0.1 g; calibration 0.02 %"),
    ],
)
def test_what_is_known_of_a_scales_own_error_is_told(
    known: str, told: str, write: Write, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["check-config", str(write(("  capacity_g", f"{known}  capacity_g")))]) == 0
    assert told in capsys.readouterr().out


def test_a_wrong_file_tells_every_fault_and_exits_2(write: Write, capsys: pytest.CaptureFixture[str]) -> None:
    path = write(("target_g_per_min = 96.0", "target_g_per_min = 0"), ('id = "west"', 'id = "agent"'))
    assert main(["check-config", str(path)]) == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert "2 faults" in told.err
    assert "line 22: setups[0].target_g_per_min (hub): found 0; allowed: a number, more than 0" in told.err
    assert "cells[0].id (agent)" in told.err


def test_json_of_a_right_and_of_a_wrong_file(write: Write, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check-config", str(write()), "--json"]) == 0
    right = json.loads(capsys.readouterr().out)
    assert right["ok"] is True
    assert right["cells"][0]["scales"][0]["guns"] == ["upper", "lower"]
    assert {"topic": "works/west/controller/event", "qos": 1} in right["hears"]
    assert main(["check-config", str(write(('"mon-fri"', '"never"'))), "--json"]) == 2
    wrong = json.loads(capsys.readouterr().out)
    assert wrong["ok"] is False
    assert [fault["path"] for fault in wrong["faults"]] == ["cells[0].shifts[0].days"]
    assert wrong["faults"][0]["line"] == RIGHT.splitlines().index('  days = "mon-fri"') + 1


def test_no_file_and_no_wish_is_a_wrong_word(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check-config"]) == 2
    assert "name the file" in capsys.readouterr().err


def test_a_missing_file_exits_2(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check-config", str(tmp_path / "absent.toml")]) == 2
    assert "no such file" in capsys.readouterr().err


@pytest.mark.parametrize(("word", "key"), [("--schema", "$defs"), ("--asyncapi", "asyncapi")])
def test_the_documents_are_json(word: str, key: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check-config", word]) == 0
    assert key in json.loads(capsys.readouterr().out)


def test_no_secret_is_told(write: Write, tmp_path: Path) -> None:
    folder = tmp_path / "secrets"
    folder.mkdir()
    (folder / "influx-token").write_text("tok-3n\n")
    assert "tok-3n" not in json.dumps(understood(load(write()), 1.78e9))


def local(zone: str, *when: int) -> datetime:
    return datetime(*when, tzinfo=ZoneInfo(zone))  # type: ignore[arg-type, misc]


def test_the_next_start_of_a_shift() -> None:
    shift = Shift("early", (0, 1, 2, 3, 4), "06:00", 30.0, "hub")
    zone = "Europe/Lisbon"

    def after(*when: int) -> datetime:
        return next_start(shift, zone, local(zone, *when).timestamp())

    # 2026-03-27 is a Friday; summer time begins on Sunday the 29th.
    assert after(2026, 3, 27, 5, 59) == local(zone, 2026, 3, 27, 6)
    assert after(2026, 3, 27, 6, 0) == local(zone, 2026, 3, 30, 6)
    assert after(2026, 3, 27, 6, 0).isoformat() == "2026-03-30T06:00:00+01:00"
    weekly = Shift("deep clean", (4,), "06:00", 30.0, "hub")
    assert next_start(weekly, zone, local(zone, 2026, 3, 27, 6).timestamp()) == local(zone, 2026, 4, 3, 6)
