"""The demonstration: everything in one process, over real MQTT on loopback, as a new user sees it."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest


@pytest.fixture(scope="module")
def shown(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, subprocess.CompletedProcess[str]]:
    folder = tmp_path_factory.mktemp("demo")
    command = [sys.executable, "-m", "agent", "demo", "--out", str(folder)]
    return folder, subprocess.run(command, capture_output=True, text=True, timeout=100, check=False)


def test_first_held_then_released_with_a_table(
    shown: tuple[Path, subprocess.CompletedProcess[str]],
) -> None:
    _, done = shown
    assert done.returncode == 0, done.stdout + done.stderr
    out = done.stdout
    assert out.index("is HELD") < out.index("turned the needle") < out.index("is RELEASED")
    assert "Probable cause: needle-closed" in out
    assert "First checks" in out
    assert "After the knob was turned" in out
    assert "RELEASED" in out
    assert "never opens a valve" in out
    assert done.stderr == ""


def test_the_journal_of_the_demo_is_sound_and_can_be_read(
    shown: tuple[Path, subprocess.CompletedProcess[str]],
) -> None:
    folder, _ = shown

    def history(*words: str) -> str:
        command = [sys.executable, "-m", "agent", "history", "--config", str(folder / "demo.toml"), *words]
        done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
        assert done.returncode == 0, done.stdout + done.stderr
        return done.stdout

    assert "sound" in history("--verify")
    assert "0 differ" in history("--recompute")
    shots = [json.loads(line) for line in history("--kind", "dispense", "--json").splitlines()]
    assert {shot["gun"] for shot in shots} == {"port", "starboard"}
    assert "Uncertainty budget" in history("--shot", shots[0]["id"])
