"""Records as Sparkplug metrics: which there are, and what a record says of them."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from agent.contract.records import (
    Advice,
    Alert,
    Balance,
    Cause,
    Check,
    Dispense,
    Record,
    Release,
    Wear,
)
from agent.contract.times import epoch_s
from agent.outlets.sparkplug.payloads import DataType, Value


@dataclass(frozen=True, slots=True)
class Kind:
    """What is fixed about a metric."""

    datatype: DataType
    unit: str = ""
    """Engineering unit; `knob` stands for the unit of the gun's own needle."""


_TEXT = Kind(DataType.STRING)
_TIME = Kind(DataType.DATE_TIME)
_FLOW = Kind(DataType.DOUBLE, "g/min")
_PERCENT = Kind(DataType.DOUBLE, "%")
_KNOB = Kind(DataType.DOUBLE, "knob")

GUN: dict[str, Kind] = {
    "Check/Flow": _FLOW,
    "Check/Flow uncertainty": _FLOW,
    "Check/Target": _FLOW,
    "Check/Deviation": _PERCENT,
    "Check/Verdict": _TEXT,
    "Check/Reason": _TEXT,
    "Check/Setup": _TEXT,
    "Check/Ended": _TIME,
    "Shot/Flow": _FLOW,
    "Shot/Mass": Kind(DataType.DOUBLE, "g"),
    "Shot/Open": Kind(DataType.DOUBLE, "s"),
    "Shot/Quality": _TEXT,
    "Wear/Change": _PERCENT,
    "Wear/Limit": _PERCENT,
    "Wear/Pattern": _TEXT,
    "Wear/Due": _TIME,
    "Needle/Setting": _KNOB,
    "Needle/Advised": _KNOB,
    "Needle/Change": _KNOB,
    "Needle/Expected flow": _FLOW,
    "Needle/Reason": _TEXT,
}
"""Metrics of each gun, below `Guns/{gun}/`."""
CELL: dict[str, Kind] = {
    "Release/State": _TEXT,
    "Release/Released": Kind(DataType.BOOLEAN),
    "Release/Setup": _TEXT,
    "Release/Reasons": _TEXT,
    "Release/Valid until": _TIME,
    "Balance/Spread": _PERCENT,
    "Balance/Limit": _PERCENT,
    "Balance/Verdict": _TEXT,
    "Balance/Off": _TEXT,
    "Cause/First": _TEXT,
    "Cause/Look at": _TEXT,
}
"""Metrics of each cell."""
ALARM: dict[str, Kind] = {
    "State": _TEXT,
    "Active": Kind(DataType.BOOLEAN),
    "Priority": _TEXT,
    "Text": _TEXT,
    "Since": _TIME,
}
"""Metrics of each alarm, below `Alarms/{name}/`; the state is one of ISA-18.2."""

_ACTIVE: dict[str, bool] = {"NORM": False, "UNACK": True, "ACKED": True, "RTNUN": False}
"""Whether the condition holds; not told of an alarm that is shelved, suppressed or out of service."""

Told = Iterator[tuple[str, Value]]


def told(record: Record) -> Told:
    """(metric, value) of what a record tells; nothing where no gun is known or nobody asks."""
    gun = getattr(record, "gun", None)
    for kind, tell in _OF_A_GUN.items():
        if gun is not None and isinstance(record, kind):
            yield from ((f"Guns/{gun}/{name}", value) for name, value in tell(record))
    for kind, tell in _OF_A_CELL.items():
        if isinstance(record, kind):
            yield from tell(record)


def _check(record: Check) -> Told:
    yield "Check/Flow", record.mean_g_per_min
    yield "Check/Flow uncertainty", record.u_g_per_min
    yield "Check/Target", record.target_g_per_min
    yield "Check/Deviation", record.deviation_pct
    yield "Check/Verdict", record.verdict
    yield "Check/Reason", record.reason
    yield "Check/Setup", record.setup
    yield "Check/Ended", _ms(record.ended_at)


def _dispense(record: Dispense) -> Told:
    yield "Shot/Flow", record.flow_g_per_min
    yield "Shot/Mass", record.mass_g
    yield "Shot/Open", record.open_s
    yield "Shot/Quality", record.quality


def _wear(record: Wear) -> Told:
    yield "Wear/Change", record.change_pct
    yield "Wear/Limit", record.limit_pct
    yield "Wear/Pattern", record.pattern
    yield "Wear/Due", _ms(record.due.date) if record.due is not None else None


def _advice(record: Advice) -> Told:
    yield "Needle/Setting", record.setting
    yield "Needle/Advised", record.advised
    yield "Needle/Change", record.change
    yield "Needle/Expected flow", record.expected_g_per_min
    yield "Needle/Reason", record.reason


def _release(record: Release) -> Told:
    yield "Release/State", record.state
    yield "Release/Released", record.state == "released"
    yield "Release/Setup", record.setup
    yield "Release/Reasons", "; ".join(f"{reason.text} {reason.remedy}" for reason in record.reasons)
    yield "Release/Valid until", _ms(record.valid_until) if record.valid_until is not None else None


def _balance(record: Balance) -> Told:
    yield "Balance/Spread", record.spread_pct
    yield "Balance/Limit", record.limit_pct
    yield "Balance/Verdict", record.verdict
    yield "Balance/Off", record.off


def _cause(record: Cause) -> Told:
    first = record.ranked[0] if record.ranked else None
    yield "Cause/First", first.code if first is not None else None
    yield "Cause/Look at", first.look_at if first is not None else None


def _alert(record: Alert) -> Told:
    at = f"Alarms/{record.name}"
    yield f"{at}/State", record.state
    yield f"{at}/Active", _ACTIVE.get(record.state)
    yield f"{at}/Priority", record.priority
    yield f"{at}/Text", record.text
    yield f"{at}/Since", _ms(record.since)


_OF_A_GUN: dict[type[Record], Callable[..., Told]] = {
    Check: _check,
    Dispense: _dispense,
    Wear: _wear,
    Advice: _advice,
}
_OF_A_CELL: dict[type[Record], Callable[..., Told]] = {
    Release: _release,
    Balance: _balance,
    Cause: _cause,
    Alert: _alert,
}


def _ms(text: str) -> int:
    moment = text if "T" in text else f"{text}T00:00:00Z"
    return round(epoch_s(moment) * 1000)
