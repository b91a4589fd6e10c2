"""What the page knows from the journal: each gun's last checks, wear and advice, read when they change."""

from __future__ import annotations

import logging
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import tzinfo
from pathlib import Path

from agent.contract.plan import Plan
from agent.contract.records import Advice, Cause, Check, Wear
from agent.journal.errors import JournalError
from agent.journal.reading import JournalReader
from agent.report.contents import newest
from agent.report.figures import checks_figure
from agent.report.words import day, due_of, signed

log = logging.getLogger(__name__)

CHECKS_SHOWN = 20
DRAWN_HIGH = 150.0
"""Height of the small picture: alarms and reasons below it stay in sight on a screen of 1080 lines."""


@dataclass(frozen=True, slots=True)
class GunMemory:
    """A gun's last results."""

    checks: tuple[Check, ...] = ()
    """Oldest first."""
    wear: Wear | None = None
    advice: Advice | None = None

    def wear_text(self, zone: tzinfo) -> str:
        """Wear in a line, with the day of the site on which its limit is expected."""
        wear = self.wear
        if wear is None:
            return ""
        if wear.change_pct is None:
            return wear.reason
        meets = due_of(wear)
        due = f", due {day(meets[0], zone)}" if meets else ""
        return f"{signed(wear.change_pct)} % of {wear.limit_pct:g} %{due}"

    def drawing(self, gun: str, zone: tzinfo, setup: str | None = None) -> str:
        """The last checks of a setup, else of the latest one, as SVG; empty where there are none."""
        checks = [check for check in self.checks if setup in {None, check.setup}]
        return (checks_figure(checks, gun, zone, DRAWN_HIGH) or "") if checks else ""


@dataclass(frozen=True, slots=True)
class CellMemory:
    """A cell's last results."""

    guns: Mapping[str, GunMemory] = field(default_factory=dict)
    cause: Cause | None = None


class Memory:
    """Reads the journal on a connection of its own. For one thread."""

    def __init__(self, state_dir: Path, plan: Plan) -> None:
        self._folder = state_dir
        self._plan = plan
        self._reader: JournalReader | None = None
        self._seq = -1
        self._cells: dict[str, CellMemory] = {}

    def cells(self) -> dict[str, CellMemory]:
        """The newest results, by cell; what was read last where the journal cannot be read now."""
        try:
            if self._reader is None:
                self._reader = JournalReader.of_folder(self._folder)
            seq = self._reader.last_seq()
            if seq != self._seq:
                self._cells = {cell.name: self._cell(self._reader, cell.name) for cell in self._plan.cells}
                self._seq = seq
        except JournalError as fault:
            log.warning("the page cannot read the journal: %s", fault)
        return self._cells

    def close(self) -> None:
        """Close the connection."""
        if self._reader is not None:
            self._reader.close()
            self._reader = None

    def _cell(self, reader: JournalReader, name: str) -> CellMemory:
        guns = next(cell.guns for cell in self._plan.cells if cell.name == name)
        return CellMemory(
            guns={
                gun.name: GunMemory(
                    checks=tuple(newest(reader, Check, name, gun.name, limit=CHECKS_SHOWN)),
                    wear=next(iter(newest(reader, Wear, name, gun.name, limit=1)), None),
                    advice=next(iter(newest(reader, Advice, name, gun.name, limit=1)), None),
                )
                for gun in guns
            },
            cause=next(iter(newest(reader, Cause, name, limit=1)), None),
        )
