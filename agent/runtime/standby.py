"""Standing by: what an agent does whose turn to speak it is not, so that it can speak at once when it is.

It has heard and computed all that the speaking one has, and journals it. What it hears the other one say is
settled in its own outbox; what the other one never said is what it says first when its turn comes. The same
record has the same id, whoever tells it: to hear it twice is harmless.
"""

from __future__ import annotations

import threading
from collections.abc import Callable

from agent.contract.plan import Plan
from agent.contract.times import epoch_s
from agent.contract.topics import Topics
from agent.journal.errors import JournalError
from agent.journal.journal import Journal
from agent.journal.rows import Row
from agent.runtime.shared_link import SharedLink

LOOK_S = 1.0
OTHERS_S = 60.0
"""What another one had so long to say, and lived, it has said: in words of its own, perhaps."""
ROWS = 500
MQTT = "mqtt"

Outlet = Callable[[threading.Event], None]


def told_filters(plan: Plan) -> list[str]:
    """Filters of everything an agent tells."""
    topics = Topics(plan.root)
    filters = [topics.alert("agent", "+")]
    for cell in plan.cells:
        flow = topics.dispense(cell.name).removesuffix("/dispense")
        filters += [f"{flow}/#", topics.alert(cell.name, "+"), topics.request(cell.name)]
    return filters


class Standby:
    """Settles what others have said. Used in the worker's thread alone."""

    def __init__(self, link: SharedLink, journal: Journal) -> None:
        self.link = link
        self._journal = journal
        self._outboxes = {MQTT: journal.outlet_view(MQTT)}
        self._looked_s = 0.0

    def in_turn(self, name: str, outlet: Outlet) -> Outlet:
        """An outlet that works only while it is our turn; until then what others sent is settled."""
        self._outboxes[name] = self._journal.outlet_view(name)
        return in_turn(outlet, self.link)

    def step(self, now_s: float, utc_s: float) -> None:
        """At every turn of the worker: monotonic time, and UTC by which rows are dated."""
        self.link.step(now_s)
        if now_s - self._looked_s < LOOK_S or not self.link.held_by_another():
            return
        self._looked_s = now_s
        for name, outbox in self._outboxes.items():
            try:
                rows = [row for row in outbox.pending(ROWS) if self._is_said(name, row, utc_s)]
                outbox.settle_rows(rows)
            except JournalError:
                # The journal's own trouble is told by whoever writes to it; next second we look again.
                return

    def _is_said(self, outlet: str, row: Row, utc_s: float) -> bool:
        if outlet == MQTT and self.link.was_told(row.id):
            return True
        return utc_s - epoch_s(row.at) > OTHERS_S


class TurnOver(threading.Event):
    """Set where it is told, and from when on the turn was once not ours for certain.

    A process that was stopped and goes on does not know yet that another one speaks: whoever asks this before
    each piece of work does nothing then.
    """

    def __init__(self, link: SharedLink) -> None:
        super().__init__()
        self._link = link

    def is_set(self) -> bool:
        """Whether to end."""
        if not self._link.surely_holds:
            self.set()
        return super().is_set()

    def wait(self, timeout: float | None = None) -> bool:
        """As an event's own, and whether to end after it."""
        super().wait(timeout)
        return self.is_set()


def in_turn(outlet: Outlet, link: SharedLink) -> Outlet:
    """An outlet that works only while it is our turn."""

    def run(stop: threading.Event) -> None:
        while not stop.is_set():
            if not link.surely_holds:
                stop.wait(0.2)
                continue
            over = TurnOver(link)
            work = threading.Thread(target=outlet, args=(over,), name="in turn", daemon=True)
            work.start()
            while not over.is_set() and work.is_alive() and not stop.wait(0.2):
                pass
            by_itself = not (over.is_set() or stop.is_set())
            over.set()
            work.join()
            if by_itself:
                return  # whoever looks after the threads must see that

    return run
