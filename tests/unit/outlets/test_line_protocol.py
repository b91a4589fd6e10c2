"""A record becomes the same lines every time, with the fields that its kind promises."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import fields
from pathlib import Path
from typing import Any

import pytest
from made_records import START_S, make_alert, make_check, make_dispense

from agent.contract.records import (
    KINDS,
    Advice,
    Balance,
    BalanceGun,
    Cause,
    RankedCause,
    Reason,
    Record,
    Release,
    Request,
    Wear,
    WearDue,
)
from agent.contract.times import rfc3339
from agent.journal.journal import Journal
from agent.outlets.line_protocol import SERIES, lines_of

AT = rfc3339(START_S)


@pytest.fixture
def lines(tmp_path: Path) -> Iterator[Any]:
    journal = Journal.open(tmp_path, version="0.1.0", config_digest="0")

    def of(record: Record) -> list[str]:
        journal.append([record])
        row = journal.record(record.id)
        assert row is not None
        assert lines_of(row) == lines_of(row)
        return lines_of(row)

    yield of
    journal.close()


def wear(**changes: Any) -> Wear:
    values: dict[str, Any] = {
        "id": "wear-1",
        "cell": "north",
        "at": AT,
        "gun": "upper",
        "part": "nozzle",
        "since": None,
        "checks": 7,
        "change_pct": 3.0,
        "change_low_pct": None,
        "change_high_pct": 4.0,
        "pattern": "drift",
        "limit_pct": 10.0,
        "due": WearDue(date="2026-05-01", earliest="2026-04-01", latest=None),
        "due_g": 5e4,
        "reason": "drifting",
    }
    return Wear(**(values | changes))


OTHERS: list[tuple[Record, list[str]]] = [
    (
        wear(),
        [
            'wear,cell=north,gun=upper,part=nozzle change_high_pct=4,change_pct=3,checks=7i,due="2026-05-01",'
            'due_earliest="2026-04-01",due_g=50000,id="wear-1",limit_pct=10,pattern="drift",'
            'reason="drifting" T'
        ],
    ),
    (
        wear(id="wear-2", due=None, due_g=None),
        [
            "wear,cell=north,gun=upper,part=nozzle change_high_pct=4,change_pct=3,checks=7i,"
            'id="wear-2",limit_pct=10,pattern="drift",reason="drifting" T'
        ],
    ),
    (
        Balance(
            id="balance-1",
            cell="north",
            at=AT,
            setup="s",
            limit_pct=4.0,
            spread_pct=5.0,
            u_spread_pct=0.3,
            verdict="fail",
            off="lower",
            off_by_pct=-5.0,
            reason="apart",
            guns=(
                BalanceGun(gun="upper", check_id="c1", mean_g_per_min=96.0, from_mean_pct=2.5),
                BalanceGun(gun="lower", check_id="c2", mean_g_per_min=91.3, from_mean_pct=-2.5),
            ),
        ),
        [
            'balance,cell=north,setup=s id="balance-1",limit_pct=4,off="lower",off_by_pct=-5,passed=0i,'
            'reason="apart",spread_pct=5,u_spread_pct=0.3,verdict="fail" T',
            'balance_gun,cell=north,gun=upper,setup=s check_id="c1",from_mean_pct=2.5,id="balance-1",'
            "mean_g_per_min=96,rank=1i T",
            'balance_gun,cell=north,gun=lower,setup=s check_id="c2",from_mean_pct=-2.5,id="balance-1",'
            "mean_g_per_min=91.3,rank=2i T",
        ],
    ),
    (
        Release(
            id="release-1",
            cell="north",
            at=AT,
            setup="s",
            state="held",
            valid_until=None,
            reasons=(
                Reason(code="off-target", text="t", remedy="r"),
                Reason(code="unbalanced", text="t", remedy="r"),
            ),
        ),
        [
            'release,cell=north,setup=s id="release-1",reasons="off-target,unbalanced",released=0i,'
            'state="held" T'
        ],
    ),
    (
        Cause(
            id="cause-1",
            cell="north",
            at=AT,
            setup=None,
            ranked=(RankedCause(code="worn-nozzle", weight=0.7, evidence=("e",), look_at="it"),),
        ),
        [
            'cause,cell=north code="worn-nozzle",id="cause-1",weight=0.7 T',
            'cause_ranked,cell=north,code=worn-nozzle id="cause-1",rank=1i,weight=0.7 T',
        ],
    ),
    (
        Advice(
            id="advice-1",
            cell="north",
            at=AT,
            gun="upper",
            setup="s",
            setting=2.0,
            advised=None,
            expected_g_per_min=None,
            expected_low_g_per_min=None,
            expected_high_g_per_min=None,
            response_g_per_min_per_unit=24.0,
            reason="too far",
        ),
        [
            'advice,cell=north,gun=upper,setup=s id="advice-1",reason="too far",'
            'response_g_per_min_per_unit=24,setting=2,unit="turn" T'
        ],
    ),
    (
        Request(
            id="request-1",
            cell="north",
            at=AT,
            gun="upper",
            setup="s",
            shots=3,
            shot_s=20.0,
            bleed_s=15.0,
            expires=AT,
        ),
        [
            f'request,cell=north,gun=upper,setup=s bleed_s=15,expires="{AT}",id="request-1",'
            'request="flow_check",shot_s=20,shots=3i,why="" T'
        ],
    ),
    (
        make_alert(1),
        [
            'alert,cell=north,name=line-air active=1i,id="ID",priority="medium",'
            f'since="{AT}",state="UNACK",text="Air in the line" T'
        ],
    ),
]


@pytest.mark.parametrize(("record", "wanted"), OTHERS, ids=lambda one: getattr(one, "id", ""))
def test_each_kind_has_its_line(lines: Any, record: Record, wanted: list[str]) -> None:
    found = [
        re.sub(r" 17700\d{14}$", " T", line).replace('id="' + record.id + '"', 'id="ID"')
        for line in lines(record)
    ]
    assert found == [line.replace('id="' + record.id + '"', 'id="ID"') for line in wanted]


def test_a_number_that_could_not_be_computed_is_left_out(lines: Any) -> None:
    (line,) = lines(make_dispense(1, flow_g_per_min=None, fluid_c=None))
    assert "fluid_c" not in line
    assert ",flow_g_per_min" not in line
    assert "None" not in line
    assert "nan" not in line


def test_a_whole_number_stays_a_float_where_the_field_is_one(lines: Any) -> None:
    # A field that is once an integer and once a float is a type conflict for the database.
    (line,) = lines(make_check(1, mean_g_per_min=96, tolerance_pct=5))
    assert "mean_g_per_min=96," in line
    assert "tolerance_pct=5," in line
    assert "shots=3i" in line


def test_nothing_that_may_differ_at_a_resend_is_a_tag(lines: Any) -> None:
    for record in [make_dispense(1), make_check(1), *(record for record, _ in OTHERS)]:
        for line in lines(record):
            tags = {pair.split("=")[0] for pair in line.split(" ")[0].split(",")[1:]}
            assert tags <= {"cell", "gun", "scale", "setup", "purpose", "part", "name", "code"}


def test_every_number_of_every_kind_is_a_field() -> None:
    for kind, record in KINDS.items():
        series = SERIES[kind]
        known = {*series.tags, *series.numbers, *series.counts, *series.texts, *series.made}
        for member in fields(record):
            if str(member.type) in {"float", "float | None", "int", "int | None"}:
                assert member.name in known, f"{kind}.{member.name}"
