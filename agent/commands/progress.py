"""Progress of long work: on standard error, on a terminal alone, and gone when the work is done."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

Advance = Callable[[float], None]


@contextmanager
def progress(what: str, total: float | None, *, prints: bool = False) -> Iterator[Advance]:
    """Shows how far the work is; what it yields is called with each portion that is done.

    `total` is in the unit of the portions, None where it is not known. With `prints` the work writes to
    standard output meanwhile: then nothing is shown where that is the terminal too.
    """
    if not sys.stderr.isatty() or (prints and sys.stdout.isatty()):
        yield lambda _done: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}"), BarColumn(), TaskProgressColumn(), TimeRemainingColumn())
    with Progress(
        *columns,
        console=Console(stderr=True),
        transient=True,
        # Standard output may be a pipe that reads our records: it stays as it is.
        redirect_stdout=False,
        redirect_stderr=False,
    ) as shown:
        task = shown.add_task(what, total=total)
        yield lambda done: shown.advance(task, done)
