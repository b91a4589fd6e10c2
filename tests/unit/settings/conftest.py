"""One right configuration to make wrong ones of."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from agent.settings.faults import BadConfiguration, ConfigFault
from agent.settings.load import load

RIGHT = """\
[agent]
id = "edge-7"
state_dir = "state"
timezone = "Europe/Lisbon"

[mqtt]
root = "works"

[influx]
url = "http://127.0.0.1:8086"
org = "works"
bucket = "flow"
token_file = "secrets/influx-token"

[[fluids]]
name = "slate"
density = [{ t_c = 15.0, kg_per_m3 = 1048.0 }, { t_c = 25.0, kg_per_m3 = 1039.0 }]

[[setups]]
name = "hub"
fluid = "slate"
target_g_per_min = 96.0

[[setups]]
name = "rim"
fluid = "MEK"
target_g_per_min = 120.0
needle_settings = { upper = 2.5 }

[[cells]]
id = "west"

  [[cells.scales]]
  id = "floor"
  resolution_g = 0.1
  capacity_g = 6100.0

  [[cells.guns]]
  id = "upper"
  scale = "floor"

  [[cells.guns]]
  id = "lower"
  scale = "floor"

  [[cells.shifts]]
  name = "early"
  days = "mon-fri"
  starts = "06:00"
  setup = "hub"
"""

Write = Callable[..., Path]


@pytest.fixture
def right() -> str:
    return RIGHT


@pytest.fixture
def write(tmp_path: Path) -> Write:
    """Write the right configuration with some of its text replaced; every replaced text must be there."""

    def write(*changes: tuple[str, str], text: str = RIGHT) -> Path:
        for old, new in changes:
            assert old in text, old
            text = text.replace(old, new, 1)
        path = tmp_path / "site.toml"
        path.write_bytes(text.encode())
        return path

    return write


@pytest.fixture
def faults(write: Write) -> Callable[..., tuple[ConfigFault, ...]]:
    """The faults of the right configuration after some changes."""

    def faults(*changes: tuple[str, str]) -> tuple[ConfigFault, ...]:
        with pytest.raises(BadConfiguration) as caught:
            load(write(*changes))
        return caught.value.faults

    return faults
