"""A writer and several outlets at once: nobody is refused, nothing is missed, nothing comes twice."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import Any

import pytest
from made_records import make_dispense

from agent.journal.errors import JournalClosed, JournalIoError
from agent.journal.journal import Journal


def test_outlets_forward_while_the_writer_writes(journal: Journal) -> None:
    names = ("mqtt", "influx", "people")
    journal.declare_outlets(dict.fromkeys(names, "all"))
    heard: dict[str, list[int]] = {name: [] for name in names}
    faults: list[BaseException] = []
    written = threading.Event()

    def forward(name: str) -> None:
        try:
            with journal.outlet_view(name) as view:
                while True:
                    done = written.is_set()
                    rows = view.pending(7)
                    heard[name] += [row.seq for row in rows]
                    view.settle_rows(rows)
                    if done and not rows:
                        return
        except BaseException as fault:
            faults.append(fault)
            raise

    threads = [threading.Thread(target=forward, args=(name,)) for name in names]
    for thread in threads:
        thread.start()
    for number in range(150):
        journal.append([make_dispense(number)])
    written.set()
    for thread in threads:
        thread.join(60)
    assert faults == []
    assert heard == {name: list(range(1, 151)) for name in names}


def test_an_error_of_the_disk_on_one_connection_stops_them_all(journal: Journal, tmp_path: Path) -> None:
    journal.append([make_dispense(1)])
    view = journal.outlet_view("influx")
    fault = JournalIoError("the disk failed")
    journal.database.tripwire.fault = fault
    with pytest.raises(JournalIoError) as met:
        view.pending(1)
    assert met.value is fault
    with pytest.raises(JournalIoError):
        journal.append([make_dispense(2)])
    view.close()
    journal.close()


def test_an_outlet_that_outlives_the_journal_is_told(journal: Journal, dispense: Any) -> None:
    journal.append([dispense(1)])
    view = journal.outlet_view("influx")
    assert len(view.pending(1)) == 1
    view.close()
    with pytest.raises(JournalClosed, match="was closed"):
        view.pending(1)
