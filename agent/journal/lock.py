"""Keeps a second agent away from a state folder: the lock is the kernel's and ends with the process."""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

from filelock import FileLock, Timeout

from agent.journal.errors import JournalLocked, JournalReadOnly


class FolderLock:
    """The lock of a state folder, held from `take` to `give_back`."""

    def __init__(self, folder: Path):
        self.folder = folder
        # Not per thread: the agent opens the journal in one thread and closes it in another.
        self._lock = FileLock(folder / "journal.lock", mode=0o600, thread_local=False)
        self._owner = folder / "journal.owner"

    def take(self) -> None:
        """Lock the folder.

        Raises JournalLocked where another process holds it, JournalReadOnly where the folder is not writable.
        """
        try:
            self._lock.acquire(timeout=0)
        except Timeout as fault:
            raise JournalLocked(
                f"state_dir {self.folder}: another agent works here{self._who()}; stop it, or give this "
                "one a state_dir of its own"
            ) from fault
        except OSError as fault:
            raise JournalReadOnly(
                f"state_dir {self.folder}: cannot be locked ({fault}); check the mount and its owner"
            ) from fault
        with contextlib.suppress(OSError):  # a note for people; a full disk may not take it
            self._owner.write_text(f"{os.getpid()}\n", encoding="ascii")

    def give_back(self) -> None:
        """Let another agent in; harmless when not held."""
        self._lock.release()

    def _who(self) -> str:
        with contextlib.suppress(OSError, ValueError):
            return f" (process {int(self._owner.read_text(encoding='ascii'))})"
        return ""
