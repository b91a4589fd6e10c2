"""`shotgram history` with a question of its own: a shot in detail, and proofs of what is stored."""

from __future__ import annotations

import argparse
import json
import re
import sys
from typing import Any

from agent.assessment.wording import counted
from agent.commands.local_time import LocalTime
from agent.commands.progress import progress
from agent.commands.tables import console
from agent.journal.reading import JournalReader
from agent.journal.rows import Row

MOST_REFUSED = 10_000
"""More than the journal keeps."""
SHOWN_OF_REFUSED = 200
"""Bytes of a refused message's payload that are shown."""


def shot(journal: JournalReader, args: argparse.Namespace, _since_s: float | None, local: LocalTime) -> int:
    """One dispense with its uncertainty budget; 1 where the id names none, or several."""
    from agent.commands.shot_table import print_shot

    found = _dispenses_named(journal, args.shot)
    if len(found) != 1:
        why = (
            "more than one dispense begins so; give more of its id"
            if found
            else "no dispense begins so; --kind dispense lists them with their ids"
        )
        print(f"shotgram history: --shot {args.shot}: {why}", file=sys.stderr)
        return 1
    row = found[0]
    if args.json:
        print(row.body)
    else:
        print_shot(row, console(), local)
    return 0


def _dispenses_named(journal: JournalReader, name: str) -> list[Row]:
    """The dispenses whose id is this, or begins with it; two at most."""
    begins = name if name.startswith("dispense-") else f"dispense-{name}"
    ids = journal.database.read(
        "SELECT id FROM records WHERE id >= ? AND id < ? ORDER BY id LIMIT 2", (begins, begins + "\x7f")
    )
    return [row for (one,) in ids if (row := journal.record(str(one))) is not None]


def verify(
    journal: JournalReader, args: argparse.Namespace, _since_s: float | None, _local: LocalTime
) -> int:
    """Whether any record was changed, removed or put in another order; 1 where one was."""
    from agent.journal import verify as chain

    with progress("following the chain", None):
        faults = chain.verify(journal.database, [_head(args.head)] if args.head else [])
    seq, newest = journal.head()
    unused = len(journal.quarantined(MOST_REFUSED))
    if args.json:
        told = [{"code": fault.code, "text": fault.text, "seq": fault.seq} for fault in faults]
        print(json.dumps({"records": seq, "newest_hash": newest, "faults": told, "refused": unused}))
    else:
        for fault in faults:
            print(fault.text)
        verdict = "sound" if not faults else f"{counted(len(faults), 'fault')}; compare with a backup"
        print(f"{counted(seq, 'record')}, newest hash {newest}: {verdict}")
        if unused:
            print(f"{counted(unused, 'message')} could not be used; --refused shows the newest")
    return 1 if faults else 0


def _head(text: str) -> tuple[int, str]:
    """The place and the hash of a record as they were told. Raises ValueError."""
    place, _, digest = text.partition(":")
    if not re.fullmatch(r"[1-9]\d{0,17}", place) or not re.fullmatch(r"[0-9a-f]{64}", digest):
        raise ValueError(f"--head is {text!r}; allowed: the record's number, a colon, and its hash")
    return int(place), digest


def refused(
    journal: JournalReader, args: argparse.Namespace, _since_s: float | None, _local: LocalTime
) -> int:
    """The newest messages that could not be used, and why."""
    found = journal.quarantined(args.last)
    for topic, body, code, fault in reversed(found):
        began = body[:SHOWN_OF_REFUSED].decode("utf-8", "backslashreplace")
        if args.json:
            print(json.dumps({"topic": topic, "code": code, "fault": fault, "payload": began}))
        else:
            print(f"{printable(topic)}: {fault} [{code}]\n    {printable(began)}")
    if not found and not args.json:
        print("no message was refused")
    return 0


def printable(text: str) -> str:
    """What came from outside, with nothing in it that a terminal would obey."""
    return "".join(one if one.isprintable() else f"\\x{ord(one):02x}" for one in text)


def recompute(
    journal: JournalReader, args: argparse.Namespace, since_s: float | None, _local: LocalTime
) -> int:
    """Every stored shot again from its raw readings; 1 where one comes out otherwise."""
    from agent.commands import recompute as again

    compared, differing = 0, 0
    stored = journal.database.one("SELECT count(*) FROM evidence") if since_s is None else None
    with progress("computing again", stored, prints=True) as advance:
        for result in again.recompute(journal, since_s):
            compared += 1
            differing += bool(result.differences)
            if args.json:
                print(json.dumps({"id": result.id, "differences": result.differences}))
            else:
                for member, (before, again) in result.differences.items():
                    print(f"{result.id}: {_change(member, before, again)}")
            advance(1)
    if not args.json:
        print(
            f"{counted(compared, 'shot')} computed again, {differing} differ{'s' if differing == 1 else ''}"
        )
    return 1 if differing else 0


def _change(member: str, before: Any, again: Any) -> str:
    if isinstance(before, list) and any(isinstance(one, dict) for one in before):
        return f"{member} differs; --json shows it"
    if isinstance(before, float) and isinstance(again, float) and before:
        return f"{member} was {before:.6g}, is {again:.6g} ({100.0 * (again / before - 1.0):+.4f} %)"
    return f"{member} was {before}, is {again}"
