"""How large the journal may become, and how patient it is."""

from __future__ import annotations

from dataclasses import dataclass

MIB = 1024 * 1024


@dataclass(frozen=True, slots=True)
class JournalLimits:
    """Bounds of the journal, sizes in bytes.

    Above them what every outlet has taken is let go, oldest first.
    """

    keep_rows: int = 1_000_000
    """Records kept; above it the oldest go that were sent. At least 1."""
    keep_bytes: int = 512 * MIB
    """Bytes in use inside the file; above it the oldest rows go that were sent."""
    keep_s: float = 3650 * 86400.0
    """Records are kept for so long, seconds; older ones go that were sent."""
    keep_raw_s: float = 400 * 86400.0
    """Raw readings behind the dispenses are kept for so long, seconds."""
    quota_bytes: int = 1024 * MIB
    """The file never grows beyond this. Here even rows that were not sent go, and that is alarmed."""
    ballast_bytes: int = 2 * MIB
    """A file that is given up when the disk is full, so that the journal can still make room. 0 for none."""
    low_disk_ratio: float = 0.20
    low_disk_bytes: int = 512 * MIB
    """Less of the disk free than this part of it and than so many bytes, and `disk-filling` is raised."""
    quarantine_rows: int = 1000
    """Unreadable messages kept, the newest."""
    quarantine_bytes: int = 4096
    """How much of each is kept."""
    kept_bytes: int = 1 * MIB
    """Largest value of a kept state."""
    busy_s: float = 10.0
    """How long a connection waits for another's write to end."""
    slow_commit_s: float = 1.0
    """A commit that takes longer raises `journal-slow`."""
    wal_pages: int = 256
    """Pages in the write-ahead log before it is copied into the file."""

    def __post_init__(self) -> None:
        for name in ("keep_rows", "keep_bytes", "quota_bytes", "kept_bytes", "wal_pages"):
            if getattr(self, name) < 1:
                raise ValueError(f"journal {name}: at least 1 (got {getattr(self, name)})")
        if self.keep_bytes > self.quota_bytes:
            raise ValueError(
                f"journal keep_bytes: at most quota_bytes, {self.quota_bytes} (got {self.keep_bytes})"
            )
