"""What the agent says: one frozen value per kind of record.

Every record has `record`, `id`, `cell`, `at` and `schema`; a number that could not be computed is None.
Times are RFC 3339 text in UTC. The id depends only on what happened, so that the same shot, however often
it is computed, is the same record.
"""

from __future__ import annotations

from typing import TypeAlias

from agent.contract.record import Record, record_id
from agent.contract.record_cell import AlarmState, Alert, Reason, Release, Request
from agent.contract.record_check import Balance, BalanceGun, Check, ShotLeftOut, ShotUsed, Verdict
from agent.contract.record_dispense import BudgetLine, Dispense, Flag, Quality
from agent.contract.record_gun import Advice, Cause, RankedCause, Wear, WearDue

__all__ = [
    "KINDS",
    "Advice",
    "AlarmState",
    "Alert",
    "AnyRecord",
    "Balance",
    "BalanceGun",
    "BudgetLine",
    "Cause",
    "Check",
    "Dispense",
    "Flag",
    "Quality",
    "RankedCause",
    "Reason",
    "Record",
    "Release",
    "Request",
    "ShotLeftOut",
    "ShotUsed",
    "Verdict",
    "Wear",
    "WearDue",
    "record_id",
]

AnyRecord: TypeAlias = Dispense | Check | Balance | Wear | Advice | Cause | Release | Alert | Request
KINDS: dict[str, type[Record]] = {
    kind.record: kind for kind in (Dispense, Check, Balance, Wear, Advice, Cause, Release, Alert, Request)
}
