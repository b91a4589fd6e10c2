"""`shotgram doctor` against a real broker, present and absent."""

from __future__ import annotations

import json
import threading
from pathlib import Path
from typing import Any

import pytest
from running_agent import SITE, Listener

from agent.commands.main import main


def findings(capsys: pytest.CaptureFixture[str]) -> dict[str, list[dict[str, str]]]:
    found: dict[str, list[dict[str, str]]] = {}
    for line in capsys.readouterr().out.splitlines():
        body = json.loads(line)
        found.setdefault(body["what"], []).append(body)
    return found


@pytest.mark.real_part("mosquitto")
def test_all_is_well_with_a_broker_and_input(
    mosquitto: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    config = tmp_path / "site.toml"
    config.write_text(SITE.format(port=mosquitto.port))
    speaker = Listener(mosquitto.port, name="scale")
    over = threading.Event()

    def speak() -> None:
        while not over.wait(0.1):
            speaker.say("yard/booth-2/scale/bench/reading", {"value": 5.0, "unit": "g"})
            speaker.say("yard/booth-2/pot/pressure", {"value": 1.0, "unit": "furlong"})

    thread = threading.Thread(target=speak)
    thread.start()
    try:
        status = main(["doctor", "--config", str(config), "--json", "--listen", "1.5"])
    finally:
        over.set()
        thread.join()
        speaker.close()
    found = findings(capsys)
    assert found["broker"][0]["level"] == "well"
    assert "MQTT 5" in found["broker"][0]["text"]
    readings = [one for one in found["input"] if "reading" in one["text"]]
    assert readings[0]["level"] == "well"
    # What the agent could not use is told, and is the one thing to mend.
    assert any("furlong" in one["text"] for one in found["input"] if one["level"] == "mend")
    assert status == 1


def test_no_broker_is_said_with_what_to_mend(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    config = tmp_path / "site.toml"
    config.write_text(SITE.format(port=9))
    assert main(["doctor", "--config", str(config), "--json", "--listen", "0.5"]) == 1
    found = findings(capsys)
    assert found["broker"][0]["level"] == "mend"
    assert "credentials" in found["broker"][0]["mend"]
    assert found["journal"][0]["level"] == "note"
