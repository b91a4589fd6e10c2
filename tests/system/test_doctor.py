"""`shotgram doctor` against real brokers and databases: present, absent, and wrong in every usual way."""

from __future__ import annotations

import http.server
import json
import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from running_agent import SITE, Listener, RunningAgent, wait_until
from site_broker import start_site_broker

from agent.commands.main import main

Found = dict[str, list[dict[str, str]]]


def doctor(config: Path, capsys: pytest.CaptureFixture[str], listen: str = "0.5") -> tuple[int, Found]:
    capsys.readouterr()
    status = main(["doctor", "--config", str(config), "--json", "--listen", listen])
    found: Found = {}
    for line in capsys.readouterr().out.splitlines():
        body = json.loads(line)
        found.setdefault(body["what"], []).append(body)
    return status, found


def site(folder: Path, port: int, mqtt: str = "", more: str = "") -> Path:
    config = folder / "site.toml"
    text = SITE.format(port=port).replace('root = "yard"\n', f'root = "yard"\n{mqtt}')
    config.write_text(text + more)
    return config


@pytest.mark.real_part("mosquitto")
def test_all_is_well_with_a_broker_and_input(
    mosquitto: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    config = site(tmp_path, mosquitto.port)
    speaker = Listener(mosquitto.port, name="scale")
    over = threading.Event()

    def speak() -> None:
        while not over.wait(0.1):
            speaker.say("yard/booth-2/scale/bench/reading", {"value": 5.0, "unit": "g"})
            speaker.say("yard/booth-2/pot/pressure", {"value": 1.0, "unit": "furlong"})

    thread = threading.Thread(target=speak)
    thread.start()
    try:
        status, found = doctor(config, capsys, "1.5")
    finally:
        over.set()
        thread.join()
        speaker.close()
    assert found["broker"][0]["level"] == "well"
    assert "MQTT 5" in found["broker"][0]["text"]
    readings = [one for one in found["input"] if "reading" in one["text"]]
    assert readings[0]["level"] == "well"
    # What the agent could not use is told, and is the one thing to mend.
    assert any("furlong" in one["text"] for one in found["input"] if one["level"] == "mend")
    assert "topics" not in found
    assert status == 1


def test_no_broker_is_said_with_what_to_mend(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, found = doctor(site(tmp_path, 9), capsys)
    assert status == 1
    assert "nothing listens on that port" in found["broker"][0]["text"]
    assert "start the broker" in found["broker"][0]["mend"]
    assert found["journal"][0]["level"] == "note"


def test_a_host_that_is_no_name_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    config = site(tmp_path, 1883)
    config.write_text(config.read_text().replace('host = "127.0.0.1"', 'host = "no-such-host.invalid"'))
    _, found = doctor(config, capsys)
    assert "no machine is called 'no-such-host.invalid'" in found["broker"][0]["text"]


@pytest.mark.real_part("mosquitto")
def test_credentials_that_are_refused_are_named(
    mosquitto_factory: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    passwords = tmp_path / "passwords"
    subprocess.run(["mosquitto_passwd", "-b", "-c", str(passwords), "edge", "right"], check=True)
    broker = mosquitto_factory(listeners={"named": f"allow_anonymous false\npassword_file {passwords}"})
    _, found = doctor(site(tmp_path, broker.port), capsys)
    assert found["broker"][0]["mend"].startswith("it lets in nobody without a name")
    secret = tmp_path / "password"
    secret.write_text("wrong\n")
    secret.chmod(0o600)
    named = 'username = "edge"\npassword_file = "password"\n'
    config = site(tmp_path, broker.port, named)
    _, found = doctor(config, capsys)
    assert "look at username and password_file" in found["broker"][0]["mend"]
    secret.write_text("right\n")
    status, found = doctor(config, capsys)
    assert (status, found["broker"][0]["level"]) == (0, "well")
    secret.unlink()
    _, found = doctor(config, capsys)
    assert found["secrets"][0]["level"] == found["broker"][0]["level"] == "mend"


def made_certificate(folder: Path, name: str, *, days: int = 100) -> tuple[Path, Path]:
    key, cert = folder / f"{name}.key", folder / f"{name}.crt"
    command = ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-subj", f"/CN={name}"]
    command += ["-keyout", str(key), "-out", str(cert), "-addext", f"subjectAltName=DNS:{name}"]
    subprocess.run([*command, "-days", str(days)], check=True, capture_output=True)
    return cert, key


@pytest.mark.real_part("mosquitto", "openssl")
def test_what_is_wrong_with_tls_is_named(
    mosquitto_factory: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (good, good_key), (short, short_key) = (
        made_certificate(tmp_path, "localhost"),
        made_certificate(tmp_path, "127.0.0.1", days=3),
    )
    tls = "allow_anonymous true\ncertfile {}\nkeyfile {}"
    broker = mosquitto_factory(
        listeners={
            "good": tls.format(good, good_key),
            "other": tls.format(short, short_key),
            "plain": "allow_anonymous true",
        }
    )

    def said(port: int, ca: Path | None, host: str = "localhost") -> dict[str, str]:
        trusted = f'ca_file = "{ca}"\n' if ca is not None else "tls = true\n"
        config = site(tmp_path, port, trusted)
        config.write_text(config.read_text().replace('host = "127.0.0.1"', f'host = "{host}"'))
        _, found = doctor(config, capsys)
        return found["broker"][0]

    well = said(broker.ports["good"], good)
    assert well["level"] == "well"
    assert "speaks TLSv1" in well["text"]
    assert "signed by itself" in said(broker.ports["good"], None)["text"]
    assert said(broker.ports["other"], short)["text"].endswith("is for another name")
    assert "is for another address" in said(broker.ports["good"], good, "127.0.0.1")["text"]
    assert "no TLS there" in said(broker.ports["plain"], good)["text"]
    not_pem = tmp_path / "not.pem"
    not_pem.write_text("nothing")
    assert "cannot be used" in said(broker.ports["good"], not_pem)["text"]


@pytest.mark.real_part("mosquitto", "openssl")
def test_a_site_made_by_the_script_is_well_and_a_running_agent_is_left_in_peace(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    broker = start_site_broker(tmp_path / "site")
    agent: RunningAgent | None = None
    try:
        cert, key = broker.certificate("edge-1")
        mqtt = f'ca_file = "{broker.authority}"\ncert_file = "{cert}"\nkey_file = "{key}"\n'
        agent = RunningAgent(tmp_path, broker.port)
        text = agent.config.read_text().replace('root = "yard"\n', f'root = "plant"\n{mqtt}')
        text = text.replace('"edge-7"', '"edge-1"').replace('"booth-2"', '"north"')
        agent.config.write_text(text)
        status, found = doctor(agent.config, capsys)
        assert status == 0, found
        assert "topics" not in found
        agent.start()
        wait_until(lambda: "connected to" in agent.log_text())
        status, found = doctor(agent.config, capsys)
        assert status == 0, found
        assert f"process {agent.pid}" in found["broker"][-1]["text"]
        assert found["journal"][-1]["text"] == f"an agent is writing it now (process {agent.pid})"
        assert "no broker" not in agent.log_text()
        assert agent.log_text().count("connected to") == 1
    finally:
        if agent is not None:
            agent.kill()
        broker.leave()
        broker.part.stop()


INFLUX = '\n[influx]\nurl = "http://127.0.0.1:{port}"\norg = "shop"\nbucket = "flow"\ntoken_file = "token"\n'


@contextmanager
def database_that_says(status: int) -> Iterator[int]:
    """Answers writes as InfluxDB 2 does, whose program this machine does not have."""

    class Handler(http.server.BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self.send_response(204)
            self.end_headers()

        def do_POST(self) -> None:
            assert self.headers["Authorization"] == "Token let-me-in"
            assert self.headers["Content-Length"] == "0"
            self.send_response(status)
            self.end_headers()

        def log_message(self, *_: Any) -> None:
            pass

    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    try:
        yield server.server_port
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


@pytest.mark.parametrize(
    ("status", "level", "word"),
    [
        (204, "well", "may be written"),
        (400, "well", "may be written"),
        (401, "mend", "the token is refused"),
        (404, "mend", "no bucket 'flow'"),
        (503, "mend", "answers 503"),
    ],
)
def test_what_the_database_says_to_a_write_of_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], status: int, level: str, word: str
) -> None:
    (tmp_path / "token").write_text("let-me-in\n")
    (tmp_path / "token").chmod(0o600)
    with database_that_says(status) as port:
        _, found = doctor(site(tmp_path, 9, more=INFLUX.format(port=port)), capsys)
    assert (found["database"][1]["level"], word in found["database"][1]["text"]) == (level, True)


@pytest.mark.real_part("victoria-metrics")
def test_a_real_database_takes_a_write_of_nothing_and_holds_nothing_after(
    tmp_path: Path, victoria_metrics: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "token").write_text("anything\n")
    (tmp_path / "token").chmod(0o600)
    _, found = doctor(site(tmp_path, 9, more=INFLUX.format(port=victoria_metrics.port)), capsys)
    assert [one["level"] for one in found["database"]] == ["well", "well"]


def test_the_disk_is_tried_and_left_as_it_was(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    state = tmp_path / "state"
    state.mkdir()
    _, found = doctor(site(tmp_path, 9), capsys)
    assert "a write is safe after" in found["disk"][1]["text"]
    assert list(state.iterdir()) == []


def test_a_scale_that_is_not_plugged_in_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    config = site(tmp_path, 9)
    line = '\n    [cells.scales.serial]\n    port = "/dev/no-such-port"\n    profile = "number-only"\n'
    config.write_text(config.read_text().replace("  capacity_g = 4200.0\n", f"  capacity_g = 4200.0\n{line}"))
    _, found = doctor(config, capsys)
    assert "/dev/no-such-port is not there" in found["scales"][0]["text"]


def test_people_read_it_with_what_to_mend_below(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["doctor", "--config", str(site(tmp_path, 9)), "--listen", "0.5"]) == 1
    shown = capsys.readouterr().out
    assert "broker        MEND  127.0.0.1:9" in shown
    assert "→ start the broker" in shown
    assert shown.rstrip().endswith("1 thing to mend.")
