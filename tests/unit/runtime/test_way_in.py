"""Who goes in at a broker, and with what: the agent, the bridge, and the edge node for SCADA."""

from __future__ import annotations

from pathlib import Path

import pytest
from running_agent import AGENT, JOB_AND_CELL

from agent.bridge.bridge import address_of
from agent.broker.client import Address
from agent.runtime.wiring import broker_of, scada_broker_of
from agent.settings.load import load
from agent.settings.secrets import SecretUnreadable

SITE = f"""{AGENT}[mqtt]
host = "broker.yard.example"
port = 8883
root = "yard"
version = "5"
username = "edge-7"
password_file = "$CREDENTIALS_DIRECTORY/password"
ca_file = "$CREDENTIALS_DIRECTORY/ca"
cert_file = "$CREDENTIALS_DIRECTORY/crt"
key_file = "$CREDENTIALS_DIRECTORY/key"
keepalive_s = 7

[sparkplug]
group = "yard"
host = "scada.yard.example"
ca_file = "plant-ca.crt"
cert_file = "$CREDENTIALS_DIRECTORY/crt"
key_file = "$CREDENTIALS_DIRECTORY/key"
{JOB_AND_CELL}"""


def addresses(folder: Path) -> dict[str, Address]:
    (folder / "site.toml").write_text(SITE)
    site = load(folder / "site.toml")
    assert site.sparkplug is not None
    return {
        "agent": broker_of(site),
        "bridge": address_of(site),
        "scada": scada_broker_of(site.sparkplug, site),
    }


def test_a_credential_of_systemd_may_stand_for_every_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(tmp_path / "given"))
    (tmp_path / "given").mkdir()
    (tmp_path / "given" / "password").write_text("pw-9\n")
    found = addresses(tmp_path)
    given = tmp_path / "given"
    for who in ("agent", "bridge"):
        address = found[who]
        files = (address.ca_file, address.cert_file, address.key_file)
        assert files == (given / "ca", given / "crt", given / "key"), who
        assert (address.host, address.port, address.password) == ("broker.yard.example", 8883, "pw-9")
        assert (address.version, address.keepalive_s, address.tls) == ("5", 7, True)
    assert found["scada"].ca_file == tmp_path / "plant-ca.crt"
    assert (found["scada"].cert_file, found["scada"].key_file) == (given / "crt", given / "key")
    assert (found["scada"].host, found["scada"].password) == ("scada.yard.example", None)


def test_each_is_somebody_of_its_own_and_only_the_agent_keeps_a_session(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(tmp_path))
    (tmp_path / "password").write_text("pw-9\n")
    found = addresses(tmp_path)
    names = {who: (address.client_id, address.keeps_session) for who, address in found.items()}
    assert names == {
        "agent": ("shotgram-edge-7", True),
        "bridge": ("shotgram-edge-7-bridge", False),
        "scada": ("shotgram-edge-7-sparkplug", False),
    }


def test_without_the_credential_nobody_goes_in(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("CREDENTIALS_DIRECTORY", raising=False)
    with pytest.raises(SecretUnreadable, match="LoadCredential=password"):
        addresses(tmp_path)
