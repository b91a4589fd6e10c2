"""What the speed benchmark feeds: a site of many cells, and the readings and events of one made-up plant.

Each cell has up to five scales with a gun each. Its first scale shoots half of the time (20 s in 40 s, each
cell at its own phase), so that with five scales a cell a tenth of all scales has a shot running at any time.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

SCALES_A_CELL = 5
SHOT_S = 20.0
CYCLE_S = 40.0
FLOW_G_PER_S = 1.6
STEP_G = 0.1

_HEAD = """\
[agent]
id = "edge-1"
state_dir = "state"

[mqtt]
host = "127.0.0.1"
port = {port}
root = "plant"

[[setups]]
name = "impeller-barrier"
fluid = "butanone"
target_g_per_min = {target}
tolerance_pct = 5.0
balance_pct = 4.0
shot_s = 20.0
shots = 3
bleed_s = 15.0
pot_pressure_bar = 0.5
"""
_SCALE = """\
  [[cells.scales]]
  id = "s{n}"
  resolution_g = 0.1
  capacity_g = 6100.0
  [[cells.guns]]
  id = "g{n}"
  scale = "s{n}"
"""


@dataclass(frozen=True)
class Plant:
    """So many scales, in cells of at most five."""

    scales: int
    target_g_per_min: float = 60.0 * FLOW_G_PER_S
    """What the job asks of its guns; they give 96 g/min."""

    @property
    def cells(self) -> list[tuple[str, int]]:
        """(cell, how many scales it has)."""
        full, rest = divmod(self.scales, SCALES_A_CELL)
        sizes = [SCALES_A_CELL] * full + ([rest] if rest else [])
        return [(f"c{number:03d}", size) for number, size in enumerate(sizes)]

    def config(self, port: int) -> str:
        """The configuration of an agent that watches all of it."""
        parts = [_HEAD.format(port=port, target=self.target_g_per_min)]
        for cell, size in self.cells:
            parts.append(f'[[cells]]\nid = "{cell}"\n')
            parts += [_SCALE.format(n=n) for n in range(size)]
        return "".join(parts)

    def write(self, folder: Path, port: int) -> Path:
        """The configuration as a file."""
        path = folder / "site.toml"
        path.write_text(self.config(port))
        return path


@dataclass
class Shooter:
    """One scale of a cell: what it shows and what its controller tells. Times are seconds of the run."""

    phase_s: float
    shoots: bool = True
    mass_g: float = 250.0
    told: int = -1

    def at(self, run_s: float) -> float:
        """The scale's reading."""
        if not self.shoots:
            return self.mass_g
        cycle, within_s = self._where(run_s)
        grams = FLOW_G_PER_S * (SHOT_S * cycle + min(max(within_s, 0.0), SHOT_S))
        return round(round((self.mass_g + grams) / STEP_G) * STEP_G, 1)

    def event(self, run_s: float) -> tuple[str, float] | None:
        """The event that is due by now, with its exact time in the run; None where there is none."""
        if not self.shoots:
            return None
        cycle, within_s = self._where(run_s)
        state = 2 * cycle + (within_s >= SHOT_S) if within_s >= 0 else 2 * cycle - 1
        if state <= self.told:
            return None
        self.told += 1
        began_s = self.phase_s + CYCLE_S * (self.told // 2)
        return ("gun_closed", began_s + SHOT_S) if self.told % 2 else ("gun_opened", began_s)

    def _where(self, run_s: float) -> tuple[int, float]:
        since_s = run_s - self.phase_s
        if since_s < 0:
            return 0, since_s
        cycle = int(since_s // CYCLE_S)
        return cycle, since_s - CYCLE_S * cycle
