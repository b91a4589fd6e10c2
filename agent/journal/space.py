"""Room on the disk: how much is left, and a ballast file to give up when there is none."""

from __future__ import annotations

import contextlib
import os
from dataclasses import dataclass
from pathlib import Path

from agent.journal.limits import MIB, JournalLimits


@dataclass(frozen=True, slots=True)
class Space:
    """Room on the file system that a folder is on."""

    total_bytes: int
    free_bytes: int
    free_inodes: int | None
    """None where the file system does not count them."""

    @classmethod
    def of(cls, folder: Path) -> Space:
        """Room as the agent's user may use it."""
        found = os.statvfs(folder)
        inodes = found.f_favail if found.f_files else None
        return cls(found.f_blocks * found.f_frsize, found.f_bavail * found.f_frsize, inodes)

    def is_low(self, limits: JournalLimits) -> bool:
        """Whether it is time to warn: the disk is nearly full, or has nearly no room for another file."""
        bound = min(self.total_bytes * limits.low_disk_ratio, limits.low_disk_bytes)
        return self.free_bytes < bound or (self.free_inodes is not None and self.free_inodes < 16)

    def is_gone(self) -> bool:
        """Whether there is next to no room for bytes, or none for the files beside a journal."""
        return self.free_bytes <= MIB or (self.free_inodes is not None and self.free_inodes < SPARES)


SPARES = 3
"""Empty files: SQLite makes two to open a journal, and a disk may have room for bytes and for no file."""


class Ballast:
    """Files without meaning. SQLite cannot even delete rows on a full disk; giving these up lets it."""

    def __init__(self, folder: Path, size_bytes: int):
        self.path = folder / "journal.ballast"
        self.size_bytes = size_bytes
        self._spares = [folder / f"journal.spare-{n + 1}" for n in range(SPARES)]

    @property
    def is_whole(self) -> bool:
        """Whether there is as much to give up as was asked for."""
        try:
            return self.path.stat().st_size >= self.size_bytes
        except OSError:
            return self.size_bytes == 0

    def restore(self) -> bool:
        """Write the file again where the disk has room for four of it. Returns whether it is whole."""
        for spare in self._spares:
            with contextlib.suppress(OSError):
                spare.touch(mode=0o600)
        if self.is_whole:
            return True
        try:
            if Space.of(self.path.parent).free_bytes < 4 * self.size_bytes:
                return False
            handle = os.open(self.path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
            try:
                left = self.size_bytes
                while left > 0:  # random bytes: zeros take no room on a file system that compresses
                    left -= os.write(handle, os.urandom(min(left, 65536)))
                os.fsync(handle)
            finally:
                os.close(handle)
        except OSError:
            self.give_up()
            return False
        return True

    def give_up(self) -> bool:
        """Remove the files. Returns whether that made room."""
        gave = False
        for path in (self.path, *self._spares):
            with contextlib.suppress(OSError):
                path.unlink()
                gave = True
        return gave
