"""What the doctor says of one thing it tried."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Level = Literal["well", "note", "mend"]


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing tried."""

    what: str
    level: Level
    text: str
    mend: str = ""
    """What to do about it."""
