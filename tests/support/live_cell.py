"""A simulated cell, a broker and the agent with its page, in one process and faster than real time."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from running_agent import wait_until

from agent.runtime.agent import RunningAgent
from agent.runtime.clock import BorrowedClock
from agent.runtime.showing import Showing
from agent.runtime.wiring import agent_of, journal_of
from agent.settings.load import load
from agent.settings.site import Site
from agent.web.board import Board
from simulators.link import SimulatedCell

STARTS_S = datetime(2026, 3, 2, 3, 29, 50, tzinfo=UTC).timestamp()
"""A Monday, ten seconds before the early shift's check is asked for."""

SITE = """\
[agent]
id = "edge-7"
state_dir = "state"
timezone = "Europe/Helsinki"

[mqtt]
host = "127.0.0.1"
port = {port}
root = "yard"

[page]
enabled = true
port = 0

[health]
enabled = true
port = 0

[[setups]]
name = "gearbox-primer"
fluid = "n-butyl acetate"
target_g_per_min = 84.0
tolerance_pct = 5.0
balance_pct = 4.0
shot_s = 15.0
shots = 3
bleed_s = 8.0
pot_pressure_bar = 0.6

[[cells]]
id = "booth-2"

  [[cells.scales]]
  id = "bench"
  resolution_g = 0.05
  capacity_g = 4200.0
  silent_s = 60.0

  [[cells.guns]]
  id = "port"
  scale = "bench"

  [[cells.guns]]
  id = "starboard"
  scale = "bench"

  [[cells.shifts]]
  name = "early"
  days = "mon-fri"
  starts = "06:00"
  lead_min = 30
  setup = "gearbox-primer"
"""


@dataclass
class LiveCell:
    """What runs, and where it is served."""

    site: Site
    agent: RunningAgent
    board: Board
    page_url: str
    health_url: str
    stop: threading.Event
    stop_worker: threading.Event
    cell: SimulatedCell

    def states(self) -> list[str | None]:
        """Release state of every cell, as pinned on the board."""
        pinned = self.board.read()
        return [cell.desk.state for cell in pinned.snapshot.cells] if pinned else []


@contextmanager
def live_cell(
    folder: Path,
    port: int,
    *,
    scenario: str = "gun-out-of-balance",
    speed: float = 20.0,
    rename: Mapping[str, str] | None = None,
) -> Iterator[LiveCell]:
    """Everything, against the broker on `port`; the cell begins its shift when this is entered."""
    config = folder / "site.toml"
    text = SITE.format(port=port)
    for name, other in (rename or {}).items():
        text = text.replace(f'"{name}"', json.dumps(other))
    config.write_text(text)
    site = load(config)
    cell = SimulatedCell(
        "127.0.0.1",
        port,
        config.read_text(),
        scenario=scenario,
        speed=speed,
        start_s=STARTS_S,
        runs_checks=False,
    )
    journal = journal_of(site)
    showing = Showing(site)
    agent = agent_of(site, journal, BorrowedClock(cell.now_s), pipeline=showing.pipeline)
    stop, stop_worker = threading.Event(), threading.Event()
    worker = threading.Thread(target=agent.run, args=(stop_worker,), name="worker", daemon=True)
    servers = showing.servers(agent, ("mqtt",), lambda: {"worker": worker.is_alive()})
    threads = [threading.Thread(target=server.run, args=(stop,), daemon=True) for server in servers]
    try:
        with cell:
            for thread in (worker, *threads):
                thread.start()
            wait_until(lambda: all(server.port for server in servers))
            page, health = (f"http://127.0.0.1:{server.port}" for server in servers)
            yield LiveCell(site, agent, showing.board, page, health, stop, stop_worker, cell)
    finally:
        stop.set()
        stop_worker.set()
        for thread in (worker, *threads):
            if thread.is_alive():
                thread.join(20.0)
        journal.close()
