"""What a campaign found: a row per fault, and the promises that the rows keep or break."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import asdict, dataclass, field
from typing import Any

PROMISES = {
    "P1-no-acked-loss": "What the agent acknowledged to the broker is in its journal, whatever happens next.",
    "P2-once": "An event, a dispense and a point of the database exist once, however often they were sent.",
    "P3-no-wrong-number": "No fault makes a wrong flow: a dispense is right within its u, or rejected.",
    "P4-never-silent": "Every shot that was told is measured, or rejected, or declared as not measured.",
    "P5-gaps-declared": "Missing readings and events are counted and told (`input-gap`, `session-lost`, "
    "`overload`).",
    "P6-everything-arrives": "What the journal holds reaches broker and database, unaltered and in the end.",
    "P7-alarmed": "Every fault raises its alarm, through the journal where there is one.",
    "P8-recovers-alone": "The agent works again within 60 s of a fault's end, with nobody's help.",
    "P9-bounded": "Memory, files and queues are bounded: below 256 MB resident in a flood, flat afterwards.",
    "P10-no-stale-ack": "An acknowledgement never reaches another connection's message.",
    "P11-time": "Durations do not follow the wall clock; a wrong time is kept back and mended once.",
    "P12-nobody-else": "No insecure fallback, no second agent on one journal; a theft of the id is told.",
    "P13-sound-journal": "After every fault the journal's chain and checksums are whole, or it says why not.",
    "P14-it-bit": "The faults were real: redeliveries, unacknowledged but durable rows, repeated writes and "
    "I/O errors were all seen.",
}


@dataclass
class Row:
    """One fault of the table."""

    number: str
    fault: str
    injected: int = 0
    lost: int = 0
    doubled: int = 0
    wrong: int = 0
    silent: int = 0
    alarm: str = ""
    alarm_s: float | None = None
    recovered_s: float | None = None
    note: str = ""
    broken: list[str] = field(default_factory=list)
    """Promises it broke, each with a word on how."""
    proves: tuple[str, ...] = ()
    """Promises it puts to the test besides the usual ones."""

    def expect(self, promise: str, kept: bool, why: str) -> None:
        """A promise that this fault puts to the test."""
        self.proves = (*self.proves, promise)
        if not kept:
            self.broken.append(f"{promise}: {why}")

    def alarmed(self, name: str, seconds: float | None) -> None:
        """The alarm it must raise."""
        self.alarm = f"{self.alarm}, {name}" if self.alarm else name
        if seconds is not None:
            self.alarm_s = max(self.alarm_s or 0.0, seconds)
        self.expect("P7-alarmed", seconds is not None, f"{name} was not raised")

    def merge(self, other: Row) -> None:
        """Add the same fault in another world: counts add up, of times the longest counts."""
        self.injected += other.injected
        self.lost += other.lost
        self.doubled += other.doubled
        self.wrong += other.wrong
        self.silent += other.silent
        self.alarm = self.alarm or other.alarm
        self.alarm_s = _longest(self.alarm_s, other.alarm_s)
        self.recovered_s = _longest(self.recovered_s, other.recovered_s)
        self.note = "\n      ".join(note for note in (self.note, other.note) if note)
        self.broken += other.broken
        self.proves = (*self.proves, *other.proves)

    def recovered(self, seconds: float | None, within_s: float = 60.0) -> None:
        """It works again."""
        self.recovered_s = seconds
        kept = seconds is not None and seconds <= within_s
        self.expect("P8-recovers-alone", kept, f"not within {within_s:.0f} s")

    def audited(self, found: dict[str, Any], sound: str) -> None:
        """What the oracle found after it."""
        self.lost = len(found["lost"])
        self.doubled = found["doubled"]
        self.wrong = len(found["wrong"]) + len(found["spurious"])
        self.silent = len(found["silent"])
        self.expect("P1-no-acked-loss", not found["lost"], f"events {found['lost'][:5]}")
        self.expect("P2-once", not found["doubled"], f"{found['doubled']} {found['doubled_shots'][:3]}")
        strange = [*found["wrong"], *found["spurious"]]
        self.expect("P3-no-wrong-number", not strange, f"{strange[:3]}")
        self.expect("P4-never-silent", not found["silent"], f"{found['silent'][:3]}")
        late = [*found["lost_mqtt"], *found["lost_database"]]
        self.expect("P6-everything-arrives", not late, f"{len(late)} records, as {late[:3]}")
        self.expect("P13-sound-journal", not sound, sound)


@dataclass
class Report:
    """All rows of a campaign, and the proof that its faults were real."""

    rows: list[Row] = field(default_factory=list)
    bites: Counter[str] = field(default_factory=Counter)

    @property
    def is_broken(self) -> bool:
        """Whether any promise was broken, or nothing was tried."""
        return not self.rows or any(row.broken for row in self.rows)

    def merge(self, other: Report) -> None:
        """Add what another world found: the same fault in several worlds is one row."""
        self.bites += other.bites
        for row in other.rows:
            same = [known for known in self.rows if (known.number, known.fault) == (row.number, row.fault)]
            if same:
                same[0].merge(row)
            else:
                self.rows.append(row)

    def as_dict(self) -> dict[str, Any]:
        """For a file; `of_dict` reads it."""
        return {"rows": [asdict(row) for row in self.rows], "bites": dict(self.bites)}

    @classmethod
    def of_dict(cls, told: dict[str, Any]) -> Report:
        """A report from a file."""
        return cls([Row(**row) for row in told["rows"]], Counter(told["bites"]))

    def promises(self) -> dict[str, list[str]]:
        """By promise: what broke it. One that nothing put to the test is not there."""
        found: dict[str, list[str]] = {}
        for row in self.rows:
            for promise in row.proves:
                found.setdefault(promise, [])
            for text in row.broken:
                promise, _, why = text.partition(": ")
                found.setdefault(promise, []).append(f"{row.number} {row.fault}: {why}")
        return {promise: found[promise] for promise in PROMISES if promise in found}

    def vacuous(self, needed: tuple[str, ...]) -> None:
        """A run in which nothing bit proves nothing."""
        row = Row("-", "the faults bit", injected=sum(self.bites.values()))
        for bite in needed:
            row.expect("P14-it-bit", self.bites[bite] > 0, f"no {bite} was seen")
        row.note = ", ".join(f"{count} {bite}" for bite, count in sorted(self.bites.items()))
        self.rows.append(row)

    def text(self) -> str:
        """The table and the promises, for people."""
        rows = sorted(self.rows, key=_place)
        head = (
            "no",
            "fault",
            "injected",
            "lost",
            "doubled",
            "wrong",
            "silent",
            "alarm within",
            "recovered within",
        )
        lines = [head] + [
            (
                row.number,
                row.fault,
                str(row.injected),
                str(row.lost),
                str(row.doubled),
                str(row.wrong),
                str(row.silent),
                f"{row.alarm} {_s(row.alarm_s)}".strip() or "-",
                _s(row.recovered_s) or "-",
            )
            for row in rows
        ]
        widths = [max(len(line[i]) for line in lines) for i in range(len(head))]
        out = []
        for n, line in enumerate(lines):
            out.append(
                "  ".join(text.ljust(width) for text, width in zip(line, widths, strict=True)).rstrip()
            )
            if n and (note := rows[n - 1].note):
                out.append(f"      {note}")
            out += [f"      BROKEN {text}" for text in (rows[n - 1].broken if n else [])]
        out.append("")
        for promise, broken in self.promises().items():
            out.append(f"{'FAIL' if broken else 'pass'}  {promise}: {PROMISES[promise]}")
        return "\n".join(out)


def _place(row: Row) -> tuple[int, str, str]:
    number = re.match(r"\d+", row.number)
    return (int(number[0]) if number else 99), row.number, row.fault


def _longest(one: float | None, other: float | None) -> float | None:
    known = [seconds for seconds in (one, other) if seconds is not None]
    return max(known, default=None)


def _s(seconds: float | None) -> str:
    return "" if seconds is None else f"{seconds:.1f} s"
