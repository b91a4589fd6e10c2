"""The rule of the turn, on made-up clocks."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from agent.runtime.lease import APART_S, SILENT_S, WILL_S, Lease


def asked(lease: Lease, from_s: float, to_s: float, *, listening: bool = True) -> float | None:
    """Ask ten times a second; when it first said vacant."""
    for step in range(round((to_s - from_s) * 10) + 1):
        now_s = from_s + 0.1 * step
        if lease.vacant(now_s, listening=listening):
            return now_s
    return None


def test_silence_makes_a_vacancy_and_renewals_do_not() -> None:
    lease = Lease("00ff")
    first = asked(lease, 100.0, 120.0)
    assert first is not None
    assert SILENT_S <= first - 100.0 <= SILENT_S + APART_S + 0.11
    lease = Lease("00ff")
    for second in range(60):
        lease.renewed("beef", 100.0 + second)
        assert asked(lease, 100.0 + second, 100.9 + second) is None
        assert lease.held_by_another(100.9 + second)


def test_a_will_is_believed_sooner_and_a_renewal_takes_it_back() -> None:
    lease = Lease("00ff")
    lease.renewed("beef", 100.0)
    asked(lease, 100.0, 100.5)
    lease.ended(100.5)
    found = asked(lease, 100.6, 110.0)
    assert found is not None
    assert found - 100.5 <= WILL_S + APART_S + 0.11
    lease = Lease("00ff")
    lease.renewed("beef", 100.0)
    asked(lease, 100.0, 100.5)
    lease.ended(100.5)
    lease.renewed("cafe", 101.0)
    assert asked(lease, 101.0, 102.9) is None


def test_who_heard_nothing_claims_nothing() -> None:
    lease = Lease("00ff")
    assert asked(lease, 100.0, 200.0, listening=False) is None
    # And the silence counts from when it listens again.
    assert not lease.vacant(200.1, listening=True)


def test_who_was_stopped_does_not_take_the_gap_for_silence() -> None:
    lease = Lease("00ff")
    lease.renewed("beef", 100.0)
    asked(lease, 100.0, 100.5)
    assert not lease.vacant(160.0, listening=True)
    assert asked(lease, 160.1, 160.0 + SILENT_S - 0.2) is None


@given(st.text("0123456789abcdef", min_size=8, max_size=8))
def test_every_name_waits_no_longer_than_it_may(me: str) -> None:
    lease = Lease(me)
    found = asked(lease, 0.0, 10.0)
    assert found is not None
    assert found <= SILENT_S + APART_S + 0.11
