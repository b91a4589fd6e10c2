"""Reads the configuration a command was given, or says on standard error what is wrong with it."""

from __future__ import annotations

import shutil
import sys
import textwrap
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
        complain(str(bad))
        return None
    for note in site.notes:
        complain(f"note: {note}")
    return site


def complain(text: str) -> None:
    """Lines on standard error; on a terminal a long one goes on below itself, and words stay whole."""
    if sys.stderr.isatty():
        columns = shutil.get_terminal_size().columns
        text = "\n".join(_hanging(line, columns) for line in text.splitlines())
    print(text, file=sys.stderr)


def _hanging(line: str, columns: int) -> str:
    inset = " " * (len(line) - len(line.lstrip()) + 4)
    return textwrap.fill(
        line, columns, subsequent_indent=inset, break_long_words=False, break_on_hyphens=False
    )
