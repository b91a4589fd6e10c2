"""The world of one campaign: the installed agent as a process, broker, database, proxies and the oracle."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE), str(HERE.parent / "support")]

import real_parts  # noqa: E402
from fault_proxy import FaultProxy  # noqa: E402
from parts_found import find_part  # noqa: E402
from tcp_proxy import TcpProxy  # noqa: E402

CELL = "booth-2"
ROOT = "yard"
RESTART_S = 0.2
PATIENCE_S = 90.0
"""How long an alarm is waited for: no promise states a time, and a busy machine must not break one."""
SITE = """\
[agent]
id = "edge-7"
state_dir = "{state}"
timezone = "Europe/Helsinki"

[mqtt]
host = "{host}"
port = {port}
root = "yard"
{mqtt}

[journal]
ballast_mb = 1
free_mb = {free_mb}
{influx}
{setups}

[[cells]]
id = "booth-2"
  [[cells.scales]]
  id = "bench"
  resolution_g = 0.05
  capacity_g = 4200.0
  [[cells.guns]]
  id = "port"
  scale = "bench"
  [[cells.guns]]
  id = "starboard"
  scale = "bench"
"""
SETUP = """
[[setups]]
name = "{name}"
fluid = "n-butyl acetate"
target_g_per_min = 84.0
tolerance_pct = 5.0
balance_pct = 4.0
shot_s = 4.0
shots = 3
bleed_s = 2.0
pot_pressure_bar = 0.6
"""
SHIFT = """
  [[cells.shifts]]
  name = "early"
  days = "mon-sun"
  starts = "{starts}"
  lead_min = {lead_min}
  setup = "gearbox-primer"
"""
INFLUX = """
[influx]
url = "{url}"
org = "shop"
bucket = "flow"
timeout_s = 2.0
"""


class Oracle:
    """Asks the oracle's process."""

    def __init__(self, port: int) -> None:
        self._process = subprocess.Popen(
            [sys.executable, str(HERE / "oracle.py"), str(port), ROOT, CELL],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        self._lock = threading.Lock()

    def ask(self, do: str, **more: Any) -> Any:
        """One question, one answer. Raises RuntimeError with the oracle's own words."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        with self._lock:
            self._process.stdin.write(json.dumps({"do": do, **more}) + "\n")
            self._process.stdin.flush()
            answer = json.loads(self._process.stdout.readline())
        if "fault" in answer:
            raise RuntimeError(f"the oracle on {do}: {answer['fault']}")
        return answer["ok"]

    def close(self) -> None:
        """End the process."""
        self._process.kill()
        self._process.wait()
        for pipe in (self._process.stdin, self._process.stdout):
            if pipe is not None:
                with contextlib.suppress(BrokenPipeError):
                    pipe.close()


class Agent:
    """The installed agent, kept alive as a service manager would: restarted whenever it ends."""

    def __init__(self, folder: Path, config: Path) -> None:
        self.folder, self.config = folder, config
        self.log = folder / "agent.log"
        self.prefix: list[str] = []
        """What the next start runs under, once."""
        self.env: dict[str, str] = {}
        self.command = [sys.executable, "-m", "agent"]
        self.restarts = 0
        self.statuses: list[int] = []
        self.keep = False
        self._process: subprocess.Popen[bytes] | None = None
        self._thread: threading.Thread | None = None
        self._changed = threading.Condition()

    def start(self, prefix: Sequence[str] = (), *, keep: bool = True) -> None:
        """Start it, and keep it running where `keep`; `prefix` counts for the first start alone."""
        self.prefix, self.keep = list(prefix), keep
        self._spawn()
        self._thread = threading.Thread(target=self._look_after, daemon=True)
        self._thread.start()

    @property
    def pid(self) -> int:
        """Process id of the agent itself, under whatever it runs."""
        assert self._process is not None
        pid = self._process.pid
        if "strace" in Path(f"/proc/{pid}/comm").read_text():
            children = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
            return int(children[0])
        return pid

    def send(self, number: int) -> None:
        """Send the agent a signal; harmless where it has just ended."""
        with contextlib.suppress(ProcessLookupError, IndexError, FileNotFoundError):
            os.kill(self.pid, number)

    def freeze(self) -> None:
        """SIGSTOP, and wait until every thread stands still: what it said before that counts as said."""
        self.send(signal.SIGSTOP)
        until = time.monotonic() + 5.0
        while time.monotonic() < until:
            with contextlib.suppress(OSError, IndexError):
                tasks = Path(f"/proc/{self.pid}/task").iterdir()
                if {(task / "stat").read_text().rsplit(")", 1)[1].split()[0] for task in tasks} == {"T"}:
                    return
            time.sleep(0.005)

    @property
    def ends(self) -> int:
        """How often it has ended since the first start; take it before what may end it."""
        return len(self.statuses)

    @property
    def connections(self) -> int:
        """How often it said that it was connected."""
        return self.log_text().count("connected to")

    def wait_end(self, after: int, within_s: float = 60.0) -> bool:
        """Wait until it has ended more often than `after`, an earlier count of `ends`."""
        with self._changed:
            return self._changed.wait_for(lambda: self.ends > after, within_s)

    def kill(self) -> bool:
        """SIGKILL to what runs, or is about to; whether that was its end."""
        while self._process is None or self._process.poll() is not None:
            time.sleep(0.01)
        after = self.ends
        self.send(signal.SIGKILL)
        return self.wait_end(after) and self.statuses[after] == -signal.SIGKILL

    def stop(self, number: int = signal.SIGTERM, within_s: float = 15.0) -> int | None:
        """End it for good; its status."""
        self.keep = False
        if self._process is None:
            return None
        if self._process.poll() is None:
            if number != signal.SIGKILL:
                # A frozen process hears nothing else; and one that is to be killed must not say another word.
                self.send(signal.SIGCONT)
            self.send(number)
        try:
            status = self._process.wait(within_s)
        except subprocess.TimeoutExpired:
            self.send(signal.SIGKILL)
            self._process.kill()
            status = self._process.wait(5.0)
        if self._thread is not None:
            self._thread.join(5.0)
        return status

    def log_text(self) -> str:
        """What it logged."""
        return self.log.read_text(errors="replace") if self.log.exists() else ""

    def rss_mb(self) -> float:
        """Resident memory."""
        for line in Path(f"/proc/{self.pid}/status").read_text().splitlines():
            if line.startswith("VmRSS"):
                return int(line.split()[1]) / 1024
        return 0.0

    def peak_mb(self) -> float:
        """Most resident memory since its start."""
        for line in Path(f"/proc/{self.pid}/status").read_text().splitlines():
            if line.startswith("VmHWM"):
                return int(line.split()[1]) / 1024
        return 0.0

    def descriptors(self) -> int:
        """Open files."""
        return len(list(Path(f"/proc/{self.pid}/fd").iterdir()))

    def _spawn(self) -> None:
        # It dies with the campaign, however that ends.
        leash = [program, "--pdeathsig", "KILL"] if (program := shutil.which("setpriv")) else []
        words = [*self.prefix, *leash, *self.command, "run", "--config", str(self.config)]
        self.prefix = []
        environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1", **self.env}
        with self.log.open("ab") as log:
            self._process = subprocess.Popen(words, stdout=log, stderr=log, env=environment)

    def _look_after(self) -> None:
        while True:
            assert self._process is not None
            status = self._process.wait()
            with self._changed:
                self.statuses.append(status)
                self._changed.notify_all()
            time.sleep(RESTART_S if self.keep else 0.0)
            if not self.keep:
                return
            self.restarts += 1
            self._spawn()


class World:
    """Everything, started; `close` ends it."""

    def __init__(
        self,
        folder: Path,
        *,
        database: real_parts.HttpPart | None = None,
        state: Path | None = None,
        broker: Mapping[str, Any] | None = None,
        free_mb: int = 1,
        mqtt: str = "keepalive_s = 4",
        host: str = "127.0.0.1",
        shift: tuple[str, int] | None = None,
    ) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.folder = folder
        self.state = state or folder / "state"
        settings = {"config": "max_queued_messages 20000\nmax_queued_bytes 0", **(broker or {})}
        self.broker = real_broker(folder / "broker", **settings)
        self.broker.start()
        self.link = TcpProxy(self.broker.port).start()
        self.database = database
        self.sink = FaultProxy(database.port, rewrite=lambda path: path).start() if database else None
        self.config = folder / "site.toml"
        self.config.write_text(
            SITE.format(
                state=self.state,
                host=host,
                port=self.link.port,
                mqtt=mqtt,
                free_mb=free_mb,
                influx=INFLUX.format(url=self.sink.url) if self.sink else "",
                setups="".join(SETUP.format(name=name) for name in ("gearbox-primer", "gearbox-topcoat")),
            )
            + (SHIFT.format(starts=shift[0], lead_min=shift[1]) if shift else "")
        )
        self.agent = Agent(folder, self.config)
        self.oracle = Oracle(self.broker.port)

    def audit(self, within_s: float = 60.0) -> dict[str, Any]:
        """What the oracle finds now."""
        url = self.database.url if self.database else None
        found = self.oracle.ask("audit", state_dir=str(self.state), database=url, within_s=within_s)
        assert isinstance(found, dict)
        return found

    def verify(self) -> str:
        """The agent's own check of chain and checksums; empty when sound."""
        ran = subprocess.run(
            [sys.executable, "-m", "agent", "history", "--config", str(self.config), "--verify"],
            capture_output=True,
            text=True,
            check=False,
        )
        return "" if ran.returncode == 0 else (ran.stdout + ran.stderr)[-500:]

    def begin(self, prefix: Sequence[str] = ()) -> None:
        """The first start: nothing is promised before the session exists."""
        self.agent.start(prefix)
        assert self.ready(), self.agent.log_text()[-2000:]

    def connected_again(self, within_s: float = 20.0) -> None:
        """Wait for the next connection of the agent."""
        before, until = self.agent.connections, time.monotonic() + within_s
        while self.agent.connections == before and time.monotonic() < until:
            time.sleep(0.05)

    def ready(self, within_s: float = 60.0) -> bool:
        """Wait until the agent says that it is online."""
        return bool(self.oracle.ask("ready", within_s=within_s))

    def alarm(
        self, name: str, since: float, *, state: str = "UNACK", within_s: float = PATIENCE_S
    ) -> float | None:
        """Seconds from `since` until an alarm was heard in the state; None where it was not."""
        heard = self.oracle.ask("alarm", names=[name], since=since, within_s=within_s, state=state)
        return None if heard is None else float(heard[1])

    def first_alarm(self, names: Sequence[str], since: float) -> tuple[str, float | None]:
        """Which of these was heard first, and seconds until then; the first name where none was."""
        heard = self.oracle.ask("alarm", names=names, since=since, within_s=PATIENCE_S, state="UNACK")
        return (names[0], None) if heard is None else (str(heard[0]), float(heard[1]))

    def online(self, within_s: float = 30.0) -> float | None:
        """Seconds until the whole chain answers; None where it does not."""
        alive = self.oracle.ask("alive", within_s=within_s)
        return None if alive is None else float(alive)

    def sink_bodies(self) -> list[str]:
        """What reached the database."""
        return [body.decode() for body in self.sink.bodies] if self.sink is not None else []

    def close(self) -> None:
        """End everything."""
        self.agent.stop()
        self.oracle.close()
        self.link.stop()
        if self.sink is not None:
            self.sink.stop()
        self.broker.stop()


def real_broker(folder: Path, **settings: Any) -> real_parts.Mosquitto:
    """A Mosquitto, not started yet."""
    program = find_part("mosquitto")
    assert program, "mosquitto is needed"
    return real_parts.Mosquitto(program, folder, **settings)


def victoria(folder: Path) -> real_parts.HttpPart:
    """A VictoriaMetrics, started."""
    program = find_part("victoria-metrics")
    assert program, "victoria-metrics is needed"
    folder.mkdir(parents=True, exist_ok=True)
    part = real_parts.victoria_metrics_at(program, folder)
    part.start()
    return part


def strace(inject: str, *paths: Path) -> list[str]:
    """Runs what follows under strace, which spoils system calls (on these paths only, where given)."""
    call = inject.split(":", maxsplit=1)[0]
    only = [word for path in paths for word in ("-P", str(path))]
    program = shutil.which("strace")
    assert program, "strace is needed"
    return [program, "-f", "-qq", "-o", "/dev/null", *only, "-e", f"trace={call}", "-e", f"inject={inject}"]
