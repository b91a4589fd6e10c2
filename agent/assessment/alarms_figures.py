"""The numbers that the alarms on results tell."""

from __future__ import annotations

from agent.assessment.memory import is_conclusive
from agent.contract.records import Balance, Check, Record, Wear

WORTH_TELLING = 0.2
"""A deviation or spread is told again once it has moved by this part of what is allowed (choice of ours)."""


def figures_of(record: Record) -> dict[str, float]:
    """By alarm: the number that its text tells after this record, percent."""
    match record:
        case Check(deviation_pct=float(deviation), source="measured") if is_conclusive(record):
            return {f"flow-off-target-{record.gun}": deviation}
        case Balance(spread_pct=float(spread)):
            return {"unbalanced": spread}
        case Wear(change_pct=float(change)):
            return {f"worn-{record.gun}": change, f"plugged-{record.gun}": change}
        case _:
            return {}
