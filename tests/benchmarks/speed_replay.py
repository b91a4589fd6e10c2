"""Replay against reading the same file with json alone."""

from __future__ import annotations

import json
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from speed_process import HERE
from speed_site import CYCLE_S, Plant, Shooter

START_S = 1_767_600_000.0
SCALES = 10
SECONDS = 600.0


def capture(path: Path, rate_hz: float = 10.0) -> int:
    """Write ten minutes of a small plant as mosquitto_sub would; returns the lines."""
    shooters = [Shooter(12.0 + CYCLE_S * n / 2, True) for n in range(2)]
    idle = Shooter(0.0, False)
    lines = 0
    with path.open("w") as out:

        def line(run_s: float, topic: str, payload: dict[str, Any], qos: int) -> None:
            tst = datetime.fromtimestamp(START_S + run_s, UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ+0000")
            body = {"tst": tst, "topic": topic, "qos": qos, "retain": 0, "payload": payload}
            out.write(json.dumps(body, separators=(",", ":")) + "\n")

        for step in range(round(SECONDS * rate_hz)):
            run_s = step / rate_hz
            for number, (cell, size) in enumerate(Plant(SCALES).cells):
                while (event := shooters[number].event(run_s)) is not None:
                    told = {
                        "event": event[0],
                        "t": START_S + event[1],
                        "id": f"{number}-{shooters[number].told}",
                    }
                    told |= {"gun": "g0", "purpose": "shot", "setup": "impeller-barrier"}
                    line(run_s, f"plant/{cell}/controller/event", told, 1)
                    lines += 1
                for n in range(size):
                    mass = (shooters[number] if n == 0 else idle).at(run_s)
                    body = {"value": mass, "unit": "g", "t": START_S + run_s, "stable": True, "seq": step}
                    line(run_s + 0.002, f"plant/{cell}/scale/s{n}/reading", body, 0)
                    lines += 1
    return lines


def replay(bench: Any) -> None:
    """Both over the same capture, each a process of its own on the measured core."""
    place = bench.place("replay")
    config, file = Plant(SCALES).write(place, 1883), place / "capture.jsonl"
    lines = capture(file)
    found = {}
    for what, words in (("json", [str(file)]), ("replay", [str(config), str(file)])):
        command = [
            "taskset",
            "-c",
            str(bench.cores.measured),
            sys.executable,
            str(HERE / "speed_subjects.py"),
        ]
        best = min(
            json.loads(subprocess.run([*command, what, *words], capture_output=True, check=True).stdout)[
                "cpu_s"
            ]
            for _ in range(3)
        )
        found[what] = lines / best
    bench.say("json alone", f"{found['json']:.0f} lines a CPU s, {lines} lines")
    bench.say(
        "replay",
        f"{found['replay']:.0f} readings a CPU s, {found['replay'] / found['json']:.2f} of json alone",
    )
