"""How a cell stands, as a plain value for the page and for health."""

from __future__ import annotations

from dataclasses import dataclass

from agent.assessment.alarms_one import AlarmStanding
from agent.assessment.desk_state import CellState
from agent.assessment.memory import GunMemory
from agent.assessment.shift import NextShift
from agent.contract.records import Check, Reason
from agent.contract.times import rfc3339


@dataclass(frozen=True, slots=True)
class GunStatus:
    """How a gun stands."""

    gun: str
    check: Check | None
    """Its latest check of the current setup."""
    setting: float | None
    parts_since: str | None
    asked: bool
    """A check of it is asked for and not over."""
    running: bool
    """Shots of a check are coming in."""


@dataclass(frozen=True, slots=True)
class DeskStatus:
    """How a cell stands, for the page and for health."""

    cell: str
    setup: str | None
    state: str | None
    """`released` or `held`; None while no setup is known."""
    reasons: tuple[Reason, ...]
    valid_until: str | None
    guns: tuple[GunStatus, ...]
    shift: NextShift | None
    alarms: tuple[AlarmStanding, ...]


def status_of(state: CellState) -> DeskStatus:
    """How the cell stands now."""
    setup = state.current()
    release = state.release if state.release is not None and state.release.setup == setup else None
    until_s = release.valid_until_s if release else None
    return DeskStatus(
        cell=state.cell.name,
        setup=setup,
        state=release.state if release else None,
        reasons=release.reasons if release else (),
        valid_until=None if until_s is None else rfc3339(until_s),
        guns=tuple(_gun_status(state, memory, setup) for memory in state.results.guns.values()),
        shift=state.asking.next_shift(state.now_s),
        alarms=state.panel.standing(),
    )


def _gun_status(state: CellState, memory: GunMemory, setup: str | None) -> GunStatus:
    gun, parts_s = memory.gun.name, memory.parts_since()
    return GunStatus(
        gun=gun,
        check=memory.last.get(setup or ""),
        setting=memory.setting(),
        parts_since=None if parts_s is None else rfc3339(parts_s),
        asked=state.asking.requests.open(gun) is not None,
        running=state.book.in_check(gun),
    )
