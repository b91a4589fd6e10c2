"""The checksum and the hash chain of rows that must not change unseen.

The CRC covers what a row says, whatever its place: it finds a flipped bit. The hash covers the hash of the
row before it, the row's place and what it says: it finds a row that was changed, removed or moved, even
where someone mended the CRC. Who can rewrite the whole file can rewrite the whole chain; against that, keep
the last hash somewhere else (`Journal.head`) and hand it to `verify`.
"""

from __future__ import annotations

import hashlib
import json
import zlib
from collections.abc import Sequence
from typing import Any

BEGINNING = bytes(32)
"""The hash before the first row."""


def content(values: Sequence[Any]) -> bytes:
    """What a row says, as bytes: the same for the same values, different for different ones."""
    plain = [value.hex() if isinstance(value, bytes) else value for value in values]
    return json.dumps(plain, ensure_ascii=True, separators=(",", ":")).encode("ascii")


def checksum(row: bytes) -> int:
    """CRC-32 (ISO 3309, as in zlib) of a row's content."""
    return zlib.crc32(row)


def link(before: bytes, seq: int, row: bytes) -> bytes:
    """SHA-256 over the hash of the row before, this row's place, and its content."""
    return hashlib.sha256(before + seq.to_bytes(8, "big") + row).digest()
