"""The life of an alarm, row by row, and the panel around it.

The state table is ISA-18.2's as it stands in shared/check-values.md section 6.1 (names NORM, UNACK, ACKED,
RTNUN, SHLVD, DSUPR, OOSRV); limit, deadband and delays are those of OPC UA Part 9 and a transmitter's manual.
"""

from __future__ import annotations

import pytest

from agent.assessment.alarms import AlarmPanel, Fault
from agent.assessment.alarms_one import Figure
from agent.assessment.alarms_panels import agent_panel, cell_panel
from agent.assessment.alarms_states import beyond, next_state
from agent.assessment.alarms_table import CELL_ALARMS, AlarmKind
from agent.assessment.alarms_table_agent import AGENT_ALARMS
from agent.contract.inputs import AlarmCommand, AlarmCommandName
from agent.contract.plan import Cell, Gun, Scale
from agent.contract.records import Alert
from agent.contract.times import rfc3339

T0 = 1_790_000_000.0


@pytest.mark.parametrize(
    ("state", "event", "after"),
    [
        ("NORM", "active", "UNACK"),
        ("UNACK", "acknowledge", "ACKED"),
        ("UNACK", "normal", "RTNUN"),
        ("ACKED", "normal", "NORM"),
        ("RTNUN", "acknowledge", "NORM"),
        ("RTNUN", "active", "UNACK"),
    ],
)
def test_life_of_an_alarm(state, event, after):
    assert next_state(state, event, active=event == "active") == after


@pytest.mark.parametrize("state", ["NORM", "UNACK", "ACKED", "RTNUN"])
@pytest.mark.parametrize(
    ("hide", "hidden", "show"),
    [
        ("shelve", "SHLVD", "unshelve"),
        ("suppress", "DSUPR", "unsuppress"),
        ("remove_from_service", "OOSRV", "return_to_service"),
    ],
)
def test_hiding_and_showing_again(state, hide, hidden, show):
    assert next_state(state, hide, active=True) == hidden
    assert next_state(hidden, "active", active=True) == hidden
    assert next_state(hidden, show, active=True) == "UNACK"
    assert next_state(hidden, show, active=False) == "NORM"


def test_hidden_alarms_leave_only_by_their_own_door():
    assert next_state("SHLVD", "unsuppress", active=True) == "SHLVD"
    assert next_state("DSUPR", "unshelve", active=True) == "DSUPR"
    assert next_state("OOSRV", "shelve", active=True) == "OOSRV"


@pytest.mark.parametrize(
    ("value", "was", "is_beyond"),
    [(249.9, False, False), (250, False, True), (245, True, True), (241, True, True), (240, True, False)],
)
def test_high_limit_250_deadband_10(value, was, is_beyond):
    """Active at >= 250, clears at <= 240 (row L1 of check-values, a transmitter's manual)."""
    assert beyond(value, 250, 10, was) is is_beyond


def panel_of(**kind) -> AlarmPanel:
    panel = AlarmPanel("north")
    panel.add("low-oil", AlarmKind("low-oil", "medium", "It seizes.", "Fill up.", **kind))
    return panel


def command(name: str, what: AlarmCommandName, at_s: float, minutes: float | None = None) -> AlarmCommand:
    return AlarmCommand(
        cell="north", arrived_s=at_s, name=name, command=what, by="shift lead", minutes=minutes
    )


def states(alerts: list[Alert]) -> list[str]:
    return [alert.state for alert in alerts]


def test_an_alert_says_what_since_when_the_consequence_and_what_to_do():
    alert = panel_of().report("low-oil", True, T0, "oil at 5 %")[0]
    assert (alert.name, alert.state, alert.priority) == ("low-oil", "UNACK", "medium")
    assert alert.since == alert.at == rfc3339(T0)
    assert (alert.text, alert.consequence, alert.action) == ("oil at 5 %", "It seizes.", "Fill up.")


def test_told_once_however_often_reported():
    panel = panel_of()
    assert states(panel.report("low-oil", True, T0, "a")) == ["UNACK"]
    assert panel.report("low-oil", True, T0 + 1, "worse") == []
    (other,) = panel.report("low-oil", True, T0 + 2, "on the other side", mark="right")
    assert (other.state, other.text, other.since) == ("UNACK", "on the other side", rfc3339(T0))
    assert states(panel.report("low-oil", False, T0 + 3)) == ["RTNUN"]
    assert states(panel.command(command("low-oil", "acknowledge", T0 + 4))) == ["NORM"]


def test_a_number_that_moved_far_enough_is_told_again_after_its_pause():
    panel = panel_of()

    def reported(value: float, at_s: float) -> list[Alert]:
        return panel.report("low-oil", True, at_s, f"oil at {value:g} %", figure=Figure(value, 2.0, 60.0))

    assert states(reported(9.0, T0)) == ["UNACK"]
    assert reported(5.0, T0 + 59) == []
    (standing,) = panel.standing()
    assert standing.text == "oil at 5 %"
    assert reported(7.5, T0 + 61) == []
    (moved,) = reported(5.0, T0 + 62)
    assert (moved.state, moved.text, moved.since) == ("UNACK", "oil at 5 %", rfc3339(T0))
    panel.command(command("low-oil", "acknowledge", T0 + 63))
    (moved,) = reported(2.0, T0 + 130)
    assert (moved.state, moved.text, moved.acknowledged_by) == ("ACKED", "oil at 2 %", "shift lead")
    assert reported(1.0, T0 + 260) == []
    (ended,) = panel.report("low-oil", False, T0 + 300)
    assert ended.text == "oil at 1 %"


def test_on_delay_needs_the_whole_delay():
    panel = panel_of(on_delay_s=15.0)
    assert panel.report("low-oil", True, T0, "a") == []
    assert panel.report("low-oil", False, T0 + 14) == []
    assert panel.report("low-oil", True, T0 + 20, "a") == []
    assert panel.passed(T0 + 34.9) == []
    (alert,) = panel.passed(T0 + 500)
    assert alert.at == rfc3339(T0 + 35)
    assert alert.since == rfc3339(T0 + 20)


def test_off_delay_sits_out_brief_dips():
    panel = panel_of(off_delay_s=10.0)
    panel.report("low-oil", True, T0, "a")
    assert panel.report("low-oil", False, T0 + 5) == []
    assert panel.report("low-oil", True, T0 + 9, "a") == []
    assert panel.report("low-oil", False, T0 + 20) == []
    (alert,) = panel.passed(T0 + 30)
    assert (alert.state, alert.at) == ("RTNUN", rfc3339(T0 + 30))


def test_acknowledged_names_who_and_then_returns_to_normal():
    panel = panel_of()
    panel.report("low-oil", True, T0, "a")
    (acked,) = panel.command(command("low-oil", "acknowledge", T0 + 1))
    assert (acked.state, acked.acknowledged_by) == ("ACKED", "shift lead")
    assert panel.command(command("low-oil", "acknowledge", T0 + 2)) == []
    assert states(panel.report("low-oil", False, T0 + 3)) == ["NORM"]
    (again,) = panel.report("low-oil", True, T0 + 4, "a")
    assert (again.state, again.acknowledged_by) == ("UNACK", None)


def test_shelving_ends_by_itself_at_its_own_time():
    panel = panel_of()
    panel.report("low-oil", True, T0, "a")
    (shelved,) = panel.command(command("low-oil", "shelve", T0 + 10, minutes=30))
    assert (shelved.state, shelved.shelved_until) == ("SHLVD", rfc3339(T0 + 1810))
    assert panel.report("low-oil", False, T0 + 20) == []
    assert panel.report("low-oil", True, T0 + 30, "a") == []
    (back,) = panel.passed(T0 + 9999)
    assert (back.state, back.at, back.shelved_until) == ("UNACK", rfc3339(T0 + 1810), None)


@pytest.mark.parametrize("by_hand", [True, False])
def test_an_acknowledgement_does_not_outlast_a_shelving(by_hand):
    panel = panel_of()
    panel.report("low-oil", True, T0, "a")
    panel.command(command("low-oil", "acknowledge", T0 + 1))
    (shelved,) = panel.command(command("low-oil", "shelve", T0 + 2, minutes=30))
    assert (shelved.state, shelved.acknowledged_by) == ("SHLVD", "shift lead")
    if by_hand:
        (back,) = panel.command(command("low-oil", "unshelve", T0 + 3))
    else:
        (back,) = panel.passed(T0 + 9999)
    assert (back.state, back.acknowledged_by) == ("UNACK", None)


def test_unshelved_by_hand_when_all_is_well_is_gone_for_good():
    panel = panel_of()
    assert states(panel.command(command("low-oil", "shelve", T0))) == ["SHLVD"]
    assert states(panel.command(command("low-oil", "unshelve", T0 + 5))) == ["NORM"]
    assert panel.passed(T0 + 1e6) == []


@pytest.mark.parametrize("minutes", [0.0, -5.0, float("nan"), float("inf")])
def test_a_shelving_without_sense_changes_nothing(minutes):
    panel = panel_of()
    panel.report("low-oil", True, T0, "a")
    assert panel.command(command("low-oil", "shelve", T0 + 1, minutes)) == []
    assert panel.command(command("no-such-alarm", "acknowledge", T0 + 1)) == []
    assert panel.standing()[0].state == "UNACK"


def test_nobody_shelves_for_longer_than_a_day():
    (shelved,) = panel_of().command(command("low-oil", "shelve", T0, minutes=1e9))
    assert shelved.shelved_until == rfc3339(T0 + 86400)


def suppressing_panel() -> AlarmPanel:
    panel = AlarmPanel("north")
    panel.add("root", AlarmKind("root", "medium", "c", "a"))
    panel.add("result", AlarmKind("result", "low", "c", "a"), ("root",))
    return panel


def test_what_follows_from_an_active_alarm_calls_nobody():
    panel = suppressing_panel()
    assert [(a.name, a.state) for a in panel.report("root", True, T0, "r")] == [("root", "UNACK")]
    assert [(a.name, a.state) for a in panel.report("result", True, T0 + 1, "x")] == [("result", "DSUPR")]
    told = panel.report("root", False, T0 + 2)
    assert {(a.name, a.state) for a in told} == {("root", "RTNUN"), ("result", "UNACK")}


def test_a_suppressed_alarm_whose_condition_goes_is_silently_normal():
    panel = suppressing_panel()
    panel.report("result", True, T0, "x")
    told = panel.report("root", True, T0 + 1, "r")
    assert {(a.name, a.state) for a in told} == {("root", "UNACK"), ("result", "DSUPR")}
    assert states(panel.report("result", False, T0 + 2)) == ["NORM"]
    assert states(panel.report("root", False, T0 + 3)) == ["RTNUN"]
    assert [standing.name for standing in panel.standing()] == ["root"]


def test_an_acknowledgement_does_not_outlast_a_suppression():
    panel = suppressing_panel()
    panel.report("result", True, T0, "x")
    panel.command(command("result", "acknowledge", T0 + 1))
    panel.report("root", True, T0 + 2, "r")
    back = panel.report("root", False, T0 + 3)[-1]
    assert (back.name, back.state, back.acknowledged_by) == ("result", "UNACK", None)


def test_a_happening_ends_by_itself_after_it_was_last_told():
    panel = panel_of(ends_after_s=600.0)
    panel.report("low-oil", True, T0, "a")
    panel.report("low-oil", True, T0 + 300, "a")
    (alert,) = panel.passed(T0 + 5000)
    assert (alert.state, alert.at) == ("RTNUN", rfc3339(T0 + 900))


def test_state_survives_a_restart():
    panel = panel_of()
    alerts = panel.report("low-oil", True, T0, "a")
    alerts += panel.command(command("low-oil", "shelve", T0 + 10, minutes=30))
    fresh = panel_of()
    fresh.restore(alerts)
    assert fresh.standing()[0].state == "SHLVD"
    fresh.report("low-oil", True, T0 + 60, "a")
    assert states(fresh.passed(T0 + 1810)) == ["UNACK"]

    fresh = panel_of()
    fresh.restore(alerts[:1])
    assert fresh.report("low-oil", True, T0 + 60, "a") == []
    assert states(fresh.report("low-oil", False, T0 + 61)) == ["RTNUN"]


def test_the_same_happenings_give_the_same_ids():
    def run() -> list[str]:
        panel = panel_of()
        alerts = panel.report("low-oil", True, T0, "a") + panel.report("low-oil", False, T0 + 9)
        return [alert.id for alert in alerts]

    assert run() == run()
    assert len(set(run())) == 2


def test_faults_by_name_take_the_tables_words_and_priority():
    panel = agent_panel()
    (alert,) = panel.fault(Fault("disk-full", True, "82 % of the disk is used"), T0)
    assert (alert.cell, alert.name, alert.priority) == ("agent", "disk-full", "high")
    assert alert.action
    assert alert.consequence
    assert panel.fault(Fault("never_heard_of", False), T0) == []
    (new,) = panel.fault(Fault("never_heard_of", True, "x", "low", "c", "a"), T0)
    assert (new.priority, new.consequence, new.action) == ("low", "c", "a")


def test_names_are_bounded():
    panel = agent_panel()
    for number in range(2000):
        panel.fault(Fault(f"n{number}", True, "x"), T0)
    assert panel.dropped_names > 1000
    assert len(panel.standing()) <= 256


def test_every_alarm_of_the_tables_is_complete_and_a_valid_topic_segment():
    for kind in (*CELL_ALARMS, *AGENT_ALARMS):
        assert kind.consequence.endswith(".")
        assert kind.action.endswith(".")
        assert not set(kind.name) & set("/+# ")
        assert kind.on_delay_s >= 0
        assert kind.off_delay_s >= 0
    for table in (CELL_ALARMS, AGENT_ALARMS):
        names = [kind.name for kind in table]
        assert len(names) == len(set(names))


def test_a_cell_has_each_alarm_once_per_gun_or_scale():
    cell = Cell(
        name="north",
        scales=(Scale("floor", 0.1, 6100.0),),
        guns=(Gun("upper", "floor"), Gun("lower", "floor")),
    )
    panel = cell_panel(cell)
    assert states(panel.report("worn-upper", True, T0, "x")) == ["UNACK"]
    assert states(panel.report("scale-silent-floor", True, T0, "x")) == ["UNACK"]
    assert states(panel.report("check-inconclusive-lower", True, T0, "x")) == ["DSUPR"]
    with pytest.raises(KeyError):
        panel.report("worn-sideways", True, T0, "x")


@pytest.mark.parametrize("by_s", [-7200.0, 1_700_000_000.0])
def test_a_clock_that_is_set_neither_hastens_nor_holds_up_what_is_pending(by_s):
    panel = agent_panel()
    panel.fault(Fault("broker-lost", active=True, text="gone"), T0)
    panel.clock_set(by_s)
    assert panel.passed(T0 + by_s + 4.9) == []
    (raised,) = panel.passed(T0 + by_s + 5.1)
    assert raised.name == "broker-lost"
    assert raised.at == rfc3339(T0 + by_s + 5.0)
