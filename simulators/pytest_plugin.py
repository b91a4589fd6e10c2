"""What `pip install shotgram[simulators]` adds to pytest: a simulated spray cell for one's own tests."""

from __future__ import annotations

import pytest


def pytest_configure(config: pytest.Config) -> None:
    """Register the marker that chooses a scenario."""
    config.addinivalue_line(
        "markers", 'spray_cell(scenario="good-day", seed=1): what the simulated spray cell is like'
    )
