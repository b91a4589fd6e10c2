"""Brokers other than Mosquitto on loopback: a RabbitMQ cluster of nodes on this machine, and nats-server."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import time
from pathlib import Path

from real_parts import Part, free_port, wait_for_port

RABBIT = "/usr/lib/rabbitmq/bin/rabbitmq-server"


class RabbitNode:
    """One node of a cluster, with the MQTT plugin."""

    def __init__(self, name: str, peers: list[str], folder: Path, epmd_port: int) -> None:
        self.name = name
        self.port = free_port()
        self._folder = folder / name
        self._folder.mkdir(parents=True)
        home = folder / "home"
        home.mkdir(exist_ok=True)
        lines = [
            f"listeners.tcp.default = 127.0.0.1:{free_port()}",
            f"mqtt.listeners.tcp.default = 127.0.0.1:{self.port}",
            "mqtt.allow_anonymous = true",
            "loopback_users = none",
            "cluster_formation.peer_discovery_backend = classic_config",
            "cluster_formation.discovery_retry_limit = 2",
        ]
        lines += [
            f"cluster_formation.classic_config.nodes.{n} = {peer}@localhost"
            for n, peer in enumerate(peers, 1)
        ]
        (self._folder / "rabbitmq.conf").write_text("\n".join(lines) + "\n")
        (self._folder / "plugins").write_text("[rabbitmq_mqtt].")
        self.env = {
            **os.environ,
            "HOME": str(home),
            "RABBITMQ_NODENAME": f"{name}@localhost",
            "RABBITMQ_DIST_PORT": str(free_port()),
            "RABBITMQ_MNESIA_BASE": str(self._folder / "mnesia"),
            "RABBITMQ_LOG_BASE": str(self._folder / "log"),
            "RABBITMQ_ENABLED_PLUGINS_FILE": str(self._folder / "plugins"),
            "RABBITMQ_CONFIG_FILE": str(self._folder / "rabbitmq.conf"),
            "ERL_EPMD_PORT": str(epmd_port),
            "ERL_EPMD_ADDRESS": "127.0.0.1",
            "RABBITMQ_SERVER_ADDITIONAL_ERL_ARGS": "-kernel inet_dist_use_interface {127,0,0,1} +sbwt none",
        }
        self._process: subprocess.Popen[bytes] | None = None

    def start(self, within_s: float = 90.0) -> None:
        """Start it and wait until it speaks MQTT."""
        with (self._folder / "out.txt").open("ab") as out:
            # A session of its own: the start script leaves the Erlang machine as a child.
            self._process = subprocess.Popen(
                [RABBIT],
                env=self.env,
                stdout=out,
                stderr=out,
                stdin=subprocess.DEVNULL,
                start_new_session=True,
            )
        wait_for_port(self.port, self._process, within_s)

    def kill(self) -> None:
        """SIGKILL to the node and its helpers: it is gone, without a word to the others."""
        if self._process is not None:
            with contextlib.suppress(ProcessLookupError):
                os.killpg(self._process.pid, signal.SIGKILL)
            self._process.wait(20)
            self._process = None


class RabbitCluster:
    """Nodes on this machine that know each other."""

    def __init__(self, folder: Path, nodes: int = 2) -> None:
        epmd_port = free_port()
        names = [f"rabbit{n}-{epmd_port}" for n in range(1, nodes + 1)]
        self.nodes = [RabbitNode(name, names, folder, epmd_port) for name in names]
        self._epmd_port = epmd_port

    def start(self) -> None:
        """One after the other: each joins the first. Sessions live on all nodes.

        Without that policy a session dies with the node it was made on, and until that node is back the
        broker ends every connection that asks for it.
        """
        for node in self.nodes:
            node.start()
        mirrored = [
            "set_policy",
            "sessions",
            "^mqtt-subscription-",
            '{"ha-mode":"all"}',
            "--apply-to",
            "queues",
        ]
        done = self._tell(self.nodes[0], mirrored)
        if done.returncode != 0:
            raise RuntimeError(f"the policy was refused: {done.stdout!r} {done.stderr!r}")

    def running(self) -> int:
        """How many nodes the first node that answers counts as running."""
        for node in self.nodes:
            done = self._tell(node, ["eval", "length(rabbit_nodes:all_running())."])
            if done.returncode == 0:
                return int(done.stdout)
        return 0

    def _tell(self, node: RabbitNode, words: list[str]) -> subprocess.CompletedProcess[bytes]:
        command = ["/usr/lib/rabbitmq/bin/rabbitmqctl", "-q", *words]
        return subprocess.run(command, env=node.env, capture_output=True, timeout=60, check=False)

    def stop(self) -> None:
        """End all of it, the port mapper of this cluster alone included."""
        for node in self.nodes:
            node.kill()
        env = {**os.environ, "ERL_EPMD_PORT": str(self._epmd_port)}
        until = time.monotonic() + 10.0
        while time.monotonic() < until:
            # It lets itself be ended once it has noticed that its nodes are gone.
            done = subprocess.run(["epmd", "-kill"], env=env, capture_output=True, timeout=20, check=False)
            if b"Killed" in done.stdout + done.stderr:
                return
            time.sleep(0.2)


def nats_at(program: str, folder: Path) -> tuple[Part, int]:
    """A nats-server with MQTT and its streams below the folder; the part, not started, and its MQTT port."""
    folder.mkdir(parents=True, exist_ok=True)
    port = free_port()
    config = folder / "nats.conf"
    config.write_text(
        f'server_name: "shop"\nlisten: "127.0.0.1:{free_port()}"\n'
        f'jetstream {{ store_dir: "{folder}/streams" }}\nmqtt {{ listen: "127.0.0.1:{port}" }}\n'
    )
    return Part([program, "-c", str(config)], folder / "nats.log", cwd=folder), port
