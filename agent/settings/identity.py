"""`[agent]`: who this agent is and where it lives."""

from __future__ import annotations

import difflib
import zoneinfo
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator

from agent.settings.section import LocalPath, Section, TopicName, rule


def _known_zone(name: str) -> str:
    try:
        zoneinfo.ZoneInfo(name)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
        near = difflib.get_close_matches(name, zoneinfo.available_timezones(), n=1, cutoff=0.5)
        hint = f"; the nearest is {near[0]}" if near else ""
        raise rule(f"a time zone of the IANA list, such as Europe/Lisbon{hint}") from None
    return name


class Identity(Section):
    """Who this agent is and where it lives."""

    id: TopicName
    """The agent's name: its state stands on the topic {root}/agent/{id}/state."""
    state_dir: LocalPath = Path("state")
    """Folder of the journal. A relative path is relative to this file."""
    timezone: Annotated[str, AfterValidator(_known_zone)] = "UTC"
    """Time zone of the site's shifts, by its IANA name."""
    log_level: Literal["debug", "info", "warning", "error"] = "info"
    """How much is logged."""
