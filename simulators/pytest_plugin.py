"""What `pip install shotgram[simulators]` adds to pytest: a simulated spray cell for one's own tests.

    @pytest.mark.spray_cell(scenario="worn-nozzle")
    def test_a_worn_nozzle_holds_the_job(spray_cell):
        assert spray_cell.start_shift()["state"] == "held"

The marker's words: `scenario` (a name or a TOML file), `config` (path of an agent's configuration), `cell`,
`seed`, `mirror_readings`. Nothing is imported until a test asks for the fixture.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from simulators.bench import SprayCell

WORDS = frozenset({"scenario", "config", "cell", "seed", "mirror_readings"})


def pytest_configure(config: pytest.Config) -> None:
    """Register the marker that chooses a scenario."""
    config.addinivalue_line(
        "markers",
        'spray_cell(scenario="good-day", config=None, cell=None, seed=1, mirror_readings=False): '
        "what the simulated spray cell is like",
    )


@pytest.fixture
def spray_cell(request: pytest.FixtureRequest) -> Iterator[SprayCell]:
    """A simulated spray cell with the agent beside it and a running broker, in simulated time."""
    from simulators.bench import SprayCell
    from simulators.site import SiteError

    words = _words(request)
    if words.get("config") is not None:
        words["config"] = Path(words["config"]).read_text(encoding="utf-8")
    try:
        bench = SprayCell(**words)
    except SiteError as fault:
        pytest.fail(f"spray_cell: {fault}", pytrace=False)
    with bench:
        yield bench


def _words(request: pytest.FixtureRequest) -> dict[str, Any]:
    """The words of the nearest marker, over those of the markers around it."""
    words: dict[str, Any] = {}
    for mark in reversed(list(request.node.iter_markers("spray_cell"))):
        if mark.args:
            words["scenario"] = mark.args[0]
        words |= mark.kwargs
    unknown = sorted(set(words) - WORDS)
    if unknown:
        pytest.fail(
            f"spray_cell knows no {', '.join(unknown)}; there are: {', '.join(sorted(WORDS))}", pytrace=False
        )
    return words
