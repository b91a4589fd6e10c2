"""What the commands tell: nothing cut, padded or said twice; a line for a spreadsheet; refused messages."""

from __future__ import annotations

import csv
import io
import json
import math
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from played_journal import opened, played, site_in

from agent.commands import bridge
from agent.commands.main import main
from agent.commands.tables import pressure_note
from agent.contract.inputs import RawMessage, Undecodable

ROOT = Path(__file__).parents[3]


@pytest.fixture(scope="module")
def config(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A site whose second gun was out of balance."""
    return played(tmp_path_factory.mktemp("told"), "gun-out-of-balance").file


def told(capsys: pytest.CaptureFixture[str], *words: object) -> str:
    capsys.readouterr()
    assert main([str(word) for word in words]) == 0
    return capsys.readouterr().out


def test_a_pipe_gets_whole_lines_and_no_padding(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    kinds = [word for kind in ("check", "release", "alert", "cause") for word in ("--kind", kind)]
    shown = told(capsys, "history", "--config", config, *kinds)
    lines = shown.splitlines()
    assert all(line == line.rstrip() for line in lines)
    # The longest reason there is stands in one line.
    reason = next(line for line in lines if "as advised, or mend" in line)
    assert reason.endswith("then check it again.")


def test_a_shots_budget_names_every_contribution_and_what_they_make_together(
    config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    kind = ("history", "--config", config, "--kind", "dispense", "--json")
    bodies = [json.loads(line) for line in told(capsys, *kind).splitlines()]
    body = next(body for body in bodies if body["quality"] == "good" and body["purpose"] == "shot")
    shown = told(capsys, "history", "--config", config, "--shot", body["id"])
    rows = {words[0]: words for words in map(str.split, shown.splitlines()) if words}
    named = {"readings", "rounding", "drift", "timing", "buoyancy", "density", "calibration"}
    assert named <= {line["source"] for line in body["budget"]}
    for line in body["budget"]:
        assert rows[line["source"]][1:3] == [line["kind"], f"{line['u_g_per_min']:.4f}"]
    total = math.sqrt(math.fsum(line["u_g_per_min"] ** 2 for line in body["budget"]))
    freedom = f"{body['dof']:.1f}" if body["dof"] < 1000 else "over"
    half = 0.5 * (body["flow_high_g_per_min"] - body["flow_low_g_per_min"])
    assert rows["combined"][1:4] == [f"{total:.4f}", "100.0", freedom]
    assert f"U = {half:.3f} g/min, k = {half / total:.2f}" in shown


def test_what_off_means_is_said_where_the_pressure_was_another(
    config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shown = told(capsys, "history", "--config", config, "--kind", "check")
    assert "brought to the setup's pot pressure" in shown
    assert pressure_note([(96.0, 96.01, 96.0), (None, None, 96.0)]) is None


def test_an_alarm_is_explained_while_it_stands_and_a_line_after(
    config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rows = [
        json.loads(line)
        for line in told(
            capsys, "history", "--config", config, "--kind", "alert", "--last", 50, "--json"
        ).splitlines()
    ]
    shown = told(capsys, "history", "--config", config, "--kind", "alert", "--last", 50)
    standing = sum(row["state"] in {"UNACK", "ACKED"} for row in rows)
    assert 0 < standing < len(rows)
    assert shown.count("→ ") == standing
    assert len(shown.splitlines()) == 1 + len(rows) + 2 * standing + 1


def test_advice_is_a_sentence_and_its_reason(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    shown = told(capsys, "history", "--config", config, "--kind", "advice")
    assert "pen the needle by 0.4 turn. Expect " in shown
    assert "(response 25 ± 13 % per turn" in shown


def test_a_cell_of_a_spreadsheet_is_readable(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    shown = told(capsys, "history", "--config", config, "--kind", "check", "--csv")
    row = next(csv.DictReader(io.StringIO(shown)))
    flows = [float(flow) for flow in row["shots"].split("; ")]
    assert len(flows) == 3
    assert sum(flows) / 3 == pytest.approx(float(row["mean_g_per_min"]), rel=0.01)
    shown = told(capsys, "history", "--config", config, "--kind", "release", "--csv")
    assert "{" not in shown


@pytest.mark.parametrize("digits", [8, 9, 20])
def test_a_shot_is_found_by_the_beginning_of_its_id(
    config: Path, capsys: pytest.CaptureFixture[str], digits: int
) -> None:
    newest = json.loads(
        told(capsys, "history", "--config", config, "--kind", "dispense", "--last", 1, "--json")
    )
    name = newest["id"].removeprefix("dispense-")[:digits]
    shown = told(capsys, "history", "--config", config, "--shot", name)
    assert newest["id"] in shown
    assert f"{newest['flow_g_per_min']:.3f} g/min (u = " in shown
    assert "e-0" not in shown
    assert json.loads(told(capsys, "history", "--config", config, "--shot", name, "--json")) == newest


def test_a_shot_that_is_not_there_is_no_success(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["history", "--config", str(config), "--shot", "zz"]) == 1
    assert "--kind dispense lists them" in capsys.readouterr().err
    assert main(["history", "--config", str(config), "--shot", ""]) == 0  # nothing asked for: the history


def test_refused_messages_are_counted_and_shown(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    site = site_in(tmp_path)
    journal = opened(site)
    topic, body = "yard/booth-2/scale/bench/reading", b'{"value": "\x1b[31mheavy"}'
    journal.append(
        refused=[
            (RawMessage(topic, body, 1.0), Undecodable(topic, 1.0, "value is no number", "wrong_type")),
        ]
    )
    journal.close()
    shown = told(capsys, "history", "--config", site.file, "--refused")
    assert "value is no number [wrong_type]" in shown
    assert "\\x1b[31mheavy" in shown
    assert "\x1b" not in shown
    (row,) = told(capsys, "history", "--config", site.file, "--refused", "--json").splitlines()
    assert json.loads(row)["code"] == "wrong_type"
    assert "1 message could not be used" in told(capsys, "history", "--config", site.file, "--verify")
    verified = json.loads(told(capsys, "history", "--config", site.file, "--verify", "--json"))
    assert verified["refused"] == 1
    main(["doctor", "--config", str(site.file), "--listen", "0.1"])
    assert "1 message could not be used, the newest on yard/booth-2/scale/bench/reading" in (
        capsys.readouterr().out
    )


def test_a_report_that_cannot_be_written_says_where(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["report", "--config", str(config), "-o", "/nowhere/report.html"]) == 1
    assert capsys.readouterr().err == (
        "shotgram report: cannot write /nowhere/report.html: No such file or directory\n"
    )


@pytest.mark.parametrize("words", ["replay - --config", "history --config"])
def test_a_reader_that_leaves_is_no_fault_of_the_tables(config: Path, words: str) -> None:
    command = (
        f"{sys.executable} -m agent {words} {config} < /dev/null | true; "
        'echo "${PIPESTATUS[0]}"'
    )  # fmt: skip
    done = subprocess.run(["bash", "-c", command], capture_output=True, text=True, check=True, cwd=ROOT)
    assert (done.stdout, done.stderr) == ("0\n", "")


def test_a_reader_that_leaves_the_demo_is_no_fault(tmp_path: Path) -> None:
    command = (
        f"{sys.executable} -m agent demo --speed 200 --json --out {tmp_path} | head -n 1; "
        'echo "${PIPESTATUS[0]}"'
    )
    done = subprocess.run(["bash", "-c", command], capture_output=True, text=True, check=True, cwd=ROOT)
    first, status = done.stdout.splitlines()
    assert json.loads(first)["record"]
    assert (status, done.stderr) == ("0", "")


def test_every_command_that_tells_something_tells_it_as_json(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    rows = [json.loads(line) for line in told(capsys, "simulate", "--list", "--json").splitlines()]
    assert {"good-day", "worn-nozzle"} <= {row["name"] for row in rows}
    capture = tmp_path / "c.jsonl"
    body = json.loads(told(capsys, "simulate", "--scenario", "good-day", "--capture", capture, "--json"))
    assert body["messages"] == len(capture.read_text().splitlines())
    bridge._show_json("booth-2/bench:       read as 12.3 g, stable")
    shown: dict[str, Any] = json.loads(capsys.readouterr().out)
    assert shown == {"scale": "booth-2/bench", "said": "read as 12.3 g, stable"}


def test_a_clock_that_runs_ahead_is_said_before(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["simulate", "--config", str(config), "--scenario", "good-day"]
    assert main([*words, "--speed", "20"]) == 1  # there is no broker
    assert "runs ahead" in capsys.readouterr().err
    assert main(words) == 1
    assert "runs ahead" not in capsys.readouterr().err


def test_a_capture_with_no_dispense_says_so(
    config: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    capture = tmp_path / "quiet.jsonl"
    capture.write_text("")
    assert "No dispense was found" in told(capsys, "replay", capture, "--config", config)
