"""What every record has, and the id that depends only on what happened."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from typing import ClassVar


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """What every record has."""

    record: ClassVar[str] = "record"
    schema: ClassVar[int] = 1
    id: str
    cell: str
    at: str
    """When it was said, on the clock of what happened: never the clock of whoever computes it again."""


def record_id(kind: str, *what: object) -> str:
    """An id made of what happened alone: the kind and 20 hexadecimal digits of SHA-256 over the parts."""
    text = json.dumps([kind, *[str(part) for part in what]], ensure_ascii=True, separators=(",", ":"))
    return f"{kind}-{hashlib.sha256(text.encode()).hexdigest()[:20]}"
