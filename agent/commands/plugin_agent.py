"""The measuring rooms for somebody else's tests: what the simulators' pytest plugin asks for, by name."""

from __future__ import annotations

import tempfile
from pathlib import Path

from agent.pipeline.pipeline import Pipeline
from agent.settings.load import load


def agent_for(config_toml: str) -> Pipeline:
    """The pipeline of a configuration's text, with no network, journal or clock.

    Raises BadConfiguration with every fault of the text.
    """
    with tempfile.TemporaryDirectory(prefix="shotgram-") as folder:
        file = Path(folder) / "configuration.toml"
        file.write_text(config_toml, encoding="utf-8")
        return Pipeline(load(file).plan)
