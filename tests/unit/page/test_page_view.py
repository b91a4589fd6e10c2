"""What the page shows of a cell: words and signs, alarms by urgency, every gun of many."""

from __future__ import annotations

from datetime import UTC
from pathlib import Path
from typing import Any

from made_records import make_check
from played_journal import site_in

from agent.assessment.alarms_one import AlarmStanding
from agent.assessment.desk_status import DeskStatus, GunStatus
from agent.contract.records import Reason, Wear
from agent.page.memory import CellMemory, GunMemory
from agent.page.screen import Screen
from agent.page.view import cells_of, shown_alarms
from agent.web.board import Board
from agent.web.snapshot import CellSnapshot, Counts, Snapshot


def alarm(name: str, **changes: Any) -> AlarmStanding:
    values: dict[str, Any] = {
        "name": name,
        "state": "UNACK",
        "active": True,
        "priority": "medium",
        "since": "2026-03-02T03:30:00Z",
        "text": "it is so since 2026-03-02T03:30:00Z, -0.0 % off",
    }
    return AlarmStanding(**(values | changes))


def gun(name: str, **check: Any) -> GunStatus:
    made = make_check(1, gun=name, **check) if check else None
    return GunStatus(gun=name, check=made, setting=None, parts_since=None, asked=False, running=False)


def snapshot(
    *guns: GunStatus, alarms: tuple[AlarmStanding, ...] = (), reasons: tuple[Reason, ...] = ()
) -> Snapshot:
    desk = DeskStatus("booth-2", "gearbox-primer", "held", reasons, None, guns, None, ())
    cell = CellSnapshot("booth-2", desk, (), {"bench": True}, ())
    return Snapshot(1.0, (cell,), alarms, Counts(), (), True, "5", 0, 0, None)


def test_alarms_stand_by_urgency_and_what_is_settled_is_gone() -> None:
    found = shown_alarms(
        [
            alarm("quiet", state="NORM", active=False),
            alarm("over", state="RTNUN", active=False, priority="high"),
            alarm("slow-card", priority="low", text=""),
            alarm("silent", priority="high"),
        ],
        UTC,
    )
    assert [one.name for one in found] == ["silent", "slow-card", "over"]
    assert found[0].text == "It is so since 2 Mar 03:30, 0.0\u00a0% off."
    assert found[1].text == "Slow card."


def test_a_gun_on_target_has_no_sign() -> None:
    (cell,) = cells_of(snapshot(gun("port", deviation_pct=-0.02, verdict="pass")), {}, UTC)
    assert cell.guns[0].deviation == "on target"
    (cell,) = cells_of(snapshot(gun("port", deviation_pct=-8.8, verdict="fail")), {}, UTC)
    assert cell.guns[0].deviation == "−8.8 % from target"


def test_alarms_of_the_agent_itself_and_many_guns_are_on_the_page(tmp_path: Path) -> None:
    board = Board()
    screen = Screen(site_in(tmp_path), board)
    names = [f"gun-{number}" for number in range(8)]
    board.pin(snapshot(*map(gun, names), alarms=(alarm("sink-down", text="the database is away"),)))
    html = screen.shown().html
    screen.close()
    assert "The agent itself" in html
    assert "The database is away." in html
    assert 'class="cell many"' in html
    assert all(f">{name}<" in html for name in names)


def test_a_gun_that_was_changed_after_it_passed_is_not_green() -> None:
    names = ("port", "starboard")
    reasons = tuple(
        Reason(code=code, text="it was changed", remedy="Run its flow check.", gun=name)
        for code, name in zip(("needle_changed", "part_changed"), names, strict=True)
    )
    guns = [gun(name, verdict="pass") for name in names]
    (cell,) = cells_of(snapshot(*guns, reasons=reasons), {}, UTC)
    assert [(one.tone, one.word, one.step.line) for one in cell.guns] == [
        ("wait", "outdated", "Check again")
    ] * 2
    (cell,) = cells_of(snapshot(*guns, reasons=reasons[:1]), {}, UTC)
    assert [(one.tone, one.word) for one in cell.guns] == [("wait", "outdated"), ("good", "pass")]
    unknown = Reason(code="setup_unknown", text="no such setup is configured", remedy="Add it.")
    (cell,) = cells_of(snapshot(*guns, reasons=(unknown,)), {}, UTC)
    assert [(one.tone, one.step.line) for one in cell.guns] == [("wait", "Setup unknown")] * 2


def test_no_chart_of_another_setup_is_drawn() -> None:
    for setup, drawn in (("gearbox-primer", True), ("impeller-barrier", False)):
        checks = (make_check(1, gun="port", setup=setup),)
        memory = {"booth-2": CellMemory(guns={"port": GunMemory(checks=checks)})}
        (cell,) = cells_of(snapshot(gun("port")), memory, UTC)
        assert bool(cell.guns[0].drawing) is drawn


def test_new_parts_show_how_far_their_baseline_has_come() -> None:
    wear = Wear(
        id="wear-1",
        cell="booth-2",
        at="2026-03-02T03:30:00Z",
        gun="port",
        part="nozzle",
        since="2026-03-02T03:30:00Z",
        checks=0,
        change_pct=None,
        change_low_pct=None,
        change_high_pct=None,
        pattern="none",
        limit_pct=10.0,
        due=None,
        due_g=None,
        reason="0 of 5 checks for a baseline of the new parts",
    )
    memory = {"booth-2": CellMemory(guns={"port": GunMemory(wear=wear)})}
    (cell,) = cells_of(snapshot(gun("port")), memory, UTC)
    assert cell.guns[0].wear == "0 of 5 checks for a baseline of the new parts"
