"""Replay: same capture and configuration, same bytes; and the simulator's truth agrees with the records."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from agent.commands.main import main
from agent.contract.records import Record
from agent.intake.capture import read_capture
from agent.pipeline.pipeline import Pipeline
from agent.settings.load import load
from simulators.capture import simulate_capture
from simulators.site import bench_text


@pytest.fixture(scope="module")
def good_day(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path, Path]:
    folder = tmp_path_factory.mktemp("good-day")
    config, capture, truth = folder / "site.toml", folder / "capture.jsonl", folder / "truth.jsonl"
    config.write_text(bench_text())
    capture.write_text("\n".join(simulate_capture("good-day", 7, truth=truth)) + "\n")
    return config, capture, truth


def replayed(capsys: pytest.CaptureFixture[str], config: Path, capture: Path) -> str:
    assert main(["replay", str(capture), "--config", str(config), "--json"]) == 0
    return capsys.readouterr().out


def records(text: str, kind: str) -> list[dict[str, Any]]:
    return [body for body in map(json.loads, text.splitlines()) if body["record"] == kind]


def test_the_same_bytes_every_time(
    good_day: tuple[Path, Path, Path], capsys: pytest.CaptureFixture[str]
) -> None:
    config, capture, _ = good_day
    first = replayed(capsys, config, capture)
    assert first == replayed(capsys, config, capture)
    assert records(first, "dispense")


def test_every_shot_is_found_and_agrees_with_the_truth(
    good_day: tuple[Path, Path, Path], capsys: pytest.CaptureFixture[str]
) -> None:
    config, capture, truth_file = good_day
    truth = [json.loads(line) for line in truth_file.read_text().splitlines()]
    found = records(replayed(capsys, config, capture), "dispense")
    assert len(found) == len(truth)
    for said, true in zip(found, truth, strict=True):
        assert (said["gun"], said["purpose"]) == (true["gun"], true["purpose"])
        assert said["mass_g"] == pytest.approx(true["mass_g"], rel=0.005)
        assert said["quality"] == "good"


def test_the_day_ends_released(good_day: tuple[Path, Path, Path], capsys: pytest.CaptureFixture[str]) -> None:
    config, capture, _ = good_day
    text = replayed(capsys, config, capture)
    assert [check["verdict"] for check in records(text, "check")] == ["pass", "pass"]
    assert records(text, "release")[-1]["state"] == "released"
    for body in map(json.loads, text.splitlines()):
        assert {"record", "id", "cell", "at", "schema"} <= body.keys()


def test_rubbish_between_the_lines_changes_no_record(
    good_day: tuple[Path, Path, Path], capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    config, capture, _ = good_day
    clean = replayed(capsys, config, capture)
    lines = capture.read_text().splitlines()
    stamp = json.loads(lines[500])["tst"]
    rubbish = [
        "not json",
        f'{{"tst":"{stamp}","topic":"plant/north/scale/floor/reading","qos":0,"retain":0,"payload":"x"}}',
        f'{{"tst":"{stamp}","topic":"plant/north/scale/floor/reading","qos":0,"retain":0,"payload":{{"value":1e300}}}}',
        f'{{"tst":"{stamp}","topic":"plant/north/scale/attic/reading","qos":0,"retain":0,"payload":5}}',
        f'{{"tst":"{stamp}","topic":"plant/south/controller/event","qos":1,"retain":0,"payload":{{"event":"x"}}}}',
        f'{{"tst":"{stamp}","topic":"plant/north/controller/event","qos":1,"retain":0,'
        '"payload":{"event":"gun_opened","gun":"upper","t":"1970-01-01T00:00:00Z"}}',
    ]
    spoiled = tmp_path / "spoiled.jsonl"
    spoiled.write_text("\n".join(lines[:500] + rubbish + lines[500:]) + "\n")
    assert main(["replay", str(spoiled), "--config", str(config), "--json"]) == 0
    told = capsys.readouterr()
    assert told.out == clean
    assert "line 501" in told.err
    assert "unknown_scale" in told.err


def test_what_was_asked_and_not_answered_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    config, capture = tmp_path / "site.toml", tmp_path / "capture.jsonl"
    config.write_text(bench_text())
    # Nobody hears the agent ask: the capture was made without it.
    capture.write_text("\n".join(simulate_capture("air-after-liner-change", 1)) + "\n")
    assert main(["replay", str(capture), "--config", str(config)]) == 0
    said = capsys.readouterr().out
    assert "Asked of the controller and not answered yet: " in said
    assert " of upper (" in said
    assert "gun upper was never checked for impeller-barrier" in said


def test_a_capture_of_another_site_is_told_to_be_that(
    good_day: tuple[Path, Path, Path], capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    _, capture, _ = good_day
    other = tmp_path / "other.toml"
    other.write_text(bench_text().replace('root = "plant"', 'root = "works"'))
    assert main(["replay", str(capture), "--config", str(other)]) == 0
    said = capsys.readouterr()
    assert "No dispense was found" in said.out
    assert (
        "nothing in this capture is on a topic of the configuration: it begins with 'plant/north/" in said.err
    )
    assert "works/north/scale/+/reading" in said.err


def test_events_delivered_twice_change_no_record(
    good_day: tuple[Path, Path, Path], capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    config, capture, _ = good_day
    twice = tmp_path / "twice.jsonl"
    with twice.open("w") as out:
        for line in capture.read_text().splitlines():
            out.write(line + "\n")
            if "controller/event" in line:
                out.write(line + "\n")
    assert replayed(capsys, config, twice) == replayed(capsys, config, capture)


def test_time_told_at_other_moments_changes_no_record(good_day: tuple[Path, Path, Path]) -> None:
    config, capture, _ = good_day
    plan = load(config).plan
    plain, restless = Pipeline(plan), Pipeline(plan)
    first: list[Record] = []
    second: list[Record] = []
    for number, item in enumerate(read_capture(capture.read_bytes().splitlines())):
        first += plain.take(item).records  # type: ignore[arg-type]
        if number % 7 == 0:
            second += restless.passed(item.arrived_s).records  # type: ignore[union-attr]
        second += restless.take(item).records  # type: ignore[arg-type]
    first += plain.finish().records
    second += restless.finish().records
    assert first == second


def test_a_missing_capture_is_a_failed_work_and_a_wrong_file_wrong_words(
    good_day: tuple[Path, Path, Path], capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    config, capture, _ = good_day
    assert main(["replay", str(tmp_path / "none"), "--config", str(config)]) == 1
    assert "cannot read" in capsys.readouterr().err
    assert main(["replay", str(capture), "--config", str(tmp_path / "none")]) == 2


def test_the_table_for_people(good_day: tuple[Path, Path, Path], capsys: pytest.CaptureFixture[str]) -> None:
    config, capture, _ = good_day
    assert main(["replay", str(capture), "--config", str(config)]) == 0
    out = capsys.readouterr().out
    assert "Checks in cell north" in out
    assert "RELEASED" in out
    assert "\x1b[" not in out
