"""Days as people write them."""

from __future__ import annotations

import pytest

from agent.settings.shifts import DAYS, days_of


@pytest.mark.parametrize(
    ("text", "days"),
    [
        ("mon-fri", (0, 1, 2, 3, 4)),
        ("sat,sun", (5, 6)),
        ("mon,wed-fri", (0, 2, 3, 4)),
        ("daily", (0, 1, 2, 3, 4, 5, 6)),
        ("Daily", (0, 1, 2, 3, 4, 5, 6)),
        ("MON - Wed , sun", (0, 1, 2, 6)),
        ("fri-mon", (0, 4, 5, 6)),
        ("sun-sat", (0, 1, 2, 3, 4, 5, 6)),
        ("tue-tue", (1,)),
        ("mon,mon", (0,)),
    ],
)
def test_days(text: str, days: tuple[int, ...]) -> None:
    assert days_of(text) == days


@pytest.mark.parametrize(
    "text", ["", ",", "monday", "mon-", "-fri", "mon;tue", "mon--fri", "mo", "daily,mon", "1-5"]
)
def test_what_means_no_day_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="not a day"):
        days_of(text)


def test_a_range_holds_both_its_ends() -> None:
    for first, start in enumerate(DAYS):
        for last, end in enumerate(DAYS):
            days = days_of(f"{start}-{end}")
            assert first in days
            assert last in days
            assert len(days) == (last - first) % 7 + 1
