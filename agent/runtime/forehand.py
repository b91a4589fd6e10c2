"""Loads what a fit needs while the first shot runs: loaded at its end, it would hold up every reading.

As scipy loads, it copies all that numpy names, and so loads parts of numpy that no function of ours asks for.
Empty modules stand in their place until it is done, which saves 8 MB; whoever asks for such a part later gets
it.
"""

from __future__ import annotations

import contextlib
import importlib
import logging
import sys
import threading
from collections.abc import Iterable, Iterator
from types import ModuleType

import numpy as np

from agent.contract.inputs import ControllerEvent
from agent.pipeline.pipeline import Told

log = logging.getLogger(__name__)

LIBRARY = "scipy.special"
NOT_NEEDED = ("f2py", "random", "testing")
"""Of numpy: for compilers, for simulations, for tests."""


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
            threading.Thread(target=load, name="forehand", daemon=True).start()


def load() -> None:
    """Load the library of the fit, without what it does not need where that works."""
    with contextlib.suppress(Exception), _left_out(NOT_NEEDED):
        importlib.import_module(LIBRARY)
        return
    # Another version may not bear it.
    try:
        importlib.import_module(LIBRARY)
    except ImportError:
        # Whoever needs it says what is missing.
        log.warning("%s cannot be loaded", LIBRARY, exc_info=True)


@contextlib.contextmanager
def _left_out(names: Iterable[str]) -> Iterator[None]:
    """Empty modules in the place of parts of numpy that nobody has loaded."""
    empty = {name: ModuleType(name) for name in names if f"numpy.{name}" not in sys.modules}
    for name, module in empty.items():
        setattr(np, name, module)
    try:
        yield
    finally:
        for name, module in empty.items():
            if vars(np).get(name) is module:
                delattr(np, name)
