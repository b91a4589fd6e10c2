"""Reads the configuration a command was given, or says on standard error what is wrong with it."""

from __future__ import annotations

import sys
from pathlib import Path

from agent.settings.faults import BadConfiguration
from agent.settings.load import load
from agent.settings.site import Site

WRONG = 2
"""Exit status of a wrong configuration."""


def load_or_complain(path: Path) -> Site | None:
    """The site, or None after every fault of the file was told; notes are told too."""
    try:
        site = load(path)
    except BadConfiguration as bad:
        print(bad, file=sys.stderr)
        return None
    for note in site.notes:
        print(f"note: {note}", file=sys.stderr)
    return site
