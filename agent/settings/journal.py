"""`[journal]`: how large the journal may grow and how long it keeps what."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from agent.settings.section import Section


class Journal(Section):
    """Limits of the journal. Records that were not sent yet are never dropped without an alarm."""

    quota_mb: Annotated[int, Field(ge=10, le=1_000_000)] = 2000
    """The journal's file never grows beyond this, megabytes."""
    ballast_mb: Annotated[int, Field(ge=0, le=1000)] = 4
    """Space held back, megabytes, and given up when the disk is full so that old rows can be removed."""
    free_mb: Annotated[int, Field(ge=0, le=1_000_000)] = 200
    """An alarm is raised when less than this is free on the disk, megabytes."""
    keep_rows: Annotated[int, Field(ge=1000, le=1_000_000_000)] = 5_000_000
    """At most so many records are kept."""
    keep_days: Annotated[int, Field(ge=1, le=36_500)] = 3650
    """Records are kept for so many days; older ones that were sent go."""
    keep_raw_days: Annotated[int, Field(ge=1, le=36_500)] = 400
    """Raw readings behind the shots are kept for so many days: as long as a shot can be computed again."""
