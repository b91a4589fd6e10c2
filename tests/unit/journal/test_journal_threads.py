"""A writer and several outlets at once: nobody is refused, nothing is missed, nothing comes twice."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import Any

from made_records import make_dispense

from agent.journal.errors import JournalClosed
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
    assert heard == dict.fromkeys(names, list(range(1, 151)))


def test_an_error_of_the_disk_on_one_connection_stops_them_all(journal: Journal, tmp_path: Path) -> None:
    from agent.journal.errors import JournalIoError

    journal.append([make_dispense(1)])
    view = journal.outlet_view("influx")
    fault = JournalIoError("the disk failed")
    journal.database.tripwire.fault = fault
    for use in (lambda: view.pending(1), lambda: journal.append([make_dispense(2)])):
        try:
            use()
        except JournalIoError as met:
            assert met is fault
        else:
            raise AssertionError("a connection went on after the disk had failed")
    view.close()
    journal.close()


def test_an_outlet_that_outlives_the_journal_is_told(journal: Journal, dispense: Any) -> None:
    journal.append([dispense(1)])
    view = journal.outlet_view("influx")
    assert len(view.pending(1)) == 1
    view.close()
    try:
        view.pending(1)
    except JournalClosed as met:
        assert "was closed" in str(met)
    else:
        raise AssertionError("a closed view was used")
