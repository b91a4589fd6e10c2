"""The agent on a simulated cell's clock: `soaking_agent.py BEGAN START SPEED run --config F`.

The monotonic clock of the machine is one for all processes, so the cell's time can be told from it alone.
"""

from __future__ import annotations

import sys
import time

from agent.commands.main import main
from agent.runtime import service
from agent.runtime.clock import BorrowedClock

BEGAN_S, START_S, SPEED = (float(sys.argv.pop(1)) for _ in range(3))


def _clock() -> BorrowedClock:
    return BorrowedClock(lambda: START_S + (time.monotonic() - BEGAN_S) * SPEED)


service.SystemClock = _clock  # type: ignore[assignment,misc]
sys.exit(main())
