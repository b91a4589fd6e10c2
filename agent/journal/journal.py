"""The journal: every record and event of the agent, durable before anyone is told.

One writer, in one process, appends in transactions that are on the disk when they return. Outlets read what
they have still to forward on connections of their own (`outlet_view`). The errors are drawn in
`agent.journal.errors`; in short:

    JournalError
    ├── JournalLocked, JournalNewer            at opening: a human has to decide
    ├── JournalFull, JournalBusy               nothing was written: do not acknowledge, try again
    ├── JournalReadOnly, JournalIoError,
    │   JournalCorrupt                         the connection is closed: the agent must restart
    └── JournalClosed                          used after closing
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal, Self, TypeVar

from agent.contract.evidence import Evidence
from agent.contract.inputs import RawMessage, Undecodable
from agent.contract.records import Record
from agent.journal.backing_up import back_up
from agent.journal.database import Database
from agent.journal.errors import JournalError, JournalFull, JournalIoError, JournalNotice
from agent.journal.files import make_folder
from agent.journal.limits import JournalLimits
from agent.journal.lock import FolderLock
from agent.journal.mending import mend, mend_earlier
from agent.journal.migrations import Migration
from agent.journal.opening import open_file
from agent.journal.outbox import OutletView, write_ranges
from agent.journal.packing import packed
from agent.journal.reading import FILE_NAME, JournalReader
from agent.journal.room import Room, Tended
from agent.journal.rows import Event, Row, event_body, event_key
from agent.journal.space import Ballast, Space
from agent.journal.stamp import Clock, Stamp, machine_clock
from agent.journal.verify import verify
from agent.journal.writing import PreparedRecord, Run, Writer, keep_state, quarantine

Result = TypeVar("Result")


@dataclass(frozen=True, slots=True)
class Appended:
    """What one `append` did."""

    new: tuple[Row, ...] = ()
    """The records that were not in the journal yet, in the order given."""
    known: tuple[str, ...] = ()
    """Ids of records that were there already: nothing was written for them."""
    new_events: tuple[str, ...] = ()
    """Keys of the events that came for the first time (`agent.journal.rows.event_key`)."""
    known_events: tuple[str, ...] = ()
    """Keys of the events that had come before."""
    differing: tuple[str, ...] = ()
    """Ids and keys among the known ones that now say something else; what was first written stands."""
    took_s: float = 0.0
    """How long the transaction took, seconds: a card that stalls shows here."""
    faults: tuple[JournalNotice, ...] = ()


class Journal(JournalReader):
    """The one writer of a state folder. Calls from several threads wait for each other."""

    def __init__(
        self, database: Database, lock: FolderLock, run: Run, clock: Clock, opened: Sequence[JournalNotice]
    ):
        super().__init__(database)
        self.limits = database.limits
        self.folder = database.path.parent
        self.opened = tuple(opened)
        """What opening it found: `journal-replaced`, `restarted-uncleanly`."""
        self._lock_file = lock
        self._run = run
        self._clock = clock
        self._room = Room(database, clock)

    @classmethod
    def open(
        cls,
        state_dir: Path,
        *,
        version: str,
        config_digest: str,
        limits: JournalLimits | None = None,
        clock: Clock = machine_clock,
        migrations: Sequence[Migration] | None = None,
    ) -> Self:
        """Open the journal of a state folder, and make it where there is none.

        Raises JournalLocked where another agent has it open, JournalNewer where a later version made it, and
        JournalReadOnly, JournalIoError or JournalFull where the disk does not allow it. A damaged file is no
        error: it is set aside, and `opened` tells of it.
        """
        limits = limits or JournalLimits()
        make_folder(state_dir)
        lock = FolderLock(state_dir)
        lock.take()
        try:
            now = clock()
            run = Run(0, version, config_digest, now.boot_id)
            try:
                database, run, faults = _begun(state_dir, limits, run, now, migrations)
            except (JournalFull, JournalIoError):
                # A full disk has no room for the files that SQLite needs beside the journal's.
                if not Space.of(state_dir).is_gone() or not Ballast(state_dir, 0).give_up():
                    raise
                database, run, faults = _begun(state_dir, limits, run, now, migrations)
        except BaseException:
            lock.give_back()
            raise
        return cls(database, lock, run, clock, faults)

    def append(
        self,
        records: Sequence[Record] = (),
        events: Sequence[Event] = (),
        evidence: Mapping[str, Evidence] | None = None,
        state: Mapping[str, bytes] | None = None,
        refused: Sequence[tuple[RawMessage, Undecodable]] = (),
    ) -> Appended:
        """Write all of this in one transaction; when it returns, it is on the disk.

        `evidence` goes by record id, `refused` are messages that could not be read; an empty `state` value
        forgets its name. A record or event that is in the journal already is left as it is. Raises
        JournalFull or JournalBusy (nothing was written, try again), and JournalReadOnly, JournalIoError or
        JournalCorrupt (restart). ValueError: the arguments are at fault.
        """
        given = evidence or {}
        ready = [
            PreparedRecord.of(record, packed(given[record.id]) if record.id in given else None)
            for record in records
        ]
        heard = [(event, event_key(event), event_body(event)) for event in events]
        for name, value in (state or {}).items():
            if len(value) > self.limits.kept_bytes:
                raise ValueError(
                    f"kept state {name!r}: {len(value)} bytes (at most {self.limits.kept_bytes})"
                )

        def write() -> Appended:
            with self.database.transaction() as cursor:
                writer = Writer(cursor, self._run, self._clock())
                new, known, differing = writer.records(ready)
                new_events, known_events, other = writer.events(heard)
                writer.close_chains()
                for name, value in (state or {}).items():
                    keep_state(cursor, name, value)
                if refused:
                    quarantine(cursor, refused, self.limits)
            return Appended(
                tuple(new), tuple(known), tuple(new_events), tuple(known_events), (*differing, *other)
            )

        return self._making_room(write)

    def keep(self, state: Mapping[str, bytes]) -> None:
        """Remember small named values; the same as `append(state=...)`."""
        self.append(state=state)

    def knows_event(self, event: Event) -> bool:
        """Whether this event was written before, in this run or an earlier one."""
        return self.database.one("SELECT 1 FROM events WHERE id = ?", (event_key(event),)) is not None

    def declare_outlets(self, outlets: Mapping[str, Literal["all", "new"]]) -> None:
        """Say who forwards records: retention waits for these, and for no others.

        An outlet that is named for the first time begins with everything that is in the journal (`all`) or
        with what comes from now on (`new`); one that was there before goes on where it stopped.
        """
        last = self.last_seq()

        def write() -> None:
            with self.database.transaction() as cursor:
                cursor.execute("UPDATE outlets SET active = 0")
                for outlet, begin in outlets.items():
                    known = cursor.execute("SELECT 1 FROM outlets WHERE outlet = ?", (outlet,)).fetchone()
                    cursor.execute("INSERT OR REPLACE INTO outlets VALUES (?, 1)", (outlet,))
                    if not known:
                        write_ranges(cursor, outlet, [(0, last if begin == "new" else 0)])

        self._making_room(write)

    def outlet_view(self, outlet: str, *, hold_untrusted: bool = False) -> OutletView:
        """An outlet's own view, on a connection of its own, for use in its own thread; close it there."""
        database = Database(self.database.path, self.limits, self.database.tripwire)
        return OutletView(database, outlet, hold_untrusted=hold_untrusted)

    def outlet(self, outlet: str) -> OutletView:
        """An outlet's view on the writer's own connection, for an outlet in the writer's thread."""
        return OutletView(self.database, outlet)

    def pending(self, outlet: str, limit: int) -> list[Row]:
        """The oldest records that an outlet has not settled, checked, in order."""
        return self._view(outlet, lambda view: view.pending(limit))

    def settle(self, outlet: str, seq: int) -> None:
        """Everything up to this row is done with for an outlet."""
        self._view(outlet, lambda view: view.settle(seq))

    def set_aside(self, outlet: str, row: Row, why: str) -> None:
        """This row cannot be forwarded and must not hold up the others; it stays in the journal."""
        self._view(outlet, lambda view: view.set_aside(row, why))

    def mend_times(self, boot_id: str, offset_s: float) -> int:
        """Give the records of a boot, written while the clock was wrong, their time once and for all.

        `offset_s` is true time less the time that the clock showed, seconds. Only times that stood on the
        wrong clock are moved. Returns how many records may be sent now.
        """
        return self._making_room(lambda: mend(self.database, boot_id, round(offset_s * 1000) * 1_000_000))

    def mend_earlier(self, outlet: str) -> int:
        """Mend what earlier runs wrote while the clock was wrong; call it once the clock can be trusted.

        Returns how many records of earlier boots can never be dated: they are set aside for `outlet`.
        """
        return self._making_room(lambda: mend_earlier(self.database, self._clock(), outlet))

    def tend(self) -> Tended:
        """Housekeeping, to be called once a minute: retention, ballast, room on the disk."""
        tended = self._room.tend()
        return replace(tended, faults=(*tended.faults, *self.take_faults()))

    def verify(self, anchors: Sequence[tuple[int, str]] = ()) -> list[JournalNotice]:
        """What was changed, removed, moved or added behind the agent's back; empty when all is sound."""
        return verify(self.database, anchors)

    def backup(self, path: Path) -> list[JournalNotice]:
        """A consistent copy of the journal while the agent goes on: what went wrong, what was found damaged.

        See `backing_up`. May be called in any thread.
        """
        return back_up(self.database.path, self.limits, path)

    def close(self) -> None:
        """End the run cleanly, empty the write-ahead log, let another agent in.

        Harmless when it is closed already.
        """
        try:
            if self.database.is_open:
                with self.database.transaction() as cursor:
                    cursor.execute(
                        "UPDATE runs SET ended_ns = ? WHERE run = ?",
                        (self._clock().wall_ns, self._run.number),
                    )
                self.database.checkpoint()
        except JournalError as fault:
            self._report(fault.alarm, f"the journal could not be ended cleanly: {fault}")
        finally:
            self.database.close()
            self._lock_file.give_back()

    def _view(self, outlet: str, use: Callable[[OutletView], Result]) -> Result:
        view = self.outlet(outlet)
        try:
            return use(view)
        finally:
            self._faults.extend(view.take_faults())

    def _making_room(self, write: Callable[[], Result]) -> Result:
        """Do it; where there is no room, make some and do it once more."""
        result, took_s, faults = self._room.making(write)
        if isinstance(result, Appended):
            return replace(result, took_s=took_s, faults=tuple(faults))
        self._faults.extend(faults)
        return result


def _begun(
    state_dir: Path, limits: JournalLimits, run: Run, now: Stamp, migrations: Sequence[Migration] | None
) -> tuple[Database, Run, tuple[JournalNotice, ...]]:
    """The file open, and a run begun in it."""
    opened = open_file(state_dir / FILE_NAME, limits, now.wall_ns, migrations)
    try:
        unclean = _unclean(opened.database)
        with opened.database.transaction() as cursor:
            cursor.execute(
                "INSERT INTO runs (version, config, boot_id, started_ns) VALUES (?, ?, ?, ?)",
                (run.version, run.config, run.boot_id, now.wall_ns),
            )
            begun = replace(run, number=int(cursor.lastrowid or 0))
    except BaseException:
        opened.database.close()
        raise
    return opened.database, begun, (*opened.faults, *unclean)


def _unclean(database: Database) -> tuple[JournalNotice, ...]:
    rows = database.read("SELECT run, ended_ns FROM runs ORDER BY run DESC LIMIT 1")
    if rows and rows[0][1] is None:
        return (JournalNotice("restarted-uncleanly", f"run {rows[0][0]} of the agent did not end cleanly"),)
    return ()
