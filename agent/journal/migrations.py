"""Brings a journal to the newest schema: one frozen SQL file per version, each applied whole or not at all.

The version stands in the file's own `user_version`, set in the same transaction as the change, so that a
kill at any moment leaves the old version or the new one.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from importlib.resources import files

from agent.journal.database import Database
from agent.journal.errors import JournalNewer


@dataclass(frozen=True, slots=True)
class Migration:
    """The statements that lead from version `version` - 1 to `version`."""

    version: int
    sql: str


def shipped() -> tuple[Migration, ...]:
    """The migrations of this version of the software, oldest first."""
    found = {
        int(file.name.removeprefix("schema_v").removesuffix(".sql")): file.read_text(encoding="utf-8")
        for file in files("agent.journal").iterdir()
        if file.name.startswith("schema_v") and file.name.endswith(".sql")
    }
    return tuple(Migration(version, found[version]) for version in sorted(found))


def statements(sql: str) -> list[str]:
    """The single statements of a script, without those of only comments."""
    single: list[str] = []
    pending = ""
    for line in sql.splitlines(keepends=True):
        if not pending and (not line.strip() or line.lstrip().startswith("--")):
            continue
        pending += line
        if sqlite3.complete_statement(pending):
            single.append(pending)
            pending = ""
    if pending.strip():
        raise ValueError(f"a migration ends in the middle of a statement: {pending[:80]!r}")
    return single


def migrate(database: Database, migrations: Sequence[Migration] | None = None) -> tuple[int, int]:
    """Apply what is missing. Returns (version found, version now).

    Raises JournalNewer where the file was made by a later version of the software: it is left untouched.
    """
    steps = shipped() if migrations is None else tuple(migrations)
    found = version = int(database.one("PRAGMA user_version"))
    newest = steps[-1].version
    if version > newest:
        raise JournalNewer(
            f"journal {database.path}: made by a later version of Shotgram (schema {version}, this one knows "
            f"{newest}); install that version again, or name another state_dir"
        )
    for step in steps:
        if step.version > version:
            with database.transaction() as cursor:
                for statement in statements(step.sql):
                    cursor.execute(statement)
                cursor.execute(f"PRAGMA user_version = {step.version}")
            version = step.version
    return found, version
