"""The agent with a fault of its own in the rooms: a message that says `explode` raises there, one that
says `hang` does not return.
"""

from __future__ import annotations

import os
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from agent.commands.main import main
from agent.contract.inputs import RawMessage
from agent.pipeline.pipeline import Outcome, Pipeline

_take = Pipeline.take


def take(self: Pipeline, raw: RawMessage) -> Outcome:
    if b'"explode"' in raw.payload:
        raise ZeroDivisionError("a fault that nobody foresaw")
    flag = Path(os.environ.get("HANGS_ONCE", "/dev/null"))
    if b'"hang"' in raw.payload and not flag.exists():
        flag.touch()
        time.sleep(1e6)
    return _take(self, raw)


Pipeline.take = take  # type: ignore[method-assign]
sys.exit(main())
