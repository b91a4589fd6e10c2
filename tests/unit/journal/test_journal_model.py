"""The journal against a plain model of it: whatever the order of calls, restarts and abrupt ends."""

from __future__ import annotations

import os
import shutil
import tempfile
from pathlib import Path
from typing import Any

import hypothesis.strategies as st
from hypothesis import HealthCheck, settings
from hypothesis.stateful import Bundle, RuleBasedStateMachine, initialize, invariant, precondition, rule
from made_records import make_dispense, make_event

from agent.contract.record_json import to_json
from agent.journal.journal import Journal
from agent.journal.limits import JournalLimits

MEMORY = "/dev/shm" if os.access("/dev/shm", os.W_OK) else None  # noqa: S108 - fsync costs nothing there
OUTLETS = ("mqtt", "influx")
outlets = st.sampled_from(OUTLETS)
LIMITS = JournalLimits(keep_rows=8, ballast_bytes=0)


class JournalMachine(RuleBasedStateMachine):
    """Appends, forwards, prunes, closes and cuts off a journal; the model is a list and a set per outlet."""

    appended = Bundle("appended")

    @initialize()
    def begin(self) -> None:
        self.folder = Path(tempfile.mkdtemp(prefix="journal-model-", dir=MEMORY))
        self.bodies: list[str] = []
        self.ids: list[str] = []
        self.events: set[int] = set()
        self.settled: dict[str, set[int]] = {outlet: set() for outlet in OUTLETS}
        self.aside: dict[str, set[int]] = {outlet: set() for outlet in OUTLETS}
        self.kept: bytes | None = None
        self.pruned = 0
        self.open()

    def open(self) -> None:
        self.journal = Journal.open(self.folder, version="0", config_digest="0", limits=LIMITS)
        self.journal.declare_outlets(dict.fromkeys(OUTLETS, "all"))

    @rule(
        numbers=st.lists(st.integers(0, 40), min_size=1, max_size=4), state=st.binary(min_size=1, max_size=5)
    )
    def append(self, numbers: list[int], state: bytes) -> None:
        made = [make_dispense(n) for n in numbers]
        done = self.journal.append(made, [make_event(n) for n in numbers], state={"last": state})
        self.kept = state
        new: list[Any] = []
        for one in made:
            if one.id not in self.ids[self.pruned :] and one.id not in [other.id for other in new]:
                new.append(one)
        assert [row.id for row in done.new] == [one.id for one in new]
        self.ids += [one.id for one in new]
        self.bodies += [to_json(one) for one in new]
        self.events |= set(numbers)

    @rule(outlet=outlets, limit=st.integers(1, 5), after=st.integers(0, 10))
    def forward(self, outlet: str, limit: int, after: int) -> None:
        view = self.journal.outlet(outlet)
        rows = view.pending(limit, after_seq=self.pruned + after)
        assert [row.seq for row in rows] == [n for n in self.pending(outlet) if n > self.pruned + after][
            :limit
        ]
        assert [row.body for row in rows] == [self.bodies[row.seq - 1] for row in rows]
        view.settle_rows(rows)
        self.settled[outlet] |= {row.seq for row in rows}

    @rule(outlet=outlets)
    def settle_half(self, outlet: str) -> None:
        waiting = self.pending(outlet)
        if waiting:
            through = waiting[len(waiting) // 2]
            self.journal.settle(outlet, through)
            self.settled[outlet] |= set(range(1, through + 1))

    @rule(outlet=outlets)
    def put_aside(self, outlet: str) -> None:
        rows = self.journal.pending(outlet, 1)
        if rows:
            self.journal.set_aside(outlet, rows[0], "not taken")
            self.aside[outlet].add(rows[0].seq)

    @rule(outlet=outlets)
    def try_again(self, outlet: str) -> None:
        assert self.journal.outlet(outlet).try_again() == len(self.aside[outlet])
        self.settled[outlet] -= self.aside[outlet]
        self.aside[outlet] = set()

    @rule()
    def tend(self) -> None:
        waiting = [self.pending(outlet) for outlet in OUTLETS]
        sent = min(min(rows, default=len(self.ids) + 1) for rows in waiting) - 1
        self.journal.tend()
        self.pruned = max(self.pruned, min(sent, len(self.ids) - LIMITS.keep_rows))
        for outlet in OUTLETS:
            self.aside[outlet] = {n for n in self.aside[outlet] if n > self.pruned}

    @rule()
    def restart(self) -> None:
        self.journal.close()
        self.open()
        assert self.journal.opened == ()

    @rule()
    def end_abruptly(self) -> None:
        self.journal.database.close()
        self.journal._lock_file.give_back()
        self.open()
        assert [fault.code for fault in self.journal.opened] == ["restarted-uncleanly"]

    @precondition(lambda self: self.ids)
    @rule()
    def back_up_and_restore(self) -> None:
        from agent.journal.files import restore

        self.journal.backup(self.folder / "copy.db")
        self.journal.close()
        other = self.folder.with_name(self.folder.name + "x")
        restore(self.folder / "copy.db", other)
        shutil.rmtree(self.folder)
        self.folder = other
        self.open()

    @invariant()
    def holds_what_the_model_holds(self) -> None:
        assert [row.body for row in self.journal.records()] == self.bodies[self.pruned :]
        assert self.journal.kept_state("last") == self.kept
        assert self.journal.verify() == []
        for outlet in OUTLETS:
            assert [row.seq for row in self.journal.pending(outlet, 1000)] == self.pending(outlet)
        assert (
            all(self.journal.knows_event(make_event(n)) for n in list(self.events)[-8:])
            or len(self.events) > 8
        )

    def pending(self, outlet: str) -> list[int]:
        gone = self.settled[outlet] | self.aside[outlet]
        return [n for n in range(self.pruned + 1, len(self.ids) + 1) if n not in gone]

    def teardown(self) -> None:
        if hasattr(self, "journal"):
            self.journal.close()
            shutil.rmtree(self.folder, ignore_errors=True)


TestJournalMachine = JournalMachine.TestCase
TestJournalMachine.settings = settings(
    max_examples=80, stateful_step_count=40, deadline=None, suppress_health_check=list(HealthCheck)
)
