"""What an answer means, how long to wait for what, and which rows go next."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from made_records import make_dispense

from agent.journal.journal import Journal
from agent.outlets.influx_errors import Failure, failure_of
from agent.outlets.influx_patience import Patience
from agent.outlets.lanes import Lanes


def answered(status: int, body: str = "said so", headers: dict[str, str] | None = None) -> Failure | None:
    """What an answer means, in the wrapping that influxdb-client gives it."""
    from influxdb_client._sync.rest import RESTResponse
    from influxdb_client.rest import ApiException
    from urllib3 import HTTPResponse

    reply = RESTResponse(HTTPResponse(body=body.encode(), status=status, headers=headers or {}))
    reply.data = body
    return failure_of(ApiException(http_resp=reply))


# RFC 9110 chapter 15 names the codes; what InfluxDB means by them stands in its documentation of
# POST /api/v2/write.
@pytest.mark.parametrize(
    ("status", "verdict"),
    [
        (400, "rejected"),
        (413, "rejected"),
        (422, "rejected"),
        (401, "refused"),
        (403, "refused"),
        (404, "refused"),
        (302, "refused"),
        (405, "refused"),
        (408, "later"),
        (429, "later"),
        (500, "later"),
        (502, "later"),
        (503, "later"),
        (504, "later"),
    ],
)
def test_an_answer_means_one_of_three_things(status: int, verdict: str) -> None:
    failure = answered(status)
    assert failure is not None
    assert failure.verdict == verdict
    assert failure.text == f"HTTP {status}: said so"


@pytest.mark.parametrize(
    ("headers", "wait_s"),
    [
        ({"Retry-After": "120"}, 120.0),
        ({"retry-after": "0.5"}, 0.5),
        ({"Retry-After": "-5"}, 0.0),
        ({"Retry-After": "99999999"}, 3600.0),
        ({"Retry-After": "nan"}, 0.0),
        ({"Retry-After": "soon"}, None),
        ({"Retry-After": "Fri, 31 Dec 1999 23:59:59 GMT", "Date": "Fri, 31 Dec 1999 23:59:00 GMT"}, 59.0),
        ({"Retry-After": "Fri, 31 Dec 1999 23:59:59 GMT"}, 0.0),
        ({}, None),
    ],
)
def test_retry_after_is_read_as_rfc_9110_has_it(headers: dict[str, str], wait_s: float | None) -> None:
    failure = answered(503, headers=headers)
    assert failure is not None
    assert failure.retry_after_s == wait_s


def test_a_network_fault_is_for_later_and_a_fault_of_ours_is_none() -> None:
    from urllib3.exceptions import NewConnectionError, ProtocolError, ReadTimeoutError

    for fault in (
        NewConnectionError(None, "refused"),  # type: ignore[arg-type]
        ReadTimeoutError(None, "/", "slow"),  # type: ignore[arg-type]
        ProtocolError("cut"),
        OSError("gone"),
        UnicodeError("label too long"),
    ):
        failure = failure_of(fault)
        assert failure is not None
        assert failure.verdict == "later"
    assert failure_of(TypeError("ours")) is None


def test_a_long_answer_is_cut_and_stays_on_one_line() -> None:
    failure = answered(500, body="x\ny" * 5000)
    assert failure is not None
    assert len(failure.text) == 300
    assert "\n" not in failure.text


LATER = Failure("later", "no answer")


def always(jitter: float) -> Callable[[], float]:
    """A jitter that is the same each time."""
    return lambda: jitter


def test_waits_double_with_jitter_and_never_exceed_eight_seconds() -> None:
    for jitter, low, high in ((0.0, 0.25, 4.0), (1.0, 0.5, 8.0)):
        patience = Patience("the database", always(jitter))
        waits = [patience.later(LATER, now_s)[0] for now_s in range(0, 400, 10)]
        assert waits[0] == low
        assert waits[:5] == [low * 2**n for n in range(5)]
        assert max(waits) == high


def test_each_state_is_told_once() -> None:
    patience = Patience("the database", lambda: 0.5)
    told = [fault.code for now_s in range(100) for fault in patience.later(LATER, float(now_s))[1]]
    assert told == ["sink-down", "sink-degraded"]
    assert [fault.code for fault in patience.taken(100.0)] == ["sink-recovered"]
    assert [fault.code for now_s in range(101, 130) for fault in patience.taken(float(now_s))] == [
        "sink-steady"
    ]


def test_a_short_failure_is_not_told() -> None:
    patience = Patience("the database", lambda: 0.5)
    assert patience.later(LATER, 0.0)[1] == []
    assert patience.later(LATER, 9.9)[1] == []
    assert patience.taken(9.95) == []
    assert patience.state == "well"


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    journal = Journal.open(tmp_path, version="0", config_digest="0")
    yield journal
    journal.close()


def test_old_and_new_rows_take_turns_only_while_there_is_a_backlog(journal: Journal) -> None:
    view = journal.outlet("influx")
    lanes = Lanes(view, 10)
    journal.append([make_dispense(n) for n in range(35)])
    sent = []
    number = 35
    while view.backlog():
        lane, rows = lanes.next_rows()
        view.settle_rows(rows)
        lanes.taken(lane)
        sent.append((lane, [row.seq for row in rows]))
        if number < 38:
            journal.append([make_dispense(number)])
            number += 1
    assert sent == [
        ("backlog", list(range(1, 11))),
        ("live", [36]),
        ("backlog", list(range(11, 21))),
        ("live", [37, 38]),
        ("backlog", list(range(21, 31))),
        ("backlog", list(range(31, 36))),
    ]
    assert lanes.next_rows() == ("live", [])


def test_a_single_failure_does_not_send_live_rows_to_the_end_of_the_backlog(journal: Journal) -> None:
    lanes = Lanes(journal.outlet("influx"), 10)
    journal.append([make_dispense(n) for n in range(100)])
    lanes.failed()
    journal.append([make_dispense(n) for n in range(100, 105)])
    lanes.failed()
    assert lanes.next_rows()[0] == "backlog"
    lane, rows = lanes.next_rows()
    assert (lane, [row.seq for row in rows]) == ("live", [101, 102, 103, 104, 105])
    journal.append([make_dispense(n) for n in range(105, 120)])
    lanes.failed()  # more than one batch: what came during a long outage is backlog
    journal.append([make_dispense(120)])
    lanes.next_rows()
    assert [row.seq for row in lanes.next_rows()[1]] == [121]


def test_a_rejected_batch_is_halved_down_to_one_row_and_grows_again(journal: Journal) -> None:
    lanes = Lanes(journal.outlet("influx"), 8)
    journal.append([make_dispense(n) for n in range(8)])
    sizes = []
    for _ in range(4):
        lane, rows = lanes.next_rows()
        sizes.append(len(rows))
        lanes.halve(lane, len(rows))
    for _ in range(4):
        lane, rows = lanes.next_rows()
        sizes.append(len(rows))
        lanes.taken(lane)
    assert sizes == [8, 4, 2, 1, 1, 2, 4, 8]
