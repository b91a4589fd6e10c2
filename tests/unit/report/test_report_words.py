"""Numbers, signs and sentences as the report and the page print them."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC
from zoneinfo import ZoneInfo

import pytest

from agent.assessment.wording import counted
from agent.commands.local_time import LocalTime
from agent.contract.records import Advice, Wear, WearDue
from agent.page.memory import GunMemory
from agent.report.words import (
    amount,
    chance,
    day,
    due_of,
    kept_together,
    mend_first,
    off_target,
    printed,
    sentence,
    signed,
    turn_told,
    why_turned,
)


@pytest.mark.parametrize(
    ("value", "told"), [(0.04, "0.0"), (-0.04, "0.0"), (-0.06, "−0.1"), (1.25, "+1.2"), (-8.83, "−8.8")]
)
def test_nothing_has_no_sign(value: float, told: str) -> None:
    assert signed(value) == told


def test_a_deviation_that_rounds_to_nothing_is_on_target() -> None:
    assert off_target(-0.02) == "on target"
    assert off_target(-8.8, "target 84.0") == "−8.8 % from target 84.0"


@pytest.mark.parametrize(
    ("probability", "told"),
    [(1.0, "more than 99.9 %"), (0.99951, "more than 99.9 %"), (0.9985, "99.9 %"), (0.541, "54.1 %")],
)
def test_a_probability_is_never_certain(probability: float, told: str) -> None:
    assert chance(probability) == told
    assert chance(0.0) == "less than 0.1 %"


@pytest.mark.parametrize(
    ("value", "unit", "told"),
    [(3, "click", "3 clicks"), (-1, "click", "1 click"), (0.4, "turn", "0.4 turn"), (2, "mm", "2 mm")],
)
def test_units_of_a_knob(value: float, unit: str, told: str) -> None:
    assert amount(value, unit) == told


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("-8.8 % off (response 25 +- 12 % per turn)", "−8.8 % off (response 25 ± 12 % per turn)"),
        ("no change: -0.0 % against the new part", "no change: 0.0 % against the new part"),
        ("+0.0 g/min, -0.04 g", "0.0 g/min, −0.04 g"),
        ("booth-2, gun rim-a, 2026-03-02, n-butyl", "booth-2, gun rim-a, 2026-03-02, n-butyl"),
    ],
)
def test_signs_of_a_sentence(text: str, told: str) -> None:
    assert printed(text) == told


def test_a_percent_sign_stays_with_its_number() -> None:
    assert kept_together("5 % of 3.2 % or %") == "5\u00a0% of 3.2\u00a0% or %"


def test_sentences_and_plurals() -> None:
    assert sentence("gun port is out") == "Gun port is out."
    assert sentence("Done.") == "Done."
    assert sentence("") == ""
    assert (counted(1, "check"), counted(2, "check"), counted(0, "shot")) == (
        "1 check",
        "2 checks",
        "0 shots",
    )


def advice(change: float | None, why: str, first: str = "", remark: str = "") -> Advice:
    return Advice(
        id="advice-1",
        cell="north",
        at="2026-03-02T03:40:00Z",
        gun="upper",
        setup="impeller-barrier",
        setting=None,
        advised=None,
        change=change,
        expected_g_per_min=84.26,
        expected_low_g_per_min=76.74,
        expected_high_g_per_min=91.78,
        response_g_per_min_per_unit=20.0,
        reason="; ".join(part for part in (why, first and f"but first {first}", remark) if part),
        why=why,
        first=first,
        remark=remark,
    )


def test_what_to_mend_first_is_said_before_anybody_turns() -> None:
    plain = "-8.8 % off: open by 0.4 turn (response 25 +- 13 % per turn, as configured)"
    mend = "look at the supply (pot pressure, filter), for supply-low is 28 % likely"
    first = advice(0.4, plain, first=mend)
    told = "Then open the needle by 0.4 turn. Expect 84.3 g/min (76.7 to 91.8)."
    assert mend_first(first) == f"First {mend}."
    assert turn_told(first) == f"First {mend}. {told}"
    why = "−8.8 % off: open by 0.4 turn (response 25 ± 13 % per turn, as configured)."
    assert why_turned(first) == why
    assert turn_told(advice(0.4, plain)).endswith("Then check again.")
    assert why_turned(advice(0.4, plain)) == why
    both = advice(0.4, plain, first=mend, remark="more is needed: check, then go on")
    assert turn_told(both) == f"First {mend}. {told} More is needed: check, then go on."


def test_an_advice_of_an_earlier_version_says_all_that_it_said() -> None:
    old = advice(0.4, "")
    old = replace(old, reason="-8.8 % off: open by 0.4 turn; but clean the tip first, for it is plugged")
    assert turn_told(old).endswith(
        "−8.8 % off: open by 0.4 turn; but clean the tip first, for it is plugged."
    )


def test_a_needle_that_is_left_alone_has_one_sentence() -> None:
    left = advice(0.0, "leave it: +0.8 % is near enough")
    assert turn_told(left) == "Leave it: +0.8 % is near enough."
    assert why_turned(left) == ""


DUE = WearDue(
    date="2026-06-03",
    earliest="2026-05-20",
    latest=None,
    at="2026-06-03T22:30:00.000Z",
    earliest_at="2026-05-20T03:00:00.000Z",
)


def worn(due: WearDue | None) -> Wear:
    return Wear(
        id="wear-1",
        cell="north",
        at="2026-03-02T03:40:00.000Z",
        gun="upper",
        part="nozzle",
        since=None,
        checks=40,
        change_pct=6.0,
        change_low_pct=5.5,
        change_high_pct=6.5,
        pattern="drift",
        limit_pct=10.0,
        due=due,
        due_g=5e4,
        reason="flow rises steadily",
    )


def test_a_limit_is_expected_on_a_day_of_the_site() -> None:
    far_east = ZoneInfo("Pacific/Auckland")
    meets = due_of(worn(DUE))
    assert meets == ("2026-06-03T22:30:00.000Z", "2026-05-20T03:00:00.000Z", None)
    assert [day(text, far_east) for text in meets] == ["4 Jun 2026", "20 May 2026", "–"]
    assert [day(text, UTC) for text in meets] == ["3 Jun 2026", "20 May 2026", "–"]
    assert GunMemory(wear=worn(DUE)).wear_text(far_east) == "+6.0 % of 10 %, due 4 Jun 2026"
    assert LocalTime("Pacific/Auckland").day(DUE.at) == "2026-06-04"
    # What an earlier version wrote knows the days of UTC alone.
    old = due_of(worn(WearDue(date="2026-06-03", earliest="2026-05-20", latest="2026-07-01")))
    assert old is not None
    assert [day(text, far_east) for text in old] == ["3 Jun 2026", "20 May 2026", "1 Jul 2026"]
    assert LocalTime("Pacific/Auckland").day(old[0]) == "2026-06-03"
    assert due_of(worn(None)) is None
