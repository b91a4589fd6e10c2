"""A site's broker on loopback, started with exactly the files that deploy/make-site.sh writes."""

from __future__ import annotations

import shutil
import subprocess
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import real_parts
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from parts_found import needed

DEPLOY = Path(__file__).parents[2] / "deploy"


PLANT = "--root plant --agent edge-1 --cell north --cell south --standby a --standby b --sparkplug shop"
"""Two agents edge-1 that stand by for each other, two cells, and SCADA."""


def make_site(out: Path, etc: Path, port: int, site: str = PLANT) -> None:
    """Run the script for a site on 127.0.0.1."""
    words = ["--out", out, *site.split(), "--broker", "127.0.0.1", "--port", port, "--etc", etc]
    done = subprocess.run(
        ["sh", str(DEPLOY / "make-site.sh"), *map(str, words)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr


@dataclass
class SiteBroker:
    """A running broker and the files it was started with."""

    folder: Path
    port: int
    part: real_parts.Part
    clients: list[paho.Client] = field(default_factory=list)

    @property
    def authority(self) -> Path:
        """Certificate of the site's authority."""
        return self.folder / "clients" / "ca.crt"

    def certificate(self, user: str) -> tuple[Path, Path]:
        """A user's certificate and key."""
        return self.folder / "clients" / f"{user}.crt", self.folder / "clients" / f"{user}.key"

    def client(
        self,
        user: str,
        *,
        claims: str | None = None,
        version: MQTTProtocolVersion = MQTTProtocolVersion.MQTTv5,
        reconnects: bool = False,
        **more: Any,
    ) -> paho.Client:
        """A client with a user's certificate that has not connected; it may claim another's id."""
        older = version == MQTTProtocolVersion.MQTTv311
        client = paho.Client(
            CallbackAPIVersion.VERSION2,
            client_id=claims or user,
            protocol=version,
            clean_session=True if older else None,
            reconnect_on_failure=reconnects,
            **more,
        )
        cert, key = self.certificate(user)
        client.tls_set(str(self.authority), str(cert), str(key))
        self.clients.append(client)
        return client

    def leave(self) -> None:
        """Disconnect every client that was made."""
        for client in self.clients:
            client.disconnect()
            client.loop_stop()
            if (line := client.socket()) is not None:
                line.close()  # its thread ended before the broker had closed it
        self.clients.clear()


def start_site_broker(folder: Path, site: str = PLANT) -> SiteBroker:
    """A broker on a free port; the files lie where deploy/README.md says."""
    etc, port = folder / "etc", real_parts.free_port()
    make_site(folder, etc, port, site)
    (etc / "certs").mkdir(parents=True)
    for name in ("ca.crt", "broker.crt", "broker.key"):
        shutil.copy(folder / "broker" / name, etc / "certs" / name)
    shutil.copy(folder / "shotgram.acl", etc / "shotgram.acl")
    state = folder / "state"
    state.mkdir()
    main = folder / "mosquitto.conf"
    # What Debian's own mosquitto.conf holds, but for the folders and the user.
    main.write_text(
        f"user root\npersistence true\npersistence_location {state}/\nlog_dest stderr\n"
        f"include_dir {folder / 'conf.d'}\n"
    )
    part = real_parts.Part([needed("mosquitto"), "-c", str(main)], folder / "mosquitto.log", cwd=folder)
    part.spawn(port)
    return SiteBroker(folder, port, part)
