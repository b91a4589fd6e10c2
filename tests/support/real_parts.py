"""Real programs that tests run on free loopback ports: start, kill, pause and stop them."""

from __future__ import annotations

import shutil
import signal
import socket
import subprocess
import time
import urllib.error
import urllib.request
from collections.abc import Mapping, Sequence
from pathlib import Path


def free_port() -> int:
    """A loopback TCP port that nothing listened on a moment ago."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def wait_for_port(port: int, process: subprocess.Popen[bytes], within_s: float = 30.0) -> None:
    """Return once something listens on the port. Raises RuntimeError where it died or took too long."""
    until = time.monotonic() + within_s
    while time.monotonic() < until:
        if process.poll() is not None:
            raise RuntimeError(f"{process.args!r} ended with status {process.returncode} before it listened")
        with socket.socket() as probe:
            probe.settimeout(0.5)
            if probe.connect_ex(("127.0.0.1", port)) == 0:
                return
        time.sleep(0.02)
    raise RuntimeError(f"nothing listens on port {port} after {within_s} s")


class Part:
    """A real program as a child process; it dies with the test run, however that ends."""

    def __init__(self, command: Sequence[str], log: Path, *, cwd: Path, env: Mapping[str, str] | None = None):
        self.command = list(command)
        self.log = log
        self.cwd = cwd
        self.env = env
        self.process: subprocess.Popen[bytes] | None = None

    @property
    def pid(self) -> int:
        """The running program's process id."""
        if self.process is None:
            raise RuntimeError("not running")
        return self.process.pid

    def spawn(self, *ports: int) -> None:
        """Start the program and wait until it listens on every port."""
        setpriv = shutil.which("setpriv")
        prefix = [setpriv, "--pdeathsig", "KILL"] if setpriv else []
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                [*prefix, *self.command],
                stdout=log,
                stderr=log,
                stdin=subprocess.DEVNULL,
                cwd=self.cwd,
                env=self.env,
            )
        try:
            for port in ports:
                wait_for_port(port, self.process)
        except RuntimeError as fault:
            self.kill()
            tail = self.log.read_text(errors="replace")[-2000:]
            raise RuntimeError(f"{fault}; its log ends:\n{tail}") from None

    def signal(self, which: signal.Signals) -> None:
        """Send the program a signal."""
        if self.process is not None and self.process.poll() is None:
            self.process.send_signal(which)

    def pause(self) -> None:
        """Hang the program: it holds its connections and says nothing."""
        self.signal(signal.SIGSTOP)

    def resume(self) -> None:
        """Let a paused program go on."""
        self.signal(signal.SIGCONT)

    def kill(self) -> None:
        """SIGKILL, and wait until it is gone."""
        self.signal(signal.SIGKILL)
        self._reap()

    def stop(self) -> None:
        """A clean end (SIGTERM), by force after 10 s."""
        self.signal(signal.SIGCONT)
        self.signal(signal.SIGTERM)
        self._reap()

    def _reap(self) -> None:
        if self.process is None:
            return
        try:
            self.process.wait(10)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait(10)
        self.process = None


class Mosquitto:
    """A real Mosquitto with one or several listeners on 127.0.0.1.

    `listeners` maps a name of yours to the configuration lines that belong under that listener; the first
    one's port is `port`, all are in `ports`. Sessions and retained messages are kept over `kill()` and
    `restart()` (saved at every change) unless `persistent` is False.
    """

    def __init__(
        self,
        program: str,
        folder: Path,
        *,
        config: str = "",
        listeners: Mapping[str, str] | None = None,
        persistent: bool = True,
    ):
        folder.mkdir(parents=True, exist_ok=True)
        self.folder = folder
        listeners = listeners or {"plain": "allow_anonymous true"}
        self.ports = {name: free_port() for name in listeners}
        self.port = next(iter(self.ports.values()))
        lines = ["user root", "log_type all", "log_dest stderr"]
        if persistent:
            lines += ["persistence true", f"persistence_location {folder}/", "autosave_on_changes true"]
            lines += ["autosave_interval 1"]
        lines.append(config)
        for name, text in listeners.items():
            lines += [f"listener {self.ports[name]} 127.0.0.1", text]
        self.config_file = folder / "mosquitto.conf"
        self.config_file.write_text("\n".join(lines) + "\n")
        self.part = Part([program, "-c", str(self.config_file)], folder / "mosquitto.log", cwd=folder)

    @property
    def pid(self) -> int:
        """Process id of the broker."""
        return self.part.pid

    @property
    def log_text(self) -> str:
        """What the broker has logged so far."""
        return self.part.log.read_text(errors="replace")

    def start(self) -> None:
        """Start the broker and wait until every listener answers."""
        self.part.spawn(*self.ports.values())

    def restart(self, *, forget: bool = False) -> None:
        """End the broker cleanly and start it again on the same ports; `forget` loses every session."""
        self.stop()
        if forget:
            (self.folder / "mosquitto.db").unlink(missing_ok=True)
        self.start()

    def kill(self) -> None:
        """SIGKILL: no goodbye to anyone."""
        self.part.kill()

    def stop(self) -> None:
        """A clean end."""
        self.part.stop()

    def pause(self) -> None:
        """Hang the broker (SIGSTOP)."""
        self.part.pause()

    def resume(self) -> None:
        """Let it go on (SIGCONT)."""
        self.part.resume()


class HttpPart:
    """A real database that speaks HTTP on 127.0.0.1."""

    def __init__(self, part: Part, port: int):
        self.part = part
        self.port = port
        self.url = f"http://127.0.0.1:{port}"

    @property
    def pid(self) -> int:
        """Process id of the database."""
        return self.part.pid

    def start(self) -> None:
        """Start it and wait until it answers."""
        self.part.spawn(self.port)

    def restart(self) -> None:
        """End it cleanly and start it again on the same port and data."""
        self.part.stop()
        self.start()

    def kill(self) -> None:
        """SIGKILL."""
        self.part.kill()

    def stop(self) -> None:
        """A clean end."""
        self.part.stop()

    def get(self, path: str, data: bytes | None = None) -> bytes:
        """Body of the answer to a GET, or a POST where there is data. Raises RuntimeError with the answer."""
        request = urllib.request.Request(f"{self.url}{path}", data=data)  # noqa: S310 - always our own loopback URL
        try:
            with urllib.request.urlopen(request, timeout=30) as answer:  # noqa: S310
                return bytes(answer.read())
        except urllib.error.HTTPError as fault:
            raise RuntimeError(f"{path}: {fault.code} {fault.read()[:500]!r}") from None


def victoria_metrics_at(program: str, folder: Path) -> HttpPart:
    """A VictoriaMetrics on a free port; it keeps milliseconds, and equal points collapse by dedup alone."""
    port = free_port()
    command = [
        program,
        f"-storageDataPath={folder}/vm",
        f"-httpListenAddr=127.0.0.1:{port}",
        "-dedup.minScrapeInterval=1ms",
        "-retentionPeriod=100y",
        "-search.latencyOffset=0s",
        "-search.disableCache",
    ]
    return HttpPart(Part(command, folder / "vm.log", cwd=folder), port)


def influxd_at(program: str, folder: Path) -> HttpPart:
    """An InfluxDB 1.x on a free port, data below the folder."""
    port, rpc = free_port(), free_port()
    config = folder / "influxdb.conf"
    config.write_text(
        f"""
reporting-disabled = true
bind-address = "127.0.0.1:{rpc}"
[meta]
dir = "{folder}/meta"
[data]
dir = "{folder}/data"
wal-dir = "{folder}/wal"
[http]
bind-address = "127.0.0.1:{port}"
[monitor]
store-enabled = false
"""
    )
    return HttpPart(Part([program, "-config", str(config)], folder / "influxd.log", cwd=folder), port)
