"""What the controller answered comes back from the journal, as what it said did."""

from __future__ import annotations

from pathlib import Path

from agent.contract.inputs import ControllerEvent, Reply
from agent.contract.plan import Cell, Gun, Plan, Scale, Setup, Shift
from agent.contract.records import Request
from agent.contract.times import epoch_s
from agent.journal.journal import Journal
from agent.pipeline.pipeline import Pipeline
from agent.runtime.memory import remembered

SETUP = Setup("gearbox-primer", "n-butyl acetate", 84.0, shot_s=20.0)
CELL = Cell(
    "booth-2",
    (Scale("bench", 0.05, 4200.0),),
    (Gun("port", "bench"),),
    (Shift("early", (0, 1, 2, 3, 4), "06:00", 30.0, SETUP.name),),
)
PLAN = Plan("edge-7", "yard", "UTC", (CELL,), (SETUP,), ())


def test_a_refusal_for_good_is_known_after_a_restart(tmp_path: Path) -> None:
    desk = Pipeline(PLAN).lines["booth-2"].desk
    at_s = epoch_s("2026-03-02T05:30:00Z")
    said = desk.passed(at_s)
    (request,) = [record for record in said if isinstance(record, Request)]
    reply = Reply("booth-2", at_s + 2, request.id, accepted=False, reason="unknown setup")
    ready = ControllerEvent("booth-2", "cell_ready", at_s - 9, at_s - 9, "e1", ready=False)
    said += desk.reply(reply)
    journal = Journal.open(tmp_path, version="0.1.0", config_digest="0123456789abcdef")
    journal.append(said, [ready, reply])
    records, events = remembered(journal)
    journal.close()
    assert [type(event) for event in events] == [ControllerEvent, Reply]
    again = Pipeline(PLAN)
    again.restore(records, events, {})
    after = [record for minute in range(60) for record in again.passed(at_s + 3 + 60 * minute).records]
    assert not [record for record in after if isinstance(record, Request)]
