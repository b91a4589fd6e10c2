"""Which rows an outlet sends next: all that is pending, or old and new ones by turns after an outage.

While everything pending fits into one batch there is one lane, in order. Where it does not, a mark is set
at the newest row: up to it the backlog drains in order, behind it what happens now is sent in order, each
every other time. Each lane has a batch size of its own, so that a row that is never taken slows only its
own lane.
"""

from __future__ import annotations

from typing import Literal, TypeAlias

from agent.journal.outbox import OutletView
from agent.journal.rows import Row

Lane: TypeAlias = Literal["live", "backlog"]


class Lanes:
    """Chooses the next rows of one outlet."""

    def __init__(self, view: OutletView, batch_rows: int):
        self.view = view
        self.batch_rows = batch_rows
        self._sizes: dict[Lane, int] = {"live": batch_rows, "backlog": batch_rows}
        self._mark: int | None = None
        self._turn: Lane = "live"

    def next_rows(self) -> tuple[Lane, list[Row]]:
        """The rows to send now, and the lane they are in; none when nothing is pending."""
        if self._mark is None:
            rows = self.view.pending(self.batch_rows + 1)
            if len(rows) <= self.batch_rows:
                return "live", rows[: self._sizes["live"]]
            self._mark = self.view.last_seq()
            self._turn = "live"
        self._turn = "backlog" if self._turn == "live" else "live"
        if self._turn == "live":
            rows = self.view.pending(self._sizes["live"], after_seq=self._mark)
            if rows:
                return "live", rows
        rows = self.view.pending(self._sizes["backlog"], through_seq=self._mark)
        if not rows:
            self._mark = None
            return "live", self.view.pending(self._sizes["live"])
        return "backlog", rows

    def failed(self) -> None:
        """Nothing can be taken now: what is there is backlog, what comes from now on is live.

        Live rows stay live for as long as they fit into one batch, so that single failures do not send them
        to the end of the backlog.
        """
        newest = self.view.last_seq()
        if self._mark is None or newest - self._mark > self.batch_rows:
            self._mark = newest

    def taken(self, lane: Lane) -> None:
        """A batch was taken: the lane may grow again."""
        self._sizes[lane] = min(self._sizes[lane] * 2, self.batch_rows)

    def halve(self, lane: Lane, rows: int) -> None:
        """A batch of so many rows was rejected: try half of it, to find the row that is at fault."""
        self._sizes[lane] = max(rows // 2, 1)
