"""Loads what a fit needs while the first shot runs: loaded at its end, it would hold up every reading."""

from __future__ import annotations

import importlib
import logging
import threading
from collections.abc import Iterable

from agent.contract.inputs import ControllerEvent
from agent.pipeline.pipeline import Told

log = logging.getLogger(__name__)

LIBRARIES = ("scipy.special",)


class Forehand:
    """An agent that never sees a shot never loads them."""

    def __init__(self) -> None:
        self._begun = False

    def see(self, events: Iterable[Told]) -> None:
        """What was told in this turn of the worker."""
        if self._begun:
            return
        if any(isinstance(event, ControllerEvent) and event.event == "gun_opened" for event in events):
            self._begun = True
            threading.Thread(target=_load, name="forehand", daemon=True).start()


def _load() -> None:
    for name in LIBRARIES:
        try:
            importlib.import_module(name)
        except ImportError:
            # Whoever needs it says what is missing.
            log.warning("%s cannot be loaded", name, exc_info=True)
