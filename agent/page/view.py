"""What the page shows of each cell: made of a snapshot and the journal, ready to be put into words."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import tzinfo

from agent.assessment.alarms_one import AlarmStanding
from agent.assessment.desk_status import DeskStatus, GunStatus
from agent.contract.records import Cause, Reason
from agent.page.memory import CellMemory, GunMemory
from agent.page.next_step import NextStep, Tone, next_step, void_reason
from agent.report.words import off_target, readable, sentence, spaced, told
from agent.web.snapshot import CellSnapshot, Snapshot

OLD_S = 10.0
"""A snapshot older than this is no longer the state: the page says so over everything else."""
URGENCY = ("high", "medium", "low")
TONES: dict[str | None, Tone] = {"released": "good", "held": "bad", "pass": "good", "fail": "bad"}


@dataclass(frozen=True, slots=True)
class GunView:
    """A gun's part of the page."""

    name: str
    tone: Tone
    word: str
    flow: str
    """The latest check's mean, as it is shown; empty where there is none."""
    deviation: str
    checked: str
    step: NextStep
    wear: str
    drawing: str
    """The latest checks as SVG, empty where there is nothing to draw."""


@dataclass(frozen=True, slots=True)
class CellView:
    """A cell's part of the page."""

    name: str
    tone: Tone
    word: str
    setup: str
    until: str
    reasons: tuple[Reason, ...]
    guns: tuple[GunView, ...]
    shift: str
    alarms: tuple[AlarmStanding, ...]
    silent: tuple[str, ...]
    """Scales that do not speak."""


def cells_of(snapshot: Snapshot, memory: dict[str, CellMemory], zone: tzinfo) -> tuple[CellView, ...]:
    """Every cell as it is shown."""
    return tuple(_cell(cell, memory.get(cell.name, CellMemory()), zone) for cell in snapshot.cells)


def shown_alarms(alarms: Iterable[AlarmStanding], zone: tzinfo) -> tuple[AlarmStanding, ...]:
    """Those that people have to do with, the urgent ones first."""
    found = [alarm for alarm in alarms if alarm.active or alarm.state in {"UNACK", "RTNUN"}]
    found.sort(key=lambda alarm: (not alarm.active, URGENCY.index(alarm.priority), alarm.name))
    return tuple(
        replace(alarm, text=sentence(readable(alarm.text or spaced(alarm.name), zone))) for alarm in found
    )


def _cell(cell: CellSnapshot, memory: CellMemory, zone: tzinfo) -> CellView:
    desk = cell.desk
    return CellView(
        name=cell.name,
        tone=TONES.get(desk.state, "wait"),
        word={"released": "Released", "held": "Held"}.get(desk.state or "", "No setup"),
        setup=desk.setup or "",
        until=_when(desk.valid_until, zone),
        reasons=tuple(
            replace(reason, text=sentence(readable(reason.text, zone)), remedy=readable(reason.remedy, zone))
            for reason in desk.reasons
        ),
        guns=tuple(
            _gun(gun, cell, memory.guns.get(gun.gun, GunMemory()), memory.cause, zone) for gun in desk.guns
        ),
        shift=_shift(desk, zone),
        alarms=shown_alarms(desk.alarms, zone),
        silent=tuple(sorted(scale for scale, speaks in cell.speaking.items() if not speaks)),
    )


def _busy(cell: CellSnapshot) -> dict[str, bool]:
    # Guns that spray, or whose check is asked for or running: whether they spray.
    asked = {gun.gun: False for gun in cell.desk.guns if gun.running or gun.asked}
    return asked | dict.fromkeys(cell.open_guns, True)


def _gun(gun: GunStatus, cell: CellSnapshot, memory: GunMemory, cause: Cause | None, zone: tzinfo) -> GunView:
    check, desk, busy_guns = gun.check, cell.desk, _busy(cell)
    step = next_step(
        gun,
        memory.advice,
        cause,
        is_open=busy_guns.get(gun.gun, False),
        reasons=desk.reasons,
        others_busy=tuple(name for name in busy_guns if name != gun.gun),
    )
    word: str = check.verdict if check else "no check"
    if word == "pass" and void_reason(gun.gun, desk.reasons) is not None:
        # Green is for what may be sprayed with.
        word = "outdated"
    mean = check.mean_g_per_min if check else None
    deviation = check.deviation_pct if check else None
    step = replace(step, detail=readable(step.detail, zone))
    return GunView(
        name=gun.gun,
        tone=TONES.get(word, "wait"),
        word=word,
        flow="" if mean is None else f"{mean:.1f}",
        deviation="" if deviation is None else off_target(deviation),
        checked=_when(check.at, zone) if check else "",
        step=step,
        wear=memory.wear_text(zone),
        drawing=memory.drawing(gun.gun, zone, desk.setup),
    )


def _shift(desk: DeskStatus, zone: tzinfo) -> str:
    shift = desk.shift
    if shift is None:
        return ""
    says = {
        "waiting": "its check is asked for at " + _when(shift.opens_at, zone),
        "due": "its check is due",
        "asked": "its check is asked for",
        "done": "checked",
        "overdue": "its check is overdue",
        "unasked": "it has no check, and none is asked for any more: start it at the controller",
    }
    return f"Shift {shift.shift} at {_when(shift.starts_at, zone)}: {says.get(shift.state, shift.state)}"


def _when(text: str | None, zone: tzinfo) -> str:
    return "" if text is None else told(text, zone, "%a %H:%M")
