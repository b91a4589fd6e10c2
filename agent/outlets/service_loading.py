"""Loads those of Apprise's services alone that the addresses ask for.

Left to itself Apprise loads all of its 200 and more at the first address: 11 MB, of which a shop uses one
or two. Its manager loads what it finds the names of in a folder: it is shown a folder with the few names in
question. Which service belongs to `mailto` is looked up in the sources of the services, each of which assigns
the words of its addresses. Where one is not found so, all are loaded, as Apprise would have: nothing is lost
but memory.
"""

from __future__ import annotations

import logging
import re
from collections.abc import Set as AbstractSet
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

log = logging.getLogger(__name__)

_ASSIGNED = re.compile(r"^\s+(?:secure_)?protocol\s*=\s*(\([^)]*\)|\[[^]]*\]|\{[^}]*\}|.*)$", re.MULTILINE)
_WORD = re.compile(r"""["']([a-z0-9]{1,32})["']""")


class Services:
    """Which of Apprise's services are loaded. Use it in one thread."""

    def __init__(self) -> None:
        self._all = False

    def load(self, schemas: AbstractSet[str]) -> None:
        """Make sure that the services are loaded whose addresses begin with these words, in lower case."""
        import apprise

        library: Any = apprise  # it has next to no type hints
        manager = library.NotificationManager()
        # Asked before anything is loaded, the manager would load all.
        missing = {schema for schema in schemas if schema not in manager} if manager else set(schemas)
        if self._all or not missing:
            return
        try:
            with TemporaryDirectory(prefix="shotgram-services-") as folder:
                for name, words in words_of(Path(manager.module_path)).items():
                    if words & missing:
                        Path(folder, name).touch()
                manager.load_modules(path=folder)
        except OSError as fault:
            log.info("the services for alarms cannot be loaded one by one: %s", fault)
        if not manager or any(schema not in manager for schema in missing):
            log.info("an address for alarms names no service by its own word: loading all services")
            # From the beginning: it would warn of every service that is there already.
            manager.unload_modules()
            manager.load_modules()
            self._all = True


def words_of(folder: Path) -> dict[str, set[str]]:
    """By module or package below `folder`: the words with which addresses of its service begin."""
    found: dict[str, set[str]] = {}
    for source in folder.rglob("*.py"):
        text = source.read_text(encoding="utf-8", errors="replace")
        words = {word for assigned in _ASSIGNED.findall(text) for word in _WORD.findall(assigned)}
        found.setdefault(source.relative_to(folder).parts[0].removesuffix(".py"), set()).update(words)
    return found
