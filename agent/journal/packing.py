"""The raw readings behind a dispense, as few bytes as zlib makes of them, and back without a bit lost.

The bytes of each array are sorted by their place in the number first (all first bytes, all second bytes,
...): neighbouring readings share most of them, which zlib then finds.
"""

from __future__ import annotations

import json
import struct
import zlib

import numpy as np
from numpy.typing import NDArray

from agent.contract.evidence import Evidence

FORMAT = 1
LARGEST_BYTES = 64 * 1024 * 1024
"""No evidence unpacks to more: a broken or forged blob cannot fill the memory."""
_HEAD = struct.Struct("<BIIB")


def packed(evidence: Evidence) -> bytes:
    """Evidence as bytes. Raises ValueError where the arrays' lengths differ."""
    n = len(evidence.t_s)
    stable = evidence.stable
    if len(evidence.mass_g) != n or (stable is not None and len(stable) != n):
        raise ValueError(f"evidence: arrays of different lengths ({n} times, {len(evidence.mass_g)} masses)")
    context = json.dumps(
        dict(evidence.context), ensure_ascii=False, separators=(",", ":"), allow_nan=False
    ).encode()
    parts = [_HEAD.pack(FORMAT, n, len(context), stable is not None), context]
    parts += [_shuffled(evidence.t_s), _shuffled(evidence.mass_g)]
    if stable is not None:
        parts.append(np.packbits(np.asarray(stable, dtype=np.bool_)).tobytes())
    return zlib.compress(b"".join(parts), 6)


def unpacked(data: bytes) -> Evidence:
    """Evidence from its bytes. Raises ValueError where they are none."""
    try:
        machine = zlib.decompressobj()
        plain = machine.decompress(data, LARGEST_BYTES)
        if machine.unconsumed_tail or not machine.eof:
            raise ValueError("evidence: cut short, or larger than evidence can be")
        version, n, context_bytes, has_stable = _HEAD.unpack_from(plain)
        if version != FORMAT:
            raise ValueError(f"evidence: format {version} is not known here (this version knows {FORMAT})")
        at = _HEAD.size
        context = json.loads(plain[at : at + context_bytes])
        at += context_bytes
        t_s, mass_g = _unshuffled(plain, at, n), _unshuffled(plain, at + 8 * n, n)
        stable = None
        if has_stable:
            bits = np.frombuffer(plain, np.uint8, -(-n // 8), at + 16 * n)
            stable = np.unpackbits(bits, count=n).astype(np.bool_)
    except (zlib.error, struct.error) as fault:
        raise ValueError(f"evidence: not readable ({fault})") from fault
    return Evidence(t_s=t_s, mass_g=mass_g, stable=stable, context=context)


def _shuffled(values: NDArray[np.float64]) -> bytes:
    plain = np.ascontiguousarray(values, dtype="<f8")
    return plain.view(np.uint8).reshape(-1, 8).T.tobytes()


def _unshuffled(data: bytes, at: int, n: int) -> NDArray[np.float64]:
    sorted_bytes = np.frombuffer(data, np.uint8, 8 * n, at).reshape(8, n)
    return np.ascontiguousarray(sorted_bytes.T).view("<f8").reshape(n).astype(np.float64)
