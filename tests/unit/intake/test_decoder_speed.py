"""A reading costs microseconds: measured against plain json on the same machine, in the same run."""

from __future__ import annotations

import json
import timeit

from agent.contract.inputs import RawMessage

from .conftest import DECODER, NOW_S, READING

BODY = b'{"value":1234.5,"unit":"g","t":1781157599.75,"stable":true,"seq":12345}'


def best_s(work: object) -> float:
    assert callable(work)
    return min(timeit.repeat(work, number=2000, repeat=7)) / 2000


def test_a_reading_decodes_in_a_few_times_what_json_alone_takes() -> None:
    raw = RawMessage(READING, BODY, NOW_S)
    ours = best_s(lambda: DECODER.decode(raw))
    plain = best_s(lambda: json.loads(BODY))
    # Measured: 2.3 us against 1.9 us. Routing, every check and a frozen value are in it.
    assert ours < 4 * plain, f"{ours * 1e6:.1f} us against {plain * 1e6:.1f} us"


def test_ten_megabytes_cost_no_more_than_a_look_at_their_length() -> None:
    large = RawMessage(READING, b"[" * 10 * 1024 * 1024, NOW_S)
    small = RawMessage(READING, BODY, NOW_S)
    assert best_s(lambda: DECODER.decode(large)) < 5 * best_s(lambda: DECODER.decode(small))
