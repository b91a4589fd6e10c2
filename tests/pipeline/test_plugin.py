"""The pytest plugin: fixture, marker, parts, and an outside project's tests in an empty folder."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import time
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

import simulators
from simulators.bench import SprayCell
from simulators.site import bench_text


def outside(folder: Path, text: str, *words: str) -> subprocess.CompletedProcess[str]:
    """Run tests as somebody else's project would: another folder, another process, nothing configured."""
    (folder / "test_our_cell.py").write_text(text)
    return subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", *words],
        check=False,
        cwd=folder,
        env={k: v for k, v in os.environ.items() if not k.startswith("PYTEST")},
        capture_output=True,
        text=True,
        timeout=100,
    )


def test_the_worked_example_of_the_readme_runs_in_an_empty_folder(tmp_path: Path) -> None:
    readme = Path(simulators.__file__).with_name("README.md").read_text(encoding="utf-8")
    example = re.search(r"```python\n# test_our_cell.py\n(.*?)```", readme, re.DOTALL)
    assert example is not None
    ran = outside(tmp_path, example.group(1), "-W", "error")
    assert ran.returncode == 0, ran.stdout + ran.stderr
    assert "5 passed" in ran.stdout


def test_wrong_words_of_the_marker_are_named(tmp_path: Path) -> None:
    ran = outside(
        tmp_path,
        "import pytest\n"
        '@pytest.mark.spray_cell(scenario="none")\ndef test_a(spray_cell): pass\n'
        '@pytest.mark.spray_cell(colour="red")\ndef test_b(spray_cell): pass\n'
        '@pytest.mark.spray_cell("worn-nozzle", seed=2)\n'
        'def test_c(spray_cell): assert spray_cell.gun("upper").wear_pct == 12\n',
    )
    assert "1 passed, 2 errors" in ran.stdout, ran.stdout + ran.stderr
    assert "no scenario called 'none'; there are: good-day" in ran.stdout
    assert "spray_cell knows no colour; there are: cell, config" in ran.stdout


def test_the_plugin_costs_nothing_where_it_is_not_used(tmp_path: Path) -> None:
    ran = outside(
        tmp_path,
        "import sys\n"
        "def test_lean():\n"
        "    heavy = {'numpy', 'scipy', 'paho', 'amqtt', 'agent.pipeline', 'simulators.bench'}\n"
        "    assert not heavy & set(sys.modules)\n",
        "-p", "no:anyio", "-p", "no:hypothesispytest",
    )  # fmt: skip
    assert "1 passed" in ran.stdout, ran.stdout + ran.stderr


def test_a_shift_start_takes_less_than_a_second_and_says_the_truth(spray_cell: SprayCell) -> None:
    began = time.process_time()
    release = spray_cell.start_shift()
    took_s = time.process_time() - began
    assert release is not None
    assert release["state"] == "released"
    shots = spray_cell.records("dispense")
    assert [shot["purpose"] for shot in shots] == ["bleed", "shot", "shot", "shot"] * 2
    for shot, truth in zip(shots, spray_cell.truth, strict=True):
        assert shot["gun"] == truth.gun
        assert shot["mass_g"] == pytest.approx(truth.mass_g, rel=0.005)
    # The first run of a process also imports scipy; CPU time, so that a busy machine does not matter.
    assert took_s < 4.0
    began = time.process_time()
    spray_cell.start_shift()
    assert time.process_time() - began < 1.0


def test_parts_can_be_reached_and_wrong_names_are_told(spray_cell: SprayCell) -> None:
    spray_cell.gun("upper").wear_pct = 8
    check = spray_cell.run_check("upper", bleed_s=0.0)
    assert check is not None
    assert check["verdict"] == "fail"
    assert [d["purpose"] for d in spray_cell.records("dispense", gun="upper")] == ["shot"] * 3
    assert spray_cell.records("dispense", gun="lower") == []
    assert spray_cell.latest("balance") is None
    for ask in (spray_cell.gun, spray_cell.scale):
        with pytest.raises(KeyError, match="there are: "):
            ask("attic")
    with pytest.raises(KeyError, match="no gun called 'attic'"):
        spray_cell.run_check("attic")
    spray_cell.set(pot={"set_bar": 0.6})
    assert spray_cell.cell.pot.set_bar == 0.6


def test_a_scale_that_is_touched_spoils_what_runs(spray_cell: SprayCell) -> None:
    scale = spray_cell.scale("floor")
    spray_cell.controller.manners.answers = False  # no further shots, whoever asks
    spray_cell.controller.run_check("upper", shots=1, shot_s=20.0, bleed_s=0.0)
    spray_cell.advance(15.0)
    scale.knock_over()
    spray_cell.advance(14.0)
    scale.put_back()
    spray_cell.advance(60.0)
    spoiled = spray_cell.records("dispense", quality="rejected")
    assert len(spoiled) == 1
    assert spray_cell.truth[0].spoiled
    seen = len(spray_cell.records("dispense"))
    scale.bump()
    scale.take_away()
    spray_cell.advance(20.0)
    scale.put_back()
    scale.zero()
    scale.unplug()
    spray_cell.advance(5.0)
    scale.plug_in()
    spray_cell.advance(60.0)
    assert len(spray_cell.records("dispense")) == seen


def test_other_software_speaks_and_listens_on_the_broker(spray_cell: SprayCell) -> None:
    theirs = mqtt.Client(CallbackAPIVersion.VERSION2)
    replies: list[bytes] = []
    theirs.on_message = lambda _client, _data, message: replies.append(bytes(message.payload))
    theirs.connect(spray_cell.broker.host, spray_cell.broker.port)
    theirs.loop_start()
    try:
        theirs.subscribe("plant/north/reply", 1)
        request = {
            "id": "mine", "request": "flow_check", "gun": "lower", "setup": "impeller-barrier",
            "shots": 1, "shot_s": 10.0, "bleed_s": 0.0,
        }  # fmt: skip
        theirs.publish("plant/north/request", json.dumps(request), 1).wait_for_publish(5.0)
        assert spray_cell.heard("plant/north/request")[0].body == request
        spray_cell.advance(60.0)
        assert spray_cell.heard("plant/+/reply")[0].body == {"id": "mine", "accepted": True, "reason": None}
        assert len(spray_cell.heard("plant/north/flow/dispense")) == 1
        # What is ours does not come back to us as somebody else's.
        assert len(spray_cell.records("dispense")) == 1
    finally:
        theirs.disconnect()
        theirs.loop_stop()
    assert json.loads(replies[0])["id"] == "mine"
    assert spray_cell.heard("plant/north/scale/#") == []
    spray_cell.publish("plant/north/scale/floor/reading", b"not a number")
    spray_cell.publish("plant/north/request", {"id": "again", "request": "dance"})
    spray_cell.advance(2.0)
    assert spray_cell.heard("plant/north/reply")[-1].body["accepted"] is False


@pytest.mark.spray_cell(mirror_readings=True, seed=4)
def test_readings_on_the_broker_for_who_wants_them(spray_cell: SprayCell) -> None:
    spray_cell.advance(3.0)
    readings = spray_cell.heard("plant/north/scale/floor/reading")
    assert 28 <= len(readings) <= 30


def test_without_pytest_and_with_ones_own_configuration() -> None:
    text = bench_text().replace('"upper"', '"left"').replace('root = "plant"', 'root = "works"')
    with SprayCell(config=text, scenario="worn-nozzle") as cell:
        assert cell.gun("left").wear_pct == 12.0
        check = cell.run_check("left")
        assert check is not None
        assert check["verdict"] == "fail"
        assert cell.heard("works/north/flow/check/left")[-1].body == check
        assert cell.latest("check") == check
